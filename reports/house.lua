-- One filter for every report and format: boxes, tabs, tables and alternative texts.

local is_html = FORMAT:match("html") ~= nil
local is_typst = FORMAT:match("typst") ~= nil
local under_quarto = quarto ~= nil

local function box(div)
  if is_html then
    div.attributes.role = "note"
    return div
  elseif is_typst then
    local blocks = pandoc.List({ pandoc.RawBlock("typst", '#block(inset: 8pt, stroke: (left: 2pt + luma(120)))[') })
    blocks:extend(div.content)
    blocks:insert(pandoc.RawBlock("typst", "]"))
    return blocks
  end
  return pandoc.BlockQuote(div.content)
end

-- Each heading inside a tabs div begins a tab. The heading becomes a bold line, so that it stays out of the contents.
local function tabs(div)
  local panels = pandoc.List()
  for _, block in ipairs(div.content) do
    if block.t == "Header" then
      local title = pandoc.Div({ pandoc.Para({ pandoc.Strong(block.content) }) }, pandoc.Attr("", { "tab-title" }))
      panels:insert(pandoc.Div({ title }, pandoc.Attr("", { "tab" })))
    elseif #panels == 0 then
      error("a tabs div begins with a heading")
    else
      panels[#panels].content:insert(block)
    end
  end
  div.content = panels
  return div
end

function Div(div)
  if div.classes:includes("tabs") then
    return tabs(div)
  elseif div.classes:includes("box") then
    return box(div)
  end
end

-- Outside HTML a table written in HTML becomes a native one.
function RawBlock(raw)
  if raw.format == "html" and not is_html and raw.text:match("<table") then
    return pandoc.read(raw.text, "html").blocks
  end
end

-- The reader keeps the alternative text as the caption of the image.
function Image(image)
  local alt = pandoc.utils.stringify(image.caption)
  if alt == "" then
    error("a figure has no alternative text: " .. image.src)
  end
  if is_typst then
    return pandoc.RawInline("typst", "#image(" .. pandoc.json.encode(image.src) .. ", alt: " .. pandoc.json.encode(alt) .. ")")
  end
  if under_quarto then
    image.attributes["fig-alt"] = alt
    return image
  end
end

-- One filter for every report and format: what may stand in a text at all, then boxes, tabs, tables, alternative texts.

local is_html = FORMAT:match("html") ~= nil
local is_typst = FORMAT:match("typst") ~= nil
local under_quarto = quarto ~= nil

-- A text holds raw HTML of these elements and attributes only; anything else stops the page, whoever wrote it.
local elements = pandoc.List({
  "div", "table", "caption", "thead", "tbody", "tr", "th", "td", "br", "small", "span", "details", "summary", "ul", "li",
  "p", "a",
})
local attributes = pandoc.List({ "class", "scope", "colspan", "rowspan", "href" })

local function refuse(what)
  error("the page will not be made: its text holds " .. what)
end

-- An anchor, a file beside the page, or figures that the page carries.
local function is_near(target)
  return target:match("^#[%w_:.-]+$") or target:match("^[%w_%%-][%w._%%-]*$")
    or target:match("^data:text/csv;base64,[%w+/=]*$")
end

local function is_plain(written)
  local rest = written:gsub('%s+([%a-]+)="([^"<>]*)"', function(name, value)
    local is_fine = attributes:includes(name) and (name ~= "href" or is_near(value))
    return is_fine and "" or "!"
  end)
  return rest:match("^%s*/?$") ~= nil
end

local function hold_raw(raw)
  if raw.format ~= "html" then
    refuse("raw " .. raw.format)
  end
  local rest = raw.text:gsub("</?(%a+)([^<>]*)>", function(name, written)
    return elements:includes(name) and is_plain(written) and "" or "<"
  end)
  if rest:match("[<>]") then
    refuse("HTML that is not of a table, a list or a fold")
  end
end

-- Pandoc reads no file by itself: style and figures are handed to it here, and nothing else is.
local function carry(path, kind)
  local file = io.open(path, "rb") or refuse("a figure that was not drawn: " .. path)
  pandoc.mediabag.insert(path, kind, file:read("a"))
  file:close()
end

local guard = {
  RawBlock = hold_raw,
  RawInline = hold_raw,
  Link = function(link)
    if not is_near(link.target) then
      refuse("a link to another place")
    end
  end,
  Image = function(image)
    local ending = image.src:match("^fig/[%w_-]+%.(%a+)$")
    if ending ~= "svg" and ending ~= "png" then
      refuse("a picture that is no figure of the report")
    end
    if not under_quarto and not is_typst then
      carry(image.src, ending == "svg" and "image/svg+xml" or "image/png")
    end
  end,
}

if is_html and not under_quarto then
  carry("house.css", "text/css")
end

local house = {}

-- What only a screen shows.
local screen = pandoc.List({ "download", "narrow", "screen" })

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

function house.Div(div)
  if not is_html and div.classes:find_if(function(class) return screen:includes(class) end) then
    return {}
  end
  if div.classes:includes("tabs") then
    return tabs(div)
  elseif div.classes:includes("box") then
    return box(div)
  end
end

-- The longest line of a cell, in letters.
local function letters(cell)
  local longest, line = 0, 0
  pandoc.walk_block(pandoc.Div(cell.contents), {
    Str = function(word) line = line + utf8.len(word.text) + 1; longest = math.max(longest, line) end,
    LineBreak = function() line = 0 end,
  })
  return longest
end

-- On paper a table is as wide as the text, each column by the longest line in it.
local function widths(tbl)
  local wanted = {}
  local function look(rows)
    for _, row in ipairs(rows) do
      for place, cell in ipairs(row.cells) do
        if cell.col_span == 1 and #row.cells == #tbl.colspecs then
          wanted[place] = math.max(wanted[place] or 0, letters(cell))
        end
      end
    end
  end
  look(tbl.head.rows)
  for _, body in ipairs(tbl.bodies) do look(body.body) end
  local all = 0
  for place = 1, #tbl.colspecs do
    wanted[place] = math.min(math.max(wanted[place] or 0, 7), 36)
    all = all + wanted[place]
  end
  for place, spec in ipairs(tbl.colspecs) do
    tbl.colspecs[place] = { pandoc.AlignLeft, wanted[place] / all }
  end
  return tbl
end

-- A long code may be broken on paper: every eighth letter is followed by a place to do so.
local function breakable(word)
  if #word.text > 24 and word.text:match("^%w+$") then
    return pandoc.Str((word.text:gsub("(%w%w%w%w%w%w%w%w)", "%1\u{200B}")))
  end
end

-- Outside HTML a table written in HTML becomes a native one, and what lies under a fold stands under its title.
function house.RawBlock(raw)
  if raw.format ~= "html" or is_html then
    return nil
  end
  if raw.text:match("<table") then
    return pandoc.Blocks(pandoc.read(raw.text, "html").blocks):walk({ Table = widths, Str = breakable })
  end
  local title = raw.text:match("<summary>(.-)</summary>")
  if title then
    return pandoc.Para({ pandoc.Strong(pandoc.read(title, "html").blocks[1].content) })
  end
  return {}
end

-- The reader keeps the alternative text as the caption of the image.
function house.Image(image)
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

return { guard, house }

-- One filter for every report, format and renderer: what may stand in a text at all, then callouts, tabsets, numbered tables
-- and figures, references to them, alternative texts. It runs before anything of Quarto's own, so that both renderers go on
-- from the same text.

local is_html = FORMAT:match("html") ~= nil
local is_typst = FORMAT:match("typst") ~= nil
local under_quarto = quarto ~= nil

-- A text holds raw HTML of these elements and attributes only; anything else stops the page, whoever wrote it.
local elements = pandoc.List({
  "div", "table", "caption", "thead", "tbody", "tr", "th", "td", "br", "small", "span", "details", "summary", "ul", "li",
  "p", "a",
})
local attributes = pandoc.List({ "class", "scope", "colspan", "rowspan", "href" })

-- `assert`, since under Quarto `error` writes a line and goes on.
local function refuse(what)
  assert(false, "the page will not be made: its text holds " .. what)
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

-- Pandoc reads no file by itself: the figures of a document are handed to it here, and nothing else is. A page gets its own
-- when it is finished.
local function carry(path, kind)
  local file = io.open(path, "rb") or refuse("a figure that was not drawn: " .. path)
  if not is_html then
    pandoc.mediabag.insert(path, kind, file:read("a"))
  end
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

-- What only a screen shows.
local screen = pandoc.List({ "download", "narrow", "screen" })

local function is_hidden(div)
  return not is_html and div.classes:find_if(function(class) return screen:includes(class) end) ~= nil
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

-- Tables and figures are counted in their order; `@tbl-name` and `@fig-name` become links to them. A table without a label
-- has one by its caption: "Where every exam ended" is `tbl-where-every-exam-ended`.
local words = { tbl = "Table", fig = "Figure" }
local counts = { tbl = 0, fig = 0 }
local names = {}

local function kind_of(label)
  local kind = label:match("^(%a%a%a)%-[%w_-]+$")
  return words[kind] and kind
end

local function anchor(label)
  return (label:gsub("^tbl%-", "table-"):gsub("^fig%-", "figure-"))
end

local function by_caption(kind, caption)
  local said = caption:lower():gsub("&%a+;", " "):gsub("[^%w]+", "-"):gsub("^%-", ""):gsub("%-$", "")
  if #said > 60 then
    said = said:sub(1, 60):gsub("%-[^-]*$", "")
  end
  local first = kind .. "-" .. (said == "" and "untitled" or said)
  local label, again = first, 1
  while names[label] do
    again = again + 1
    label = first .. "-" .. again
  end
  return label
end

-- The next number of its kind, and the label it goes by.
local function number(kind, label, caption)
  counts[kind] = counts[kind] + 1
  local name = words[kind] .. " " .. counts[kind]
  if not kind_of(label) then
    label = by_caption(kind, caption)
  elseif names[label] then
    refuse("the label " .. label .. " twice")
  end
  names[label] = name
  return name, label
end

local function captioned(name, caption)
  local said = pandoc.List({ pandoc.Str(name .. ":"), pandoc.Space() })
  said:extend(caption)
  return said
end

local function typst_figure(kind, caption, position, label, content)
  local blocks = pandoc.List({
    pandoc.RawBlock("typst", "#figure(kind: " .. kind .. ", supplement: none, numbering: none, caption: figure.caption(position: "
      .. position .. ", separator: none)["),
    pandoc.Plain(caption),
    pandoc.RawBlock("typst", "])["),
  })
  blocks:extend(content)
  blocks:insert(pandoc.RawBlock("typst", "] <" .. anchor(label) .. ">"))
  return blocks
end

local function quoted(text)
  return '"' .. (text:gsub('[\\"]', "\\%0")) .. '"'
end

local function anchored(label, blocks)
  return pandoc.List({ pandoc.Div(blocks, pandoc.Attr(anchor(label))) })
end

-- A native table with its caption over it.
local function set_table(tbl, caption, label)
  tbl.caption = pandoc.Caption()
  if is_typst then
    tbl.classes:insert("typst:no-figure")
    return typst_figure("table", caption, "top", label, { tbl })
  end
  local over = pandoc.Div({ pandoc.Para(caption) }, pandoc.Attr("", {}, { ["custom-style"] = "Table Caption" }))
  return anchored(label, pandoc.List({ over, tbl }))
end

local function plain_inlines(blocks)
  return pandoc.utils.blocks_to_inlines(blocks, { pandoc.Space() })
end

-- A table that a cell wrote as HTML: numbered as it is on a page, a native table elsewhere.
local function html_table(raw, given)
  local name, label = number("tbl", given, (raw.text:match("<caption>(.-)</caption>") or ""):gsub("</?span>", ""))
  if is_html then
    local text = raw.text:gsub("<caption>(<?s?p?a?n?>?)", function(inner) return "<caption>" .. inner .. name .. ": " end, 1)
    text = text:gsub("<table", '<table id="' .. anchor(label) .. '"', 1)
    return pandoc.List({ pandoc.RawBlock("html", text) })
  end
  local blocks = pandoc.List()
  for _, block in ipairs(pandoc.read(raw.text, "html").blocks:walk({ Table = widths, Str = breakable })) do
    local inner = block.t == "Div" and block.content[1] or block
    if inner.t == "Table" then
      blocks:extend(set_table(inner, captioned(name, plain_inlines(inner.caption.long)), label))
    else
      blocks:insert(block)
    end
  end
  return blocks
end

-- A picture with its caption beneath; what is said to those who do not see it stands in `alt`.
local function figure(image, caption, name, label)
  local alt = image.attributes["alt"] or image.attributes["fig-alt"] or ""
  if alt == "" then
    refuse("a figure without an alternative text: " .. image.src)
  end
  local said = captioned(name, caption)
  if is_typst then
    local picture = "#image(" .. quoted(image.src) .. ", alt: " .. quoted(alt) .. ")"
    return typst_figure("image", said, "bottom", label, { pandoc.RawBlock("typst", picture) })
  end
  local shown = pandoc.Image({}, image.src, "", pandoc.Attr("", {}, { alt = alt }))
  if not is_html then
    shown.caption = pandoc.Inlines({ pandoc.Str(alt) })
    shown.attributes["alt"] = nil
    local under = pandoc.Div({ pandoc.Para(said) }, pandoc.Attr("", {}, { ["custom-style"] = "Image Caption" }))
    return anchored(label, pandoc.List({ pandoc.Plain({ shown }), under }))
  end
  local id = label and ' id="' .. anchor(label) .. '"' or ""
  return pandoc.List({
    pandoc.RawBlock("html", "<figure" .. id .. ">"),
    pandoc.Plain({ shown }),
    pandoc.RawBlock("html", "<figcaption>"),
    pandoc.Plain(said),
    pandoc.RawBlock("html", "</figcaption></figure>"),
  })
end

local function numbered_figure(image, caption, given)
  return figure(image, caption, number("fig", given, pandoc.utils.stringify(caption)))
end

-- The picture of a paragraph that holds nothing else; some readers make a figure of it.
local function lone_image(block)
  if block.t == "Figure" and #block.content == 1 and block.content[1].content and #block.content[1].content == 1 then
    local image = block.content[1].content[1]
    if image.t == "Image" then -- its own words are those for who does not see it
      image.attributes["alt"] = image.attributes["alt"] or pandoc.utils.stringify(image.caption)
      image.caption = plain_inlines(block.caption.long)
      image.identifier = block.identifier ~= "" and block.identifier or image.identifier
      return image
    end
  end
  if (block.t == "Para" or block.t == "Plain") and #block.content == 1 and block.content[1].t == "Image" then
    return block.content[1]
  end
end

local numbered = { traverse = "topdown" }

function numbered.RawBlock(raw)
  if raw.text:match("<table") then
    return html_table(raw, ""), false
  end
end

function numbered.Table(tbl)
  local caption = plain_inlines(tbl.caption.long)
  if #caption == 0 then
    return nil
  end
  local label = kind_of(tbl.identifier) == "tbl" and tbl.identifier or ""
  local last = caption[#caption]
  local written = last.t == "Str" and last.text:match("^{#(tbl%-[%w_-]+)}$")
  if written then
    label = written
    caption = pandoc.List({ table.unpack(caption, 1, #caption - 2) })
  end
  local name, known = number("tbl", label, pandoc.utils.stringify(caption))
  local said = captioned(name, caption)
  tbl.identifier = ""
  if is_html then
    tbl.caption.long = { pandoc.Plain(said) }
    return anchored(known, pandoc.List({ tbl })), false
  end
  return set_table(widths(tbl), said, known), false
end

function numbered.Para(para)
  local image = lone_image(para)
  if image then
    return numbered_figure(image, image.caption, image.identifier), false
  end
end

numbered.Figure = numbered.Para

-- `::: {#tbl-name}` and `::: {#fig-name}` hold one table or picture; their last paragraph, or what the cell's option says, is
-- its caption.
local function labelled(div, kind)
  local said = div.attributes[kind .. "-cap"]
  local caption = said and plain_inlines(pandoc.read(said, "markdown-raw_html-raw_tex").blocks:walk(guard)) or nil
  local last = div.content[#div.content]
  local inner = div.content
  while #inner == 1 and inner[1].t == "Div" do
    inner = inner[1].content
  end
  local first = inner[1]
  if first and first.t == "RawBlock" and first.text:match("<table") then
    return html_table(first, div.identifier)
  end
  if not caption and #inner > 1 and last.t == "Para" and not lone_image(last) then
    caption = last.content
  end
  local image = first and lone_image(first)
  if kind == "fig" and image then
    return numbered_figure(image, caption or image.caption, div.identifier)
  end
  if kind == "tbl" and first and first.t == "Table" then
    caption = caption or plain_inlines(first.caption.long)
    first.caption = pandoc.Caption({ pandoc.Plain(caption) })
    first.identifier = div.identifier
    return (numbered.Table(first))
  end
  refuse("the label " .. div.identifier .. " on something that is neither one table nor one picture")
end

-- What a cell says of the title: the whole of it, or the joint in front of it.
local spoken = {}

function numbered.Div(div)
  if is_hidden(div) then
    return {}, false
  end
  for _, class in ipairs({ "page-title", "joint" }) do
    if div.classes:includes(class) then
      spoken[class] = plain_inlines(div.content)
      return {}, false
    end
  end
  local kind = kind_of(div.identifier)
  if kind then
    return labelled(div, kind), false
  end
  if div.classes:includes("narrow") then -- the figure before, drawn for a phone
    local image = lone_image(div.content[1])
    div.content = figure(image, image.caption, words.fig .. " " .. counts.fig)
    return div, false
  end
end

local house = {}

-- A title of its own kind: a bold line, so that it stays out of the contents.
local function callout(div, kind)
  local content, title = div.content, div.attributes["title"]
  if content[1] and content[1].t == "Header" then
    title = content[1].content
    content:remove(1)
  elseif title then
    title = pandoc.Inlines({ pandoc.Str(title) })
  end
  if title then
    content:insert(1, pandoc.Para({ pandoc.Strong(title) }))
  end
  if is_html then
    local classes = { "box", kind }
    for _, class in ipairs(div.classes) do
      if not class:match("^callout%-") then table.insert(classes, class) end
    end
    return pandoc.Div(content, pandoc.Attr(div.identifier, classes, { role = "note" }))
  elseif is_typst then
    local blocks = pandoc.List({ pandoc.RawBlock("typst", '#block(inset: 8pt, stroke: (left: 2pt + luma(120)))[') })
    blocks:extend(content)
    blocks:insert(pandoc.RawBlock("typst", "]"))
    return blocks
  end
  return pandoc.BlockQuote(content)
end

-- Each heading inside a tabset begins a tab.
local function tabs(div)
  local panels = pandoc.List()
  for _, block in ipairs(div.content) do
    if block.t == "Header" then
      local title = pandoc.Div({ pandoc.Para({ pandoc.Strong(block.content) }) }, pandoc.Attr("", { "tab-title" }))
      panels:insert(pandoc.Div({ title }, pandoc.Attr("", { "tab" })))
    elseif #panels == 0 then
      refuse("a tabset that does not begin with a heading")
    else
      panels[#panels].content:insert(block)
    end
  end
  return pandoc.Div(panels, pandoc.Attr(div.identifier, { "tabs" }))
end

function house.Div(div)
  if div.classes:includes("panel-tabset") then
    return tabs(div)
  end
  for _, class in ipairs(div.classes) do
    local kind = class:match("^callout%-(%a+)$")
    if kind then
      return callout(div, kind)
    end
  end
end

-- Outside HTML what lies under a fold stands under its title.
function house.RawBlock(raw)
  if raw.format ~= "html" or is_html then
    return nil
  end
  local title = raw.text:match("<summary>(.-)</summary>")
  if title then
    return pandoc.Para({ pandoc.Strong(pandoc.read(title, "html").blocks[1].content) })
  end
  return {}
end

local function told(label)
  return names[label] or refuse("a reference to " .. label .. ", which no table and no figure is called")
end

function house.Cite(cite)
  local links = pandoc.List()
  for _, citation in ipairs(cite.citations) do
    if kind_of(citation.id) then
      if #links > 0 then links:extend({ pandoc.Str(","), pandoc.Space() }) end
      local name = told(citation.id)
      local shown = citation.mode == "SuppressAuthor" and name:match("%d+") or name
      links:insert(pandoc.Link({ pandoc.Str((shown:gsub(" ", "\u{a0}"))) }, "#" .. anchor(citation.id)))
    end
  end
  if #links > 0 then
    return links
  end
end

function house.Link(link)
  link.target = link.target:gsub("^#tbl%-", "#table-"):gsub("^#fig%-", "#figure-")
  return link
end

-- "How accurate is the exam" becomes "Knee: how accurate is the exam".
function house.Meta(meta)
  local title = spoken["page-title"] or pandoc.Inlines(meta.title or {})
  if spoken.joint then
    local first = title[1]
    if first and first.t == "Str" then
      title[1] = pandoc.Str((first.text:gsub("^%u", string.lower)))
    end
    title = spoken.joint .. pandoc.Inlines({ pandoc.Str(":"), pandoc.Space() }) .. title
  end
  meta.title = title
  if under_quarto then
    meta.pagetitle = pandoc.utils.stringify(title)
  end
  return meta
end

return { guard, numbered, house }

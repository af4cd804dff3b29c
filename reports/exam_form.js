"use strict";
const ask = JSON.parse(document.getElementById("content").textContent);
const form = document.getElementById("form");
const said = document.getElementById("said");
const STORE = "examtally-exams";
let exams = [];
let touched = false;

// ---- building: every question from the content, nothing filled in before

function make(kind, properties = {}, ...inside) {
  const one = Object.assign(document.createElement(kind), properties);
  one.append(...inside.filter((part) => part !== null));
  return one;
}

function choices(name, options, legend, isQuiet = false) {
  const own = options.map((option) =>
    make("label", { className: "choice", title: option.says || "" },
      make("input", { type: "radio", name, value: option.code, ariaLabel: option.says || option.label }),
      make("span", { textContent: option.label })));
  return make("fieldset", {},
    make("legend", { textContent: legend, className: isQuiet ? "name" : "" }),
    make("div", { className: "choices" }, ...own));
}

function typed(name, label, properties, says) {
  const id = `in-${name}`;
  const input = make("input", { id, name, ...properties });
  const fault = make("p", { className: "bad", id: `${id}-bad`, hidden: true });
  input.setAttribute("aria-describedby", fault.id);
  return make("div", { className: "text" }, make("label", { htmlFor: id, className: "text", title: says || "" },
    make("span", { textContent: label })), input, fault);
}

function question(field, prefix) {
  const name = `${prefix}.${field.name}`;
  const label = field.label + (field.unit ? `, ${field.unit}` : "") + (field.required ? " *" : "");
  if (field.form === "choice") {
    const one = choices(name, field.choices, label);
    const fault = make("p", { className: "bad", id: `in-${name}-bad`, hidden: true });
    one.append(fault);
    if (field.choices.length > 4) one.classList.add("wide");
    return one;
  }
  const isNumber = field.form === "integer" || field.form === "number";
  return typed(name, label, isNumber ? { type: "text", inputMode: "decimal" } : { type: "text", autocapitalize: "characters" }, field.says);
}

function row(label, control, ...extra) {
  return make("div", { className: "row" }, control, ...extra.map((part) => { part.classList.add("extra"); return part; }));
}

function maneuver(one) {
  const name = `finding.${one.code}`;
  const told = make("details", {}, make("summary", { textContent: "How, and what counts" }),
    make("p", { textContent: one.technique }), make("p", { textContent: `Positive: ${one.positive}` }),
    ...one.cautions.map((text) => make("p", { textContent: text })));
  const why = choices(`${name}.reason`, ask.reasons, `${one.label}: why`);
  const parts = [];
  if (one.grades.length) parts.push(choices(`${name}.grade`, one.grades, "Grade"));
  if (one.endPoint) parts.push(choices(`${name}.end_point`, ask.endPoints.map((code) => ({ code, label: code })), "How it stops"));
  if (one.signs.length) parts.push(choices(`${name}.sign`, one.signs, "What made it positive"));
  if (one.unit) parts.push(typed(`${name}.measure`, `${one.measure[0].toUpperCase()}${one.measure.slice(1)}, ${one.unit}`, { type: "text", inputMode: "decimal" }));
  const more = parts.length ? make("details", { className: "more" }, make("summary", { textContent: "Grade and more" }), ...parts) : null;
  why.hidden = true;
  if (more) more.hidden = true;
  const made = row(one.label, choices(name, ask.results, one.label, true), why, ...(more ? [more] : []), told);
  made.dataset.maneuver = one.code;
  return made;
}

function percent(stage, one) {
  const name = `chance.${stage}.${one.code}`;
  const made = typed(name, `${one.label}, %`, { type: "text", inputMode: "numeric" });
  return made;
}

function section(part) {
  const inside = [];
  if (part.kind === "fields") inside.push(make("div", { className: "fields" }, ...part.fields.map((one) => question(one, "exam"))));
  if (part.kind === "history") inside.push(...part.items.map((one) => row(one.label, choices(`history.${one.code}`, ask.answers, one.label, true))));
  if (part.kind === "probability") inside.push(make("div", { className: "fields" }, ...part.items.map((one) => percent(part.stage, one))));
  if (part.kind === "maneuvers")
    for (const phase of part.phases.filter((each) => each.items.length))
      inside.push(make("h3", { textContent: phase.title }), ...phase.items.map(maneuver));
  return part.folded
    ? make("details", { className: "part" }, make("summary", { textContent: part.title }), ...inside)
    : make("section", { className: "part" }, make("h2", { textContent: part.title }), ...inside);
}

function build() {
  form.append(make("details", { className: "warn" },
    make("summary", { textContent: ask.ruleOut }),
    make("ul", {}, ...ask.flags.map((text) => make("li", { textContent: text })))));
  ask.sections.forEach((part, place) => {
    const made = section(part);
    if (place === 0) made.querySelector(".fields").append(...ask.person.map((one) => question(one, "person")));
    form.append(made);
  });
  form.append(make("p", { className: "quiet", textContent: ask.caution }));
}

// ---- reading and checking, by the rules of the contract

const value = (name) => {
  const chosen = form.querySelector(`input[type="radio"][name="${name}"]:checked`);
  if (chosen) return chosen.value;
  const text = form.querySelector(`input[type="text"][name="${name}"]`);
  return text ? text.value.trim().replace(/\s+/g, " ") : "";
};

function pseudonymFault(text) {
  const rule = ask.pseudonym;
  const whole = (pattern) => new RegExp(`^(?:${pattern})$`).test(text);
  const eight = text.match(/(?<![0-9])[0-9]{8}(?![0-9])/g) || [];
  const [first, last] = rule.date_years;
  const isDate = (digits) => [[0, 4, 6], [4, 2, 0], [4, 0, 2]].some(([year, month, day]) => {
    const [y, m, d] = [+digits.slice(year, year + 4), +digits.slice(month, month + 2), +digits.slice(day, day + 2)];
    const made = new Date(Date.UTC(y, m - 1, d));
    return y >= first && y <= last && made.getUTCMonth() === m - 1 && made.getUTCDate() === d;
  });
  const isFine = whole(rule.pattern) && new RegExp(rule.needs).test(text)
    && !new RegExp(`[A-Z]{${rule.letters_in_a_row_at_most + 1}}`).test(text)
    && !rule.prefixes.some((prefix) => text.startsWith(prefix))
    && !eight.some(isDate) && !rule.separated_dates.some(whole);
  if (!isFine) return `Must be ${rule.words}.`;
  return text.length > ask.longest ? `At most ${ask.longest} signs.` : "";
}

function numberFault(text, low, high, isWhole) {
  if (!/^-?[0-9]+([.][0-9]+)?$/.test(text) || (isWhole && !/^-?[0-9]+$/.test(text))) return isWhole ? "Write a whole number." : "Write a number.";
  if ((low !== null && +text < low) || (high !== null && +text > high)) return high === null ? `At least ${low}.` : `From ${low} to ${high}.`;
  return "";
}

function fieldFault(field, text) {
  if (!text) return field.required ? "Must be filled." : "";
  if (field.form === "code") return pseudonymFault(text.toUpperCase());
  if (field.form === "integer" || field.form === "number") return numberFault(text, field.low, field.high, field.form === "integer");
  if (field.pattern && !new RegExp(`^(?:${field.pattern})$`).test(text)) return `Must be ${field.patternWords || field.says}.`;
  return "";
}

function show(name, fault) {
  const place = document.getElementById(`in-${name}-bad`);
  if (place) { place.textContent = fault; place.hidden = !fault; }
  const input = document.getElementById(`in-${name}`);
  if (input) input.setAttribute("aria-invalid", fault ? "true" : "false");
  return fault ? [name] : [];
}

const examFields = () => ask.sections.filter((part) => part.kind === "fields").flatMap((part) => part.fields);

function faults() {
  const found = [];
  for (const field of examFields()) found.push(...show(`exam.${field.name}`, fieldFault(field, value(`exam.${field.name}`))));
  for (const field of ask.person) found.push(...show(`person.${field.name}`, fieldFault(field, value(`person.${field.name}`))));
  for (const input of form.querySelectorAll('input[name^="chance."]'))
    found.push(...show(input.name, value(input.name) ? numberFault(value(input.name), 0, 100, false) : ""));
  for (const input of form.querySelectorAll('input[name$=".measure"]'))
    found.push(...show(input.name, value(input.name) ? numberFault(value(input.name), null, null, false) : ""));
  return found;
}

function read() {
  const exam = {};
  for (const field of examFields()) {
    const text = value(`exam.${field.name}`);
    exam[field.name] = field.form === "code" ? text.toUpperCase() : text;
  }
  exam.exam_id = [exam.participant_id, ask.jointMark, exam.side[0].toUpperCase(), exam.examiner_id, `D${exam.exam_day.replace("-", "N")}`].filter(Boolean).join("-");
  exam.joint = ask.jointCode;
  const person = { participant_id: exam.participant_id };
  for (const field of ask.person) person[field.name] = value(`person.${field.name}`);
  const made = { participants: [person], exams: [exam], history: [], impressions: [], findings: [] };
  for (const part of ask.sections) {
    if (part.kind === "history")
      for (const one of part.items) {
        const answer = value(`history.${one.code}`);
        if (answer) made.history.push({ exam_id: exam.exam_id, item: one.code, answer });
      }
    if (part.kind === "probability")
      for (const one of part.items) {
        const text = value(`chance.${part.stage}.${one.code}`);
        if (text) made.impressions.push({ exam_id: exam.exam_id, condition: one.code, stage: part.stage, probability: String(Math.round(+text * 1e4) / 1e6) });
      }
    if (part.kind === "maneuvers")
      for (const one of part.phases.flatMap((phase) => phase.items)) {
        const name = `finding.${one.code}`, result = value(name);
        if (!result) continue;
        const finding = { exam_id: exam.exam_id, maneuver: one.code, result };
        if (ask.withReason.includes(result)) finding.reason = value(`${name}.reason`);
        if (ask.withGrade.includes(result)) {
          finding.grade = value(`${name}.grade`);
          finding.end_point = value(`${name}.end_point`);
          finding.measure = value(`${name}.measure`);
        }
        if (ask.withSign.includes(result)) finding.sign = value(`${name}.sign`);
        made.findings.push(finding);
      }
  }
  return made;
}

// ---- keeping and saving

function tell(text) { said.textContent = text; }

function count() {
  document.getElementById("files").textContent = `Save files (${exams.length})`;
  document.getElementById("fhir").textContent = `Save as FHIR (${exams.length})`;
  try {
    if (document.getElementById("store").checked && exams.length) localStorage.setItem(STORE, JSON.stringify(exams));
    else localStorage.removeItem(STORE);
  } catch { /* a browser may refuse to store; the exams stay in this window */ }
}

function clear(isSamePerson) {
  const kept = new Map();
  const stays = isSamePerson
    ? [...examFields().filter((one) => ["participant_id", "episode", "exam_day", ...ask.kept].includes(one.name)).map((one) => `exam.${one.name}`), ...ask.person.map((one) => `person.${one.name}`)]
    : ask.kept.map((name) => `exam.${name}`);
  for (const name of stays) kept.set(name, value(name));
  form.reset();
  for (const [name, text] of kept) {
    const input = form.querySelector(`input[type="text"][name="${name}"]`);
    if (input) input.value = text;
    const choice = text && form.querySelector(`input[type="radio"][name="${name}"][value="${text}"]`);
    if (choice) choice.checked = true;
  }
  for (const one of form.querySelectorAll("[data-maneuver]")) reveal(one);
  touched = false;
}

function keep(isOther) {
  const found = faults();
  if (found.length) {
    tell(`${found.length} ${found.length === 1 ? "answer needs" : "answers need"} mending; nothing was kept.`);
    const first = document.getElementById(`in-${found[0]}`) || form.querySelector(`input[name="${found[0]}"]`);
    const folded = first.closest("details");
    if (folded) folded.open = true;
    first.focus();
    return;
  }
  const made = read();
  const id = made.exams[0].exam_id;
  if (!new RegExp(`^(?:${ask.pseudonym.pattern})$`).test(id)) {
    tell(`The code made of this exam (${id}) is too long; shorten those of patient and examiner. Nothing was kept.`);
    return;
  }
  if (exams.some((one) => one.exams[0].exam_id === id)) {
    tell(`This exam (${id}) is kept already. Another day, side or examiner makes another exam; nothing was kept.`);
    return;
  }
  exams.push(made);
  const side = made.exams[0].side;
  clear(isOther);
  if (isOther) {
    const opposite = form.querySelector(`input[name="exam.side"]:not([value="${side}"])`);
    if (opposite) opposite.checked = true;
  }
  tell(`Kept: ${id}, ${made.findings.length} findings. ${exams.length} not saved yet.`);
  count();
  window.scrollTo(0, 0);
}

function csv(table) {
  const columns = ask.tables[table], rows = new Map();
  exams.flatMap((one) => one[table]).forEach((line, place) => rows.set(table === "participants" ? line.participant_id : place, line));
  const used = columns.filter((name) => [...rows.values()].some((line) => line[name]));
  const cell = (text) => (/[",\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
  return rows.size ? [used, ...[...rows.values()].map((line) => used.map((name) => cell(line[name] || "")))].map((line) => line.join(",")).join("\r\n") + "\r\n" : "";
}

const TABLE = Uint32Array.from({ length: 256 }, (_, start) => {
  let code = start;
  for (let bit = 0; bit < 8; bit++) code = code & 1 ? 0xedb88320 ^ (code >>> 1) : code >>> 1;
  return code;
});
const crc = (bytes) => (bytes.reduce((sum, byte) => TABLE[(sum ^ byte) & 255] ^ (sum >>> 8), 0xffffffff) ^ 0xffffffff) >>> 0;

// An archive of files as they are, without compression (the open ZIP format, method 0).
function zip(files) {
  const parts = [], ends = [];
  let at = 0;
  const block = (size, numbers) => {
    const view = new DataView(new ArrayBuffer(size));
    for (const [place, bytes, number] of numbers) bytes === 2 ? view.setUint16(place, number, true) : view.setUint32(place, number, true);
    return new Uint8Array(view.buffer);
  };
  for (const [name, text] of files) {
    const title = new TextEncoder().encode(name), bytes = new TextEncoder().encode(text), sum = crc(bytes);
    const common = [[4, 2, 20], [8, 2, 0], [12, 2, 33], [14, 4, sum], [18, 4, bytes.length], [22, 4, bytes.length], [26, 2, title.length]];
    parts.push(block(30, [[0, 4, 0x04034b50], ...common]), title, bytes);
    ends.push(block(46, [[0, 4, 0x02014b50], [4, 2, 20], ...common.map(([place, size, number]) => [place + 2, size, number]), [42, 4, at]]), title);
    at += 30 + title.length + bytes.length;
  }
  const size = ends.reduce((sum, part) => sum + part.length, 0);
  return new Blob([...parts, ...ends, block(22, [[0, 4, 0x06054b50], [8, 2, files.length], [10, 2, files.length], [12, 4, size], [16, 4, at]])], { type: "application/zip" });
}

function responses() {
  const item = (linkId, text) => ({ linkId, answer: [{ valueString: text }] });
  const group = (linkId, line) => ({ linkId, item: Object.entries(line).filter(([name, text]) => text && name !== "exam_id").map(([name, text]) => item(`${linkId}.${name}`, text)) });
  return {
    resourceType: "Bundle", type: "collection",
    entry: exams.map((one) => ({ resource: {
      resourceType: "QuestionnaireResponse", status: "completed",
      identifier: { value: one.exams[0].exam_id },
      item: Object.keys(ask.tables).flatMap((table) => one[table].map((line) => group(table, line))).filter((each) => each.item.length),
    } })),
  };
}

function save(blob, name) {
  const link = make("a", { href: URL.createObjectURL(blob), download: name });
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  tell(`${exams.length} ${exams.length === 1 ? "exam" : "exams"} handed to the browser as ${name}. Look for the file before you close this page.`);
  exams = [];
  count();
}

function nothing() {
  if (exams.length) return false;
  tell("No exam is kept yet.");
  return true;
}

// ---- what is shown when

function reveal(made) {
  const result = value(`finding.${made.dataset.maneuver}`);
  for (const one of made.querySelectorAll(":scope > fieldset.extra")) one.hidden = !ask.withReason.includes(result);
  const more = made.querySelector(".more");
  if (more) more.hidden = !ask.withGrade.includes(result);
}

form.addEventListener("change", (event) => {
  touched = true;
  const made = event.target.closest("[data-maneuver]");
  if (made) reveal(made);
});
form.addEventListener("input", (event) => { touched = true; show(event.target.name, ""); });
// A choice taken again is taken back: nothing is said then.
let chosen = null;
form.addEventListener("pointerdown", (event) => { chosen = event.target.type === "radio" && event.target.checked ? event.target : null; });
const unchoose = (input) => { input.checked = false; input.dispatchEvent(new Event("change", { bubbles: true })); };
form.addEventListener("click", (event) => { if (event.target === chosen) unchoose(chosen); });
form.addEventListener("keydown", (event) => {
  if (event.target.type === "radio" && event.key === "Delete") {
    const own = form.querySelector(`input[name="${event.target.name}"]:checked`);
    if (own) unchoose(own);
  }
  if (event.key === "Enter") event.preventDefault();
});
form.addEventListener("submit", (event) => event.preventDefault());
document.getElementById("keep").addEventListener("click", () => keep(false));
document.getElementById("other").addEventListener("click", () => keep(true));
document.getElementById("files").addEventListener("click", () => {
  if (!nothing()) save(zip(Object.keys(ask.tables).map((table) => [`${table}.csv`, csv(table)]).filter(([, text]) => text)), "exams.zip");
});
document.getElementById("fhir").addEventListener("click", () => {
  if (!nothing()) save(new Blob([JSON.stringify(responses())], { type: "application/fhir+json" }), "exams.json");
});
document.getElementById("store").addEventListener("change", count);
window.addEventListener("beforeunload", (event) => {
  if ((exams.length && !document.getElementById("store").checked) || touched) event.preventDefault();
});

build();
try {
  const held = JSON.parse(localStorage.getItem(STORE) || "[]");
  if (held.length) { exams = held; document.getElementById("store").checked = true; tell(`${held.length} unsaved exams were held on this device.`); count(); }
} catch { /* nothing is held */ }

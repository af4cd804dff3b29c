"use strict";
const day = JSON.parse(document.getElementById("content").textContent);
const main = document.getElementById("main");
const said = make("p", { id: "said" });
said.setAttribute("role", "status");
let place = 0;
let examiner = "";
const readings = new Map();

function make(kind, properties = {}, ...inside) {
  const one = Object.assign(document.createElement(kind), properties);
  one.append(...inside.filter((part) => part !== null));
  return one;
}

const button = (text, act, isFirst = false) => make("button", { type: "button", textContent: text, className: isFirst ? "first" : "", onclick: act });
const choice = (name, option, isChecked) => make("label", { className: "choice" },
  make("input", { type: "radio", name, value: option.code, checked: isChecked, ariaLabel: option.says || option.label }), make("span", { textContent: option.label }));

function choices(name, legend, options, value) {
  return make("fieldset", {}, make("legend", { textContent: legend }),
    make("div", { className: "choices" }, ...options.map((one) => choice(name, one, one.code === value))));
}

function number(name, label, value) {
  return make("label", { className: "text" }, make("span", { textContent: label }), make("input", { type: "text", inputMode: "decimal", name, value: value || "" }));
}

function maneuver(one, kept) {
  return make("section", { className: "part" }, make("h2", { textContent: one.label }),
    choices(`${one.code}.result`, `Positive: ${one.positive}`, day.results, kept.result),
    one.unit ? number(`${one.code}.measure`, `${one.measure}, ${one.unit}`, kept.measure) : null,
    number(`${one.code}.flexion_deg`, "Bent to, degrees (where it matters)", kept.flexion_deg),
    one.grades.length ? choices(`${one.code}.grade`, "Grade", one.grades, kept.grade) : null,
    one.endPoint ? choices(`${one.code}.end_point`, "How it stops", day.endPoints, kept.end_point) : null,
    one.signs.length ? choices(`${one.code}.sign`, "What was felt or seen", one.signs, kept.sign) : null);
}

const key = (subject, code) => `${subject.join(" ")} ${code}`;
const subjects = () => day.orders[examiner];

function keep() {
  const form = document.getElementById("form");
  const given = Object.fromEntries(new FormData(form));
  const wrong = [...form.querySelectorAll("input[type=text]")].find((one) => one.value.trim() && !/^-?[0-9]+([.][0-9]+)?$/.test(one.value.trim()));
  if (wrong) { said.textContent = "A number is needed there, without a unit."; wrong.focus(); return false; }
  for (const one of day.maneuvers) {
    const found = {};
    for (const column of day.recorded) if (given[`${one.code}.${column}`]?.trim()) found[column] = given[`${one.code}.${column}`].trim();
    if (found.result) readings.set(key(subjects()[place], one.code), found);
    else readings.delete(key(subjects()[place], one.code));
  }
  said.textContent = `${readings.size} readings kept in this window.`;
  return true;
}

function go(step) {
  if (!keep()) return;
  place += step;
  show();
  window.scrollTo(0, 0);
}

function csv() {
  const cells = (values) => values.map((value) => value || "").join(",");
  const rows = subjects().flatMap((subject) => day.maneuvers.filter((one) => readings.has(key(subject, one.code)))
    .map((one) => cells([examiner, ...subject, one.code, ...day.recorded.map((column) => readings.get(key(subject, one.code))[column])])));
  return [cells([...day.key, ...day.recorded]), ...rows].join("\r\n") + "\r\n";
}

function save() {
  if (!keep()) return;
  const link = make("a", { href: URL.createObjectURL(new Blob([csv()], { type: "text/csv" })), download: `readings-${examiner}.csv` });
  link.click();
  said.textContent = `${readings.size} readings handed to the browser as readings-${examiner}.csv.`;
}

function show() {
  const subject = subjects()[place];
  main.replaceChildren(
    make("p", { className: "quiet", textContent: `${examiner}: number ${place + 1} of ${subjects().length}. Write what your own hands find, and say nothing aloud.` }),
    make("h2", { textContent: subject.join(", ") }),
    make("form", { id: "form", onsubmit: (event) => event.preventDefault() }, ...day.maneuvers.map((one) => maneuver(one, readings.get(key(subject, one.code)) || {}))),
    make("div", { className: "bar" }, said, make("div", { className: "buttons" },
      place ? button("Back", () => go(-1)) : null,
      place + 1 < subjects().length ? button("Next", () => go(1), true) : null,
      button("Save readings", save, place + 1 === subjects().length))));
}

main.append(make("p", { textContent: day.caution }), make("h2", { textContent: "Whose hands?" }),
  make("div", { className: "choices" }, ...Object.keys(day.orders).map((one) => button(one, () => { examiner = one; show(); }))));
window.addEventListener("beforeunload", (event) => { if (readings.size) event.preventDefault(); });

"use strict";
const set = JSON.parse(document.getElementById("content").textContent);
const main = document.getElementById("main");
const answers = set.cases.map(() => []);
let at = 0;

function make(kind, properties = {}, ...inside) {
  const one = Object.assign(document.createElement(kind), properties);
  one.append(...inside.filter((part) => part !== null));
  return one;
}

const button = (text, act, isFirst = true) => make("button", { type: "button", textContent: text, className: isFirst ? "first" : "", onclick: act });
const para = (text, className = "") => make("p", { textContent: text, className });
const percent = (share) => `${Math.round(100 * share)}%`;

function show(...parts) {
  main.replaceChildren(...parts.filter((part) => part !== null));
  const first = main.querySelector("input, button");
  if (first) first.focus();
  window.scrollTo(0, 0);
}

function opening() {
  show(para(`${set.group}: ${set.cases.length} confirmed cases, as they were charted. State how likely the condition is before and after each finding; then see the answer, and what ${set.released ? "the group's" : "published"} likelihood ratios would have made of it.${set.released ? "" : " The group has released none of its own yet."}`),
    para("The cases were chosen, easy and hard, with the condition and without: how common it is here says nothing of the clinic."),
    para("Your answers stay in this window. Nothing is sent or stored; at the end you may keep them as a file of your own. It is no test, and nobody is ranked."),
    para(set.caution, "quiet"), make("div", { className: "buttons" }, button("Begin", () => ask())));
}

// ---- one case: a probability before, and one after each finding

function ask() {
  const one = set.cases[at], given = answers[at], step = given.length;
  if (step > one.findings.length) { told(); return; }
  const finding = step ? one.findings[step - 1] : null;
  const input = make("input", { type: "text", inputMode: "numeric", id: "chance", autocomplete: "off" });
  const fault = make("p", { id: "said", className: "bad" });
  fault.setAttribute("role", "status");
  const next = () => {
    const text = input.value.trim().replace("%", "");
    if (!/^[0-9]{1,3}([.][0-9]+)?$/.test(text) || +text > 100) { fault.textContent = "Write a number from 0 to 100."; input.focus(); return; }
    given.push(+text / 100);
    ask();
  };
  show(make("h2", { textContent: `Case ${at + 1} of ${set.cases.length}` }),
    para(one.context.join(" · ")),
    ...one.findings.slice(0, Math.max(step - 1, 0)).map((each, place) => para(`${each.name}: ${each.result}. You said ${percent(given[place + 1])}.`, "quiet")),
    finding ? make("p", {}, make("strong", { textContent: `${finding.name}: ${finding.result}` })) : para("This is all you know before the exam."),
    finding ? make("details", {}, make("summary", { textContent: "How it is done, and what counts as positive" }), para(finding.technique), para(`Positive: ${finding.means}`)) : null,
    make("form", { onsubmit: (event) => { event.preventDefault(); next(); } },
      make("label", { className: "text", htmlFor: "chance" }, make("span", { textContent: `How likely is ${one.condition}, in percent?` })), input, fault,
      make("div", { className: "buttons" }, button(step < one.findings.length ? "Next finding" : "See the answer", next))));
}

const after = (before, ratio) => { const odds = (Math.min(Math.max(before, 0.005), 0.995)); return (odds / (1 - odds)) * ratio / (1 + (odds / (1 - odds)) * ratio); };

function said(each, before) {
  if (each.ratio !== null) return `ratio ${each.ratio}, ours. Alone it takes your ${percent(before)} to ${percent(after(before, each.ratio))}.`;
  if (each.published === null) return "no ratio, ours or published.";
  const [low, high] = each.published;
  if (high === null) return `ratio ${low} and more, published, not ours. Alone it takes your ${percent(before)} to ${percent(after(before, low))} or more.`;
  const ends = [...new Set([low, high].map((one) => percent(after(before, one))))];
  return `ratio ${[...new Set([low, high])].join(" to ")}, published, not ours. Alone it takes your ${percent(before)} to ${ends.length > 1 ? "between " : ""}${ends.join(" and ")}.`;
}

function told() {
  const one = set.cases[at], given = answers[at];
  const last = given[given.length - 1];
  const ratios = one.findings.map((each) => para(`${each.name} ${each.result}: ${said(each, given[0])}`));
  show(make("h2", { textContent: `Case ${at + 1}: ${one.condition} was ${one.present ? "present" : "absent"}` }),
    para(`Confirmed: ${one.by}.`), para(`You went from ${percent(given[0])} to ${percent(last)}.`),
    make("h3", { textContent: "What likelihood ratios make of it" }),
    ...ratios, para("Each finding alone. Ratios of tests for the same structure are not multiplied.", "quiet"),
    make("div", { className: "buttons" }, button(at + 1 < set.cases.length ? "Next case" : "How I did", () => { at += 1; at < set.cases.length ? ask() : closing(); })));
}

// ---- the end: own calibration over the set, with its interval, and three cases to discuss

function calibration() {
  const n = set.cases.length;
  const off = set.cases.map((one, place) => answers[place][answers[place].length - 1] - (one.present ? 1 : 0));
  const mean = off.reduce((sum, each) => sum + each, 0) / n;
  const sd = Math.sqrt(off.reduce((sum, each) => sum + (each - mean) ** 2, 0) / (n - 1));
  const half = set.t * sd / Math.sqrt(n);
  const brier = off.reduce((sum, each) => sum + each ** 2, 0) / n;
  return { n, mean, low: mean - half, high: mean + half, brier, off };
}

function bands() {
  const limits = [[0, 0.2], [0.2, 0.4], [0.4, 0.6], [0.6, 0.8], [0.8, 1.01]];
  return limits.map(([low, high]) => {
    const own = set.cases.filter((_, place) => { const last = answers[place][answers[place].length - 1]; return last >= low && last < high; });
    return own.length ? para(`Of ${own.length} you called ${Math.round(100 * low)} to ${Math.min(100, Math.round(100 * high))}%, ${own.filter((one) => one.present).length} had it.`) : null;
  });
}

function closing() {
  const found = calibration();
  const signed = (share) => `${share < 0 ? "\u2212" : "+"}${Math.abs(Math.round(100 * share))}`;
  const says = found.low > 0 ? "In this set you stated too much." : found.high < 0 ? "In this set you stated too little." : "Too high or too low cannot be told from so few.";
  const apart = found.off.map((each, place) => [Math.abs(each), place]).sort((one, other) => other[0] - one[0] || one[1] - other[1]).slice(0, 3);
  show(make("h2", { textContent: "Your calibration over this set" }),
    make("p", { id: "calibration", textContent: `On average you stood ${signed(found.mean)} points from what was there (95% limits ${signed(found.low)} to ${signed(found.high)}). ${says}` }),
    ...bands(),
    para(`Brier score ${found.brier.toFixed(2)}: 0 is perfect, 0.25 is always saying 50%.`),
    para("The cases were chosen to span easy and hard, with and without: they are not as common as in the clinic. So neither is what you stated to be judged by the clinic.", "quiet"),
    make("h3", { textContent: "Three cases to discuss" }),
    make("ul", { id: "discuss" }, ...apart.map(([, place]) => make("li", { textContent: `Case ${place + 1}, ${set.cases[place].condition} ${set.cases[place].present ? "present" : "absent"}: you said ${percent(answers[place][answers[place].length - 1])} after ${set.cases[place].findings.map((each) => `${each.name} ${each.result}`).join(", ")}.` }))),
    make("div", { className: "buttons" }, button("Keep my answers as a file", save, false), button("Begin again", () => { answers.forEach((each) => each.splice(0)); at = 0; opening(); }, false)));
}

function save() {
  const lines = [["case", "condition", "present", "before", "after"].join(","), ...set.cases.map((one, place) =>
    [place + 1, one.condition.replaceAll(",", " "), one.present, answers[place][0], answers[place][answers[place].length - 1]].join(","))];
  const link = make("a", { href: URL.createObjectURL(new Blob([lines.join("\r\n") + "\r\n"], { type: "text/csv" })), download: "my-answers.csv" });
  link.click();
}

opening();

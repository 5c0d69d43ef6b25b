// The batch page: sorts, groups and filters rows that all stand in the page already; the view stands in the address.
// Text of the study is set as text alone, never as markup.
"use strict";
(() => {
const table = document.querySelector("table.sessions");
const controls = document.querySelector(".controls");
const status = controls.querySelector("[role=status]");
const empty = document.querySelector(".empty");
const find = document.getElementById("find");
const clear = controls.querySelector("[data-clear]");
const collator = new Intl.Collator("en", {numeric: true, sensitivity: "base"});
const VERDICTS = [...controls.querySelectorAll("[data-verdict]")].map(b => b.dataset.verdict);
const PLAIN = Object.fromEntries([...controls.querySelectorAll("[data-verdict]")].map(b =>
  [b.dataset.verdict, b.textContent.trim()]));
const REASONS = [...controls.querySelectorAll("[data-reason]")].map(b => b.dataset.reason);
const GROUPS = [...controls.querySelectorAll("[data-group]")].map(b => b.dataset.group);
const FLAGS = ["doubtful", "decided", "stale"];
const SORTS = {
  verdict: r => r.rank - (r.doubtful ? 4 : 0), usable: r => r.usable, name: r => r.name, start: r => r.start, margin: r => r.margin,
};
const order = table.querySelector(".order"), urgent = order.textContent;
const ORDERS = {
  verdict: [urgent, "What can be used and is not doubtful comes first."],
  usable: ["The smallest usable share comes first.", "The largest usable share comes first."],
  name: ["By name.", "By name, from the end."],
  start: ["The earliest comes first.", "The latest comes first."],
  margin: ["The verdict that is nearest to turning comes first.", "The verdict that is farthest from turning comes first."],
};
const RANK = {unreadable: 0, reject: 1, accept_in_part: 2, accept: 3};

const divide = table.querySelector(".divide");  // where the doubtful ones end, in the order that puts them first
const rows = [...table.tBodies[0].rows].filter(row => row !== divide).map((row, place) => {
  const text = selector => row.querySelector(selector).textContent;
  const stated = row.querySelector("time").dateTime;
  return {
    row, place, stated, verdict: row.className, rank: RANK[row.className], name: text("th"),
    usable: row.dataset.u === "" ? -1 : +row.dataset.u, length: +row.dataset.l,
    margin: row.dataset.m === undefined ? Infinity : +row.dataset.m,
    start: Date.parse(stated) || 0, reasons: new Set((row.dataset.r || "").split(" ").filter(Boolean)),
    doubtful: row.dataset.d !== undefined, decided: row.dataset.p !== undefined, stale: row.dataset.o !== undefined,
    analysed: row.dataset.a === undefined ? null : +row.dataset.a,
    participant: text(".p"), site: text(".s"), device: text(".d"), day: stated.slice(0, 10),
    lower: null,
  };
});
const blank = () => ({
  group: "", sort: "verdict", down: false, verdict: new Set(), reason: new Set(), q: "",
  doubtful: false, decided: false, stale: false,
  only: null,  // [what rows are grouped by, its value], as links from the trends ask for
});
let view = blank();

// ---------------------------------------------------------------- the view in the address

function read(fragment) {
  const asked = new URLSearchParams(fragment), next = blank();
  const known = (name, all) => new Set((asked.get(name) || "").split(",").filter(one => all.includes(one)));
  next.verdict = known("verdict", VERDICTS);
  next.reason = known("reason", REASONS);
  if (GROUPS.includes(asked.get("group"))) next.group = asked.get("group");
  if (Object.hasOwn(SORTS, asked.get("sort"))) next.sort = asked.get("sort");
  next.down = asked.get("down") === "1";
  for (const name of FLAGS) next[name] = asked.get(name) === "1";
  next.q = asked.get("q") || "";
  for (const name of GROUPS) if (asked.has(name)) next.only = [name, asked.get(name)];
  return next;
}

function write() {
  const said = new URLSearchParams();
  if (view.verdict.size) said.set("verdict", VERDICTS.filter(one => view.verdict.has(one)).join());
  if (view.reason.size) said.set("reason", REASONS.filter(one => view.reason.has(one)).join());
  for (const name of FLAGS) if (view[name]) said.set(name, "1");
  if (view.q) said.set("q", view.q);
  if (view.only) said.set(...view.only);
  if (view.group) said.set("group", view.group);
  if (view.sort !== "verdict") said.set("sort", view.sort);
  if (view.down) said.set("down", "1");
  const fragment = said.toString();
  if (fragment === location.hash.slice(1)) return;
  if (!fragment && !location.hash.includes("=")) return;  // a link to a section of the page stays
  history.replaceState(null, "", "#" + (fragment || "sessions"));
}

// ---------------------------------------------------------------- which rows

const wordsOf = q => q.toLowerCase().split(/\s+/).filter(Boolean);

function has(one, part, value) {
  if (part === "verdict") return one.verdict === value;
  if (part === "reason") return one.reasons.has(value);
  return one[part];
}

/** Whether a row is in the view; `but` is a part of the filter that is left out, to count what it would give. */
function fits(one, asked, but) {
  if (but !== "verdict" && view.verdict.size && !view.verdict.has(one.verdict)) return false;
  if (but !== "reason" && view.reason.size && ![...view.reason].some(name => one.reasons.has(name))) return false;
  for (const name of FLAGS) if (but !== name && view[name] && !one[name]) return false;
  if (view.only && one[view.only[0]] !== view.only[1]) return false;
  if (!asked.length) return true;
  one.lower ??= one.row.textContent.toLowerCase();
  return asked.every(word => one.lower.includes(word));
}

function ordered() {
  const key = SORTS[view.sort], sign = view.down ? -1 : 1;
  return [...rows].sort((a, b) => {
    const x = key(a), y = key(b);
    const by = typeof x === "string" ? collator.compare(x, y) : x === y ? 0 : x < y ? -1 : 1;
    return sign * by || a.place - b.place;
  });
}

// ---------------------------------------------------------------- what is drawn

function element(tag, name, text) {
  const made = document.createElement(tag);
  if (name) made.className = name;
  if (text !== undefined) made.textContent = text;
  return made;
}

const plural = (n, one) => `${n.toLocaleString("en").replaceAll(",", "\u202f")} ${n === 1 ? one : one + "s"}`;

function percent(part, length) {
  const exact = 100 * part / length, whole = Math.round(exact);
  const close = (whole === 0 && part > 0) || (whole === 100 && part < length);
  return `${close ? exact.toFixed(1) : whole}\u202f%`;
}

function share(some) {
  const length = some.reduce((sum, one) => sum + one.length, 0);
  const usable = some.reduce((sum, one) => sum + Math.max(one.usable, 0) * one.length, 0);
  if (!length) return "";
  const said = `${percent(usable, length)} of the time usable`;
  if (!some.some(one => one.analysed !== null)) return said;
  const analysed = some.reduce((sum, one) => sum + (one.analysed ?? Math.max(one.usable, 0)) * one.length, 0);
  return `${said}, ${percent(analysed, length)} analysed after decisions`;
}

function heading(name, some) {
  const row = element("tr", "group"), cell = element("th"), bar = element("span", "mix");
  row.setAttribute("role", "row");
  cell.setAttribute("role", "rowheader");
  cell.scope = "rowgroup";
  cell.colSpan = table.tHead.rows[0].cells.length;
  cell.append(element("strong", "", name), bar);
  const counts = [];
  bar.setAttribute("aria-hidden", "true");
  for (const verdict of ["accept", "accept_in_part", "reject", "unreadable"]) {
    const n = some.filter(one => one.verdict === verdict).length;
    if (!n) continue;
    const part = element("i", verdict);
    part.style.flex = String(n);
    bar.append(part);
    counts.push(`${n} ${PLAIN[verdict]}`);
  }
  const said = [plural(some.length, "session"), counts.join(", "), share(some)].filter(Boolean).join("; ");
  cell.append(element("span", "quiet", said));
  row.append(cell);
  row.hidden = !some.length;
  return row;
}

function body(children) {
  const made = element("tbody");
  made.setAttribute("role", "rowgroup");
  made.append(...children);
  return made;
}

function groups(all) {
  const named = new Map();
  for (const one of all) {
    const name = one[view.group];
    if (!named.has(name)) named.set(name, []);
    named.get(name).push(one);
  }
  return [...named.keys()].sort(collator.compare).map(name => {
    const own = named.get(name), seen = own.filter(one => !one.row.hidden);
    const title = view.group === "day" ? own[0].row.querySelector("time").firstChild.textContent.trim() : name;
    return body([heading(title || "(none)", seen), ...own.map(one => one.row)]);
  });
}

let standing = rows.map(one => one.place).join() + !!divide;  // how the rows stand in the page now
function arrange(asked) {
  const all = ordered(), shown = [];
  for (const one of all) {
    one.row.hidden = !fits(one, asked);
    if (!one.row.hidden) shown.push(one);
  }
  const divided = !!divide && !view.group && view.sort === "verdict" && !view.down;
  if (divided) divide.hidden = new Set(shown.map(one => one.doubtful)).size < 2;
  const wanted = all.map(one => one.place).join() + divided;
  if (!view.group && wanted === standing) return shown;
  const lines = all.map(one => one.row);
  if (divided) lines.splice(all.findIndex(one => !one.doubtful), 0, divide);
  const bodies = view.group ? groups(all) : [body(lines)];
  for (const old of [...table.tBodies]) old.remove();
  table.append(...bodies);
  standing = view.group ? "" : wanted;
  return shown;
}

function count(asked) {
  for (const [part, selector] of [["verdict", "[data-verdict]"], ["reason", "[data-reason]"], ...FLAGS.map(name => [name, `[data-${name}]`])]) {
    const open = rows.filter(one => fits(one, asked, part));
    for (const button of controls.querySelectorAll(selector)) {
      const value = button.dataset[part];
      const n = open.filter(one => has(one, part, value)).length;
      button.querySelector("b").textContent = String(n);
      button.classList.toggle("none", !n);
      button.setAttribute("aria-pressed", String(FLAGS.includes(part) ? view[part] : view[part].has(value)));
    }
  }
}

let told = 0;
function tell(shown) {
  const all = plural(rows.length, "session");
  const words = shown.length === rows.length ? `All ${all}` : `${shown.length} of ${all}`;
  const said = [view.only ? `Only ${view.only[1]}` : "", words, share(shown)].filter(Boolean).join(": ");
  clearTimeout(told);  // whoever types hears the count once, not at each letter
  told = setTimeout(() => { if (status.textContent !== said) status.textContent = said; },
    status.textContent ? 200 : 0);
}

function draw() {
  const asked = wordsOf(view.q), shown = arrange(asked);
  count(asked);
  for (const button of controls.querySelectorAll("[data-group]"))
    button.setAttribute("aria-pressed", String(button.dataset.group === view.group));
  for (const head of table.querySelectorAll("[data-sort]")) {
    if (head.dataset.sort === view.sort) head.setAttribute("aria-sort", view.down ? "descending" : "ascending");
    else head.removeAttribute("aria-sort");
  }
  order.textContent = ORDERS[view.sort][+view.down];
  if (find.value !== view.q) find.value = view.q;
  empty.hidden = shown.length > 0;
  clear.hidden = !(view.verdict.size || view.reason.size || FLAGS.some(name => view[name]) || view.q || view.only);
  tell(shown);
}

// ---------------------------------------------------------------- what a person does

function changed() { draw(); write(); }

function toggle(set, value) { if (!set.delete(value)) set.add(value); }

controls.addEventListener("click", event => {
  const button = event.target.closest("button");
  if (!button) return;
  const {verdict, reason, group} = button.dataset, flag = FLAGS.find(name => button.dataset[name] !== undefined);
  if (verdict !== undefined) toggle(view.verdict, verdict);
  else if (reason !== undefined) toggle(view.reason, reason);
  else if (group !== undefined) view.group = view.group === group ? "" : group;
  else if (flag) view[flag] = !view[flag];
  else if (button === clear) {
    view = {...blank(), group: view.group, sort: view.sort, down: view.down};
    find.focus();  // the button goes, and the focus must not go with it
  }
  changed();
});

let typed = 0;
find.addEventListener("input", () => {
  clearTimeout(typed);
  typed = setTimeout(() => { view.q = find.value; changed(); }, 80);
});

for (const head of table.querySelectorAll("[data-sort]")) {
  const button = element("button");
  button.type = "button";
  button.append(...head.childNodes);
  head.append(button);
  button.addEventListener("click", () => {
    view.down = view.sort === head.dataset.sort && !view.down;
    view.sort = head.dataset.sort;
    changed();
  });
}

addEventListener("hashchange", () => {
  if (!location.hash.includes("=")) return;
  view = read(location.hash.slice(1));
  draw();
  document.getElementById("sessions").scrollIntoView();
});

// On paper everything is there, whatever was filtered.
let kept = null;
addEventListener("beforeprint", () => {
  kept = view;
  view = {...blank(), group: view.group, sort: view.sort, down: view.down};
  draw();
});
addEventListener("afterprint", () => { if (kept) { view = kept; kept = null; draw(); } });

// On a phone the filters would fill the first screen: there a button unfolds them.
const fold = document.querySelector(".fold");
fold.addEventListener("click", () => {
  fold.setAttribute("aria-expanded", String(controls.classList.toggle("unfolded")));
});

// A doubtful session's page is told which others there are, in the order shown, so that it can lead on to them.
table.addEventListener("click", event => {
  const link = event.target.closest(".c-name a"), row = link && link.closest("tr");
  if (!row || row.dataset.d === undefined) return;
  const names = [...table.querySelectorAll("tr[data-d]:not([hidden]) .c-name")].map(cell => cell.textContent.trim());
  link.hash = "doubtful=" + names.map(encodeURIComponent).join();
});

fold.hidden = controls.hidden = false;
table.classList.add("live");
if (location.hash.includes("=")) view = read(location.hash.slice(1));
draw();
performance.mark("usable");
// rows that have moved, or were drawn meanwhile, have carried away the section that a link asked for
if (location.hash && !location.hash.includes("="))
  addEventListener("load", () => document.getElementById(location.hash.slice(1))?.scrollIntoView());
})();

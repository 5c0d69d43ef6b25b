// The recording in the page, to be zoomed into and moved through. `viewer-facts` says what stands in `viewer-data`.
(async () => {
const {binsOf, bitsIn, firstRow, inflated, layerOf, reader, rowAt, secondOf, unpacked, valuesIn} = recordingLayers;
const root = document.getElementById("viewer");
const facts = JSON.parse(document.getElementById("viewer-facts").textContent);
const {decimalsFor, ended, lengthWords, minus, ofDay, shownValue, spelled} = recordingWords(facts.clock_time);
const END = facts.duration_s, GUTTER = 58;

// ---- the page's parts -----------------------------------------------------------------------------------------
function made(tag, attributes, ...inside) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...inside);
  return element;
}
const canvas = made("canvas", {"aria-hidden": "true"});
const stage = made("div", {class: "v-stage", tabindex: "0", role: "application", "aria-label": "The recording",
                           "aria-roledescription": "picture to move through", "aria-describedby": "v-keys"}, canvas);
const status = made("p", {class: "v-status", role: "status"});
const body = made("tbody", {}), under = made("p", {class: "v-under quiet", id: "v-under"});
const table = made("table", {class: "v-values", "aria-labelledby": "v-under"}, made("thead", {}, made("tr", {},
  made("th", {scope: "col"}, "Channel"), made("th", {scope: "col", class: "n"}, "Smallest"),
  made("th", {scope: "col", class: "n"}, "Largest"), made("th", {scope: "col", class: "n"}, "Sample no."))), body);
const values = made("div", {class: "v-table", tabindex: "0", role: "region", "aria-label": "Values under the line"},
  table);
const keys = made("p", {class: "v-keys quiet", id: "v-keys"},
  `Green ground: ${root.dataset.ground}. ` +
  "Drag to move, pinch to zoom; the wheel zooms once the picture has been clicked. With the keyboard: left and " +
  "right move, plus and minus zoom, Home and End go to the ends, 0 shows all; with Shift, left and right move the " +
  "line from sample to sample.");
function button(text, act, name) {
  const element = made("button", {type: "button"}, text);
  if (name) element.setAttribute("aria-label", name);
  element.addEventListener("click", () => { act(element); });
  return element;
}

// ---- what is shown --------------------------------------------------------------------------------------------
const data = await inflated(document.getElementById("viewer-data").textContent);
const take = reader(data), recordings = facts.recordings.map(recording => unpacked(take, recording));
const order = {field: 0, acceleration: 1, other: 2};
const channels = recordings.flatMap(r => r.channels).sort((a, b) => order[a.kind] - order[b.kind]);
const fastest = recordings.reduce((a, b) => a.sample_hz >= b.sample_hz ? a : b);
const occurs = recordings.reduce((bits, r) => bits | bitsIn(r, 0, r.n_rows), 0);
const isLost = condition => condition.name === "lost";  // also where no row is there to be marked
const lanes = facts.conditions.filter(c => occurs & c.mask || (isLost(c) && facts.lost.length));
const NARROWEST = Math.min(END, 10 / fastest.sample_hz);
// `pointed`: somebody has asked what stands at the line, so it is drawn; before it would look like a finding
const view = {start: 0, stop: END, cursor: END / 2, even: false, width: 0, pointed: false};
let asked = false, speaking = 0;
const {density, draw, inView, isCoarse, secondAt} =
  recordingDrawing({facts, channels, recordings, lanes, isLost, ofDay, minus, root, stage, canvas, view});

function show(from, to) {
  const span = Math.min(Math.max(to - from, NARROWEST), END);
  view.start = Math.min(Math.max((from + to - span) / 2, 0), END - span);
  view.stop = view.start + span;
  view.cursor = Math.min(Math.max(view.cursor, view.start), view.stop);
  refresh();
}
const around = half => show(view.cursor - half, view.cursor + half);
const move = share => show(view.start + share * (view.stop - view.start), view.stop + share * (view.stop - view.start));
function zoom(factor, about = view.cursor) {
  const span = Math.min(Math.max((view.stop - view.start) * factor, NARROWEST), END);
  const share = (about - view.start) / (view.stop - view.start);
  show(about - share * span, about + (1 - share) * span);
}
/** Seconds around the line whose single samples are in this page and can be told apart; null where none are. */
function singleStretch() {
  const row = rowAt(fastest, view.cursor), half = Math.min(inView() / 12 / fastest.sample_hz, 4);
  const layer = fastest.layers.find(one => one.step === 1 && one.first <= row && row <= one.stop);
  if (!layer) return null;
  const from = secondOf(fastest, layer.first), to = secondOf(fastest, layer.stop);
  const start = Math.max(Math.min(view.cursor - half, to - 2 * half), from);
  return [start, Math.min(start + 2 * half, to)];
}
function offerSingles() {
  singles.disabled = !singleStretch();
  const some = fastest.layers.some(layer => layer.step === 1);
  singles.textContent = "Single samples" + (!singles.disabled ? "" : some ? ": only at moments" : ": only in the files");
}
function refresh() {
  if (!asked) requestAnimationFrame(() => { asked = false; draw(); tell(); offerSingles(); });
  asked = true;
}
// ---- the same in words ----------------------------------------------------------------------------------------
function underCursor(channel) {  // rows of the pixel under the line, at least the nearest one
  const r = channel.of, half = (view.stop - view.start) / inView() / 2;
  let from = firstRow(r, view.cursor - half), to = firstRow(r, view.cursor + half);
  if (to <= from) {
    from = Math.min(Math.max(Math.round(rowAt(r, view.cursor)), 0), r.n_rows - 1);
    if (Math.abs(secondOf(r, from) - view.cursor) > Math.max(1 / r.sample_hz, half)) return [from, from];
    to = from + 1;
  }
  const layer = layerOf(r, from, to), [a, b] = binsOf(layer, from, to);
  return [layer.first + a * layer.step, Math.min(layer.first + b * layer.step, r.n_rows)];
}

function tell() {
  if (view.pointed) tellLine(); else {
    under.textContent = "Point at the picture to read what stands there.";
    body.replaceChildren(...channels.map(channel => made("tr", {}, made("th", {scope: "row"}, channel.name),
      ...["–", "–", "–"].map(cell => made("td", {class: "n"}, cell)))));
  }
  if (!status.textContent) status.textContent = stretchWords();
  clearTimeout(speaking);  // a screen reader hears where a movement ended, not each step of it
  speaking = setTimeout(() => { status.textContent = stretchWords(); }, 250);
}

function tellLine() {
  const decimals = decimalsFor(view.stop - view.start) + 1, bits = new Set();
  const rows = channels.map(channel => {
    const [from, to] = underCursor(channel), found = valuesIn(channel, from, to), r = channel.of;
    facts.conditions.filter(c => bitsIn(r, from, to) & c.mask).forEach(c => bits.add(c.words));
    const cells = found ? found.map(value => ended(shownValue(channel, value), channel.unit)) : ["nothing", "nothing"];
    cells.push(to <= from ? "none" : to - from === 1 ? `${from}` : `${from}–${to - 1}`);
    const written = cells.map(cell => made("td", {class: "n"}, cell));
    return made("tr", {}, made("th", {scope: "row"}, channel.name), ...written);
  });
  if (facts.lost.some(([a, b]) => a <= view.cursor && view.cursor < b)) bits.add(facts.conditions.find(isLost).words);
  body.replaceChildren(...rows);
  const doing = facts.activities.filter(a => a.start_s <= view.cursor && view.cursor < a.stop_s);
  const reach = Math.max((view.stop - view.start) / inView(), 0.5 / fastest.sample_hz);
  const near = facts.events.seconds.filter(second => Math.abs(second - view.cursor) <= reach).length;
  const events = near ? [near > 1 ? `${near} events` : "an event"] : [];
  const here = [...doing.map(a => `${a.activity} (${a.intensity})`), ...bits, ...events];
  const day = facts.clock_time ? `, ${ofDay(view.cursor, decimals)} by the clock` : "";
  const at = `${spelled(view.cursor, decimals)} from the first sample (${view.cursor.toFixed(decimals)}\u202fs)${day}`;
  under.textContent = `Under the line, at ${at}: ${here.join(", ") || "no condition holds"}.`;
}

function stretchWords() {
  const d = decimalsFor(view.stop - view.start), whole = view.stop - view.start >= END * 0.9999;
  const what = whole ? "the whole recording, " : "";
  const times = facts.clock_time ? ` (${ofDay(view.start, d)} to ${ofDay(view.stop, d)} by the clock)` : "";
  const length = lengthWords(view.stop - view.start);
  return `Shown: ${what}${spelled(view.start, d)} to ${spelled(view.stop, d)}${times}, ${length}. ${finenessWords()}`;
}

function finenessWords() {
  const from = firstRow(fastest, view.start), to = Math.max(firstRow(fastest, view.stop), from + 1);
  const layer = layerOf(fastest, from, to);
  const inPixel = fastest.sample_hz * (view.stop - view.start) / inView() / density();
  if (layer.step === 1 && !isCoarse(fastest)) return "Every single sample.";
  if (inPixel > layer.step)
    return `Smallest and largest of about ${Math.round(inPixel)} samples in each column of the picture.`;
  const each = lengthWords(layer.step / fastest.sample_hz);
  const only = facts.moments.length ? "; every single sample is here only around the moments below" : "";
  return `Smallest and largest of every ${layer.step} samples (${each})${only}.`;
}

// ---- moving through it ----------------------------------------------------------------------------------------
function stepCursor(direction) {
  view.pointed = true;
  const pixel = (view.stop - view.start) / inView(), sample = 1 / fastest.sample_hz;
  const row = Math.round(rowAt(fastest, view.cursor)) + direction;
  const nearest = secondOf(fastest, Math.min(Math.max(row, 0), fastest.n_rows - 1));
  view.cursor = Math.min(Math.max(pixel > sample ? view.cursor + direction * pixel : nearest, 0), END);
  if (view.cursor < view.start || view.cursor > view.stop) around((view.stop - view.start) / 2); else refresh();
}
const acts = {
  ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2), 0: () => show(0, END),
  Home: () => show(0, view.stop - view.start), End: () => show(END - (view.stop - view.start), END),
  "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2),
};
stage.addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const direction = {ArrowLeft: -1, ArrowRight: 1}[event.key];
  const act = event.shiftKey && direction ? () => stepCursor(direction) : acts[event.key];
  if (!act) return;
  event.preventDefault();
  act();
});
stage.addEventListener("wheel", event => {
  // A page that is scrolled past must not be caught: only a picture that was clicked takes the wheel.
  if (document.activeElement !== stage && !event.ctrlKey) return;
  event.preventDefault();
  const about = secondAt(Math.max(event.clientX - stage.getBoundingClientRect().left, GUTTER));
  if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) move((event.deltaX || event.deltaY) / 600);
  else zoom(Math.exp(Math.max(-1, Math.min(1, event.deltaY / 300))), about);
}, {passive: false});

stage.addEventListener("focus", () => { view.pointed = true; refresh(); });

const held = new Map();  // pointers that are down -> the second under each
const xIn = event => event.clientX - stage.getBoundingClientRect().left;
stage.addEventListener("pointerdown", event => {
  if (event.button) return;
  stage.setPointerCapture(event.pointerId);
  for (const [id, one] of held) held.set(id, {x: one.x, second: secondAt(one.x)});
  held.set(event.pointerId, {x: xIn(event), second: secondAt(xIn(event))});
  if (held.size === 1) point(event);
});
stage.addEventListener("pointermove", event => {
  const one = held.get(event.pointerId);
  if (!one) {
    if (event.pointerType === "mouse") point(event);
    return;
  }
  one.x = xIn(event);
  const [a, b] = [...held.values()];
  if (b && Math.abs(a.x - b.x) > 8) {
    const span = Math.abs((a.second - b.second) / (a.x - b.x)) * inView();
    const from = a.second - (a.x - GUTTER) / inView() * span;
    show(from, from + span);
  } else if (!b) {
    const from = a.second - (a.x - GUTTER) / inView() * (view.stop - view.start);
    show(from, from + (view.stop - view.start));
  }
});
for (const name of ["pointerup", "pointercancel"]) stage.addEventListener(name, event => {
  held.delete(event.pointerId);
  for (const [id, one] of held) held.set(id, {x: one.x, second: secondAt(one.x)});
});
stage.addEventListener("dblclick", event => { zoom(0.25, secondAt(Math.max(xIn(event), GUTTER))); });
function point(event) {
  view.pointed = true;
  view.cursor = Math.min(Math.max(secondAt(xIn(event)), view.start), view.stop);
  refresh();
}

const singles = button("Single samples", () => show(...singleStretch()));
const buttons = made("div", {class: "v-buttons", role: "group", "aria-label": "Move through the recording"},
  button("◀", () => move(-0.5), "Earlier"), button("▶", () => move(0.5), "Later"),
  button("+", () => zoom(0.5), "Zoom in"), button("−", () => zoom(2), "Zoom out"),
  button("All of it", () => show(0, END)),
  singles,
  button("Same height scale throughout", element => {
    view.even = !view.even;
    element.setAttribute("aria-pressed", String(view.even));
    refresh();
  }));
buttons.lastChild.setAttribute("aria-pressed", "false");
const parts = [buttons];
if (facts.moments.length) {
  parts.push(made("div", {class: "v-buttons", role: "group", "aria-label": "Go to a moment"},
    ...facts.moments.map(m => button(`${m.title} ${spelled(m.from_s, 0)}`, () => {
      view.cursor = Math.max(m.from_s, m.start_s);
      view.pointed = true;
      show(m.start_s, m.stop_s);
    }))));
}
root.prepend(...parts, stage, status, under, values, keys);
root.hidden = false;
new ResizeObserver(refresh).observe(stage);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", refresh);
refresh();
})().catch(() => { document.getElementById("viewer").hidden = true; });  // the still picture stays

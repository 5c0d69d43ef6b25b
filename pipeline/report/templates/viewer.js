// The recording in the page, to be zoomed into and moved through. `viewer-facts` says what stands in `viewer-data`.
(async () => {
const {binsOf, bitsIn, firstRow, inUnit, inflated, layerOf, reader, rowAt, secondOf, unpacked, valuesIn} =
  recordingLayers;
const root = document.getElementById("viewer");
const facts = JSON.parse(document.getElementById("viewer-facts").textContent);
const {decimalsFor, ended, lengthWords, minus, ofDay, shownValue, spelled} = recordingWords(facts.clock_time);
const END = facts.duration_s, GUTTER = 58, GAP = 8, TALL = 150, LOW = 64, NAME = 18, LANE = 25, DOING = 44, AXIS = 40;
const COLOURS = ["ink", "quiet", "rule", "panel", "wash", "field", "acceleration", "other", "fault", "note", "activity",
  "clay", "usable-wash"];
const TIME_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];
const HEIGHT = {rest: 0.2, hand: 0.4, arm: 0.65, body: 0.9};

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
const keys = made("p", {class: "v-keys quiet", id: "v-keys"},
  "Green ground: what can be used. Drag to move, pinch to zoom; the wheel zooms once the picture has been " +
  "clicked. With the keyboard: left and right move, plus and minus zoom, Home and End go to the ends, 0 shows " +
  "all; with Shift, left and right move the line from sample to sample.");
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
const nLanes = lanes.length + (facts.events.seconds.length ? 1 : 0);
const NARROWEST = Math.min(END, 10 / fastest.sample_hz);
let start = 0, stop = END, cursor = END / 2, even = false, width = 0, asked = false, speaking = 0;

function show(from, to) {
  const span = Math.min(Math.max(to - from, NARROWEST), END);
  start = Math.min(Math.max((from + to - span) / 2, 0), END - span);
  stop = start + span;
  cursor = Math.min(Math.max(cursor, start), stop);
  refresh();
}
const around = half => show(cursor - half, cursor + half);
const move = share => show(start + share * (stop - start), stop + share * (stop - start));
function zoom(factor, about = cursor) {
  const span = Math.min(Math.max((stop - start) * factor, NARROWEST), END);
  const share = (about - start) / (stop - start);
  show(about - share * span, about + (1 - share) * span);
}
function refresh() {
  if (!asked) requestAnimationFrame(() => { asked = false; draw(); tell(); });
  asked = true;
}
const inView = () => Math.max(width - GUTTER, 1);
const xOf = second => GUTTER + (second - start) / (stop - start) * inView();
const secondAt = x => start + (x - GUTTER) / inView() * (stop - start);

const isCoarse = r => r.sample_hz * (stop - start) > 3 * inView();  // or each sample can be drawn

// ---- drawing --------------------------------------------------------------------------------------------------
function ends(channel) {  // of the axis; channels of acceleration in one unit share theirs
  let low = Infinity, high = -Infinity;
  const shared = c => c.kind === "acceleration" && c.kind === channel.kind && c.unit === channel.unit;
  const alike = c => c === channel || shared(c);
  for (const one of channels.filter(alike)) {
    const r = one.of, first = firstRow(r, start);
    const found = even ? valuesIn(one, 0, r.n_rows) : valuesIn(one, first, Math.max(firstRow(r, stop), first + 1));
    if (found) { low = Math.min(low, found[0]); high = Math.max(high, found[1]); }
  }
  if (low > high) return null;
  const room = Math.max((high - low) * 0.06, Math.abs(channel.scale));
  return [low - room, high + room];
}

function drawChannel(ink, channel, top, height, colour) {
  ink.strokeStyle = colour.rule;
  ink.strokeRect(GUTTER + 0.5, top + 0.5, inView() - 1, height - 1);
  const axis = ends(channel), r = channel.of;
  ink.fillStyle = colour.ink;
  if (axis) {
    const yOf = value => top + height - (value - axis[0]) / (axis[1] - axis[0]) * height;
    drawHeights(ink, channel, axis, yOf, colour);
    ink.save();
    ink.beginPath();
    ink.rect(GUTTER, top, inView(), height);
    ink.clip();
    ink.strokeStyle = ink.fillStyle = colour[channel.kind];
    if (isCoarse(r)) drawColumns(ink, channel, yOf); else drawSingles(ink, channel, yOf);
    ink.restore();
  }
  const label = channel.name + (!axis ? ": nothing arrived here" : channel.unit ? ` (${channel.unit})` : "");
  ink.textAlign = "left";
  ink.fillStyle = colour.ink;
  ink.fillText(label, GUTTER, top - 5, inView());
}

function stepFor(span, most) {  // 1, 2 or 5 times a power of ten, no more than so many in the span
  const rough = span / most, power = 10 ** Math.floor(Math.log10(rough));
  return [1, 2, 5, 10].find(f => f * power >= rough * 0.9999) * power;
}
const decimalsOf = step => Math.min(Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)), 6);

function drawHeights(ink, channel, axis, yOf, colour) {
  const step = stepFor(axis[1] - axis[0], channel.kind === "field" ? 5 : 3), decimals = decimalsOf(step);
  ink.textAlign = "right";
  for (let i = Math.ceil(axis[0] / step); i * step <= axis[1]; i++) {
    const y = Math.round(yOf(i * step)) + 0.5;
    ink.fillStyle = colour.rule;
    ink.fillRect(GUTTER, y, inView(), 0.5);
    ink.fillStyle = colour.quiet;
    ink.fillText(minus((i * step).toFixed(decimals)), GUTTER - 5, y + 4, GUTTER - 6);
  }
}

function drawColumns(ink, channel, yOf) {  // each column of pixels from the smallest to the largest value in it
  const r = channel.of, columns = Math.round(inView() * density());
  const each = (stop - start) / columns, wide = inView() / columns;
  let from = firstRow(r, start), before = null;
  for (let i = 0; i < columns; i++) {
    const to = firstRow(r, start + (i + 1) * each), found = to > from ? valuesIn(channel, from, to) : null;
    if (found) {
      let [low, high] = found;
      if (before) { low = Math.min(low, before[1]); high = Math.max(high, before[0]); }  // no break between columns
      const y = yOf(high);
      ink.fillRect(GUTTER + i * wide, y - 0.5, wide, Math.max(yOf(low) - y, 0) + 1);
    }
    if (to > from) before = found;
    from = Math.max(to, from);
  }
}

function drawSingles(ink, channel, yOf) {  // a line through samples; blocks where only bins travel
  const r = channel.of, from = Math.max(Math.floor(rowAt(r, start)) - 1, 0);
  const to = Math.min(Math.ceil(rowAt(r, stop)) + 2, r.n_rows);
  const apart = inView() / (stop - start) / r.sample_hz;
  ink.lineWidth = 1.6;
  ink.lineJoin = "round";
  let pen = false, beforeS = -Infinity;
  ink.beginPath();
  for (let row = from; row < to;) {
    const layer = layerOf(r, row, row + 1), second = secondOf(r, row), x = xOf(second);
    const bin = Math.floor((row - layer.first) / layer.step), {low, high} = layer.levels[channel.i][0];
    const found = inUnit(channel, low[bin], high[bin]), next = layer.first + (bin + 1) * layer.step;
    if (!found) pen = false;
    else if (layer.step > 1) {
      const y = yOf(found[1]), until = xOf(secondOf(r, Math.min(next, r.n_rows)));
      ink.globalAlpha = 0.45;
      ink.fillRect(x, y - 0.5, Math.max(until - x - 0.5, 0.5), yOf(found[0]) - y + 1);
      ink.globalAlpha = 1;
      pen = false;
    } else {
      const y = yOf(found[0]);
      if (pen && second - beforeS < 1.5 / r.sample_hz) ink.lineTo(x, y); else ink.moveTo(x, y);
      const alone = apart >= 6 || !pen, size = apart >= 6 ? 2.2 : 1.2;
      if (alone) ink.fillRect(x - size, y - size, 2 * size, 2 * size);
      pen = true;
    }
    beforeS = second;
    row = Math.max(next, row + 1);
  }
  ink.stroke();
}

function bitsAt(r, from, to) {  // between two rows stands what the one before them says, unless the clock paused
  if (to > from) return bitsIn(r, from, to);
  return from > 0 && secondOf(r, from) - secondOf(r, from - 1) < 1.5 / r.sample_hz ? bitsIn(r, from - 1, from) : 0;
}

function drawLanes(ink, top, colour) {
  const columns = Math.round(inView()), each = (stop - start) / columns;
  for (const [i, lane] of lanes.entries()) {
    const y = top + i * LANE;
    ink.textAlign = "left";
    ink.fillStyle = colour.ink;
    ink.fillText(lane.words, GUTTER, y + 12, inView());
    ink.fillStyle = colour.wash;
    ink.fillRect(GUTTER, y + 15, inView(), LANE - 17);
    ink.fillStyle = isLost(lane) ? colour.ink : lane.fault ? colour.fault : colour.note;
    for (const [a, b] of isLost(lane) ? facts.lost : []) {
      const x = Math.max(xOf(a), GUTTER);
      ink.fillRect(x, y + 15, Math.max(Math.min(xOf(b), width) - x, 0), LANE - 17);
    }
    for (const r of recordings) {
      let from = firstRow(r, start);
      for (let x = 0; x < columns; x++) {
        const to = firstRow(r, start + (x + 1) * each);
        if (bitsAt(r, from, to) & lane.mask) ink.fillRect(GUTTER + x, y + 15, 1, LANE - 17);
        from = Math.max(from, to);
      }
    }
  }
}

function drawEvents(ink, y, colour) {
  ink.textAlign = "left";
  ink.fillStyle = colour.ink;
  ink.fillText(facts.events.each ? "events" : "events, one line for those close together", GUTTER, y + 12, inView());
  ink.fillStyle = colour.other;
  for (const second of facts.events.seconds) {
    if (second >= start && second <= stop) ink.fillRect(xOf(second) - 0.75, y + 14, 1.5, LANE - 15);
  }
}

function fitted(ink, text, room) {
  if (ink.measureText(text).width <= room) return text;
  const each = ink.measureText(text).width / text.length, n = Math.floor(room / each) - 1;
  return n > 2 ? `${text.slice(0, n)}…` : "";
}

function drawActivities(ink, top, colour) {
  ink.save();
  ink.beginPath();
  ink.rect(GUTTER, top, inView(), DOING);
  ink.clip();
  for (const doing of facts.activities) {
    if (doing.stop_s < start || doing.start_s > stop) continue;
    const x = Math.max(xOf(doing.start_s), GUTTER), end = Math.min(xOf(doing.stop_s), width);
    const tall = (HEIGHT[doing.intensity] || 0.4) * 22;
    ink.fillStyle = colour.activity;
    ink.fillRect(x, top + DOING - tall, Math.max(end - x - 1, 0.5), tall);
    ink.fillStyle = colour.ink;
    ink.textAlign = "left";
    ink.fillText(fitted(ink, doing.activity.replace(/\s+/g, " "), end - x - 6), x + 3, top + 14);
  }
  ink.restore();
}

function drawAxis(ink, top, colour) {
  const most = Math.max(inView() / 80, 2), least = (stop - start) / most;
  const rounded = least < 1 ? 0 : TIME_STEPS.find(s => s >= least), step = rounded || stepFor(stop - start, most);
  const decimals = decimalsOf(step);
  ink.fillStyle = colour.quiet;
  ink.textAlign = "right";
  ink.fillText("s", GUTTER - 6, top + 15);
  if (facts.clock_time) ink.fillText("clock", GUTTER - 6, top + 32);
  for (let i = Math.ceil(start / step - 1e-6); i * step <= stop + step * 1e-6; i++) {
    const x = xOf(i * step);
    ink.fillStyle = colour.quiet;
    ink.fillRect(x, top, 1, 4);
    ink.fillStyle = colour.ink;
    ink.textAlign = x > width - 34 ? "right" : x < GUTTER + 30 ? "left" : "center";
    ink.fillText((i * step).toFixed(decimals), x, top + 15);
    ink.fillText(ofDay(i * step, decimals), x, top + 32);
  }
}

const density = () => Math.min(window.devicePixelRatio || 1, 3);
function draw() {
  width = stage.clientWidth;
  if (!width) return;
  const rows = channels.map(channel => channel.kind === "field" ? TALL : LOW);
  const bottom = rows.reduce((sum, row) => sum + NAME + row + GAP, 0), doing = facts.activities.length ? DOING : 0;
  const height = bottom + nLanes * LANE + doing + AXIS;
  canvas.width = Math.round(width * density());
  canvas.height = Math.round(height * density());
  canvas.style.height = `${height}px`;
  const style = getComputedStyle(root), colour = {};
  for (const name of COLOURS) colour[name] = style.getPropertyValue(`--${name}`).trim();
  const ink = canvas.getContext("2d");
  ink.scale(density(), density());
  ink.font = `12.5px ${style.fontFamily}`;
  ink.lineWidth = 1;
  ink.fillStyle = colour["usable-wash"];
  for (const [a, b] of facts.usable) {
    const x = Math.max(xOf(a), GUTTER), end = Math.min(xOf(b), width);
    if (end > x) ink.fillRect(x, 0, end - x, bottom - GAP);
  }
  ink.fillStyle = colour.clay;  // before what is measured, so that the line hides nothing
  ink.fillRect(xOf(cursor) - 1, 0, 2, bottom + nLanes * LANE + doing);
  let top = 0;
  channels.forEach((channel, i) => {
    drawChannel(ink, channel, top + NAME, rows[i], colour);
    ink.lineWidth = 1;
    top += NAME + rows[i] + GAP;
  });
  drawLanes(ink, top, colour);
  top += nLanes * LANE;
  if (nLanes > lanes.length) drawEvents(ink, top - LANE, colour);
  drawActivities(ink, top, colour);
  top += doing;
  drawAxis(ink, top, colour);
}

// ---- the same in words ----------------------------------------------------------------------------------------
function underCursor(channel) {  // rows of the pixel under the line, at least the nearest one
  const r = channel.of, half = (stop - start) / inView() / 2;
  let from = firstRow(r, cursor - half), to = firstRow(r, cursor + half);
  if (to <= from) {
    from = Math.min(Math.max(Math.round(rowAt(r, cursor)), 0), r.n_rows - 1);
    if (Math.abs(secondOf(r, from) - cursor) > Math.max(1 / r.sample_hz, half)) return [from, from];
    to = from + 1;
  }
  const layer = layerOf(r, from, to), [a, b] = binsOf(layer, from, to);
  return [layer.first + a * layer.step, Math.min(layer.first + b * layer.step, r.n_rows)];
}

function tell() {
  const decimals = decimalsFor(stop - start) + 1, bits = new Set();
  const rows = channels.map(channel => {
    const [from, to] = underCursor(channel), found = valuesIn(channel, from, to), r = channel.of;
    facts.conditions.filter(c => bitsIn(r, from, to) & c.mask).forEach(c => bits.add(c.words));
    const cells = found ? found.map(value => ended(shownValue(channel, value), channel.unit)) : ["nothing", "nothing"];
    cells.push(to <= from ? "none" : to - from === 1 ? `${from}` : `${from}–${to - 1}`);
    const written = cells.map(cell => made("td", {class: "n"}, cell));
    return made("tr", {}, made("th", {scope: "row"}, channel.name), ...written);
  });
  if (facts.lost.some(([a, b]) => a <= cursor && cursor < b)) bits.add(facts.conditions.find(isLost).words);
  body.replaceChildren(...rows);
  const doing = facts.activities.filter(a => a.start_s <= cursor && cursor < a.stop_s);
  const reach = Math.max((stop - start) / inView(), 0.5 / fastest.sample_hz);
  const near = facts.events.seconds.filter(second => Math.abs(second - cursor) <= reach).length;
  const events = near ? [near > 1 ? `${near} events` : "an event"] : [];
  const here = [...doing.map(a => `${a.activity} (${a.intensity})`), ...bits, ...events];
  const day = facts.clock_time ? `, ${ofDay(cursor, decimals)} by the clock` : "";
  const at = `${spelled(cursor, decimals)} from the first sample (${cursor.toFixed(decimals)}\u202fs)${day}`;
  under.textContent = `Under the line, at ${at}: ${here.join(", ") || "no condition holds"}.`;
  if (!status.textContent) status.textContent = stretchWords();
  clearTimeout(speaking);  // a screen reader hears where a movement ended, not each step of it
  speaking = setTimeout(() => { status.textContent = stretchWords(); }, 250);
}

function stretchWords() {
  const d = decimalsFor(stop - start), whole = stop - start >= END * 0.9999;
  const what = whole ? "the whole recording, " : "";
  const times = facts.clock_time ? ` (${ofDay(start, d)} to ${ofDay(stop, d)} by the clock)` : "";
  const length = lengthWords(stop - start);
  return `Shown: ${what}${spelled(start, d)} to ${spelled(stop, d)}${times}, ${length}. ${finenessWords()}`;
}

function finenessWords() {
  const from = firstRow(fastest, start), layer = layerOf(fastest, from, Math.max(firstRow(fastest, stop), from + 1));
  const inPixel = fastest.sample_hz * (stop - start) / inView() / density();
  if (layer.step === 1 && !isCoarse(fastest)) return "Every single sample.";
  if (inPixel > layer.step)
    return `Smallest and largest of about ${Math.round(inPixel)} samples in each column of the picture.`;
  const each = lengthWords(layer.step / fastest.sample_hz);
  const only = facts.moments.length ? "; every single sample is here only around the moments that decided" : "";
  return `Smallest and largest of every ${layer.step} samples (${each})${only}.`;
}

// ---- moving through it ----------------------------------------------------------------------------------------
function stepCursor(direction) {
  const pixel = (stop - start) / inView(), sample = 1 / fastest.sample_hz;
  const row = Math.round(rowAt(fastest, cursor)) + direction;
  const nearest = secondOf(fastest, Math.min(Math.max(row, 0), fastest.n_rows - 1));
  cursor = Math.min(Math.max(pixel > sample ? cursor + direction * pixel : nearest, 0), END);
  if (cursor < start || cursor > stop) around((stop - start) / 2); else refresh();
}
const acts = {
  ArrowLeft: () => move(-0.2), ArrowRight: () => move(0.2), Home: () => show(0, stop - start), 0: () => show(0, END),
  End: () => show(END - (stop - start), END), "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2),
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
    const from = a.second - (a.x - GUTTER) / inView() * (stop - start);
    show(from, from + (stop - start));
  }
});
for (const name of ["pointerup", "pointercancel"]) stage.addEventListener(name, event => {
  held.delete(event.pointerId);
  for (const [id, one] of held) held.set(id, {x: one.x, second: secondAt(one.x)});
});
stage.addEventListener("dblclick", event => { zoom(0.25, secondAt(Math.max(xIn(event), GUTTER))); });
function point(event) {
  cursor = Math.min(Math.max(secondAt(xIn(event)), start), stop);
  refresh();
}

const buttons = made("div", {class: "v-buttons", role: "group", "aria-label": "Move through the recording"},
  button("◀", () => move(-0.5), "Earlier"), button("▶", () => move(0.5), "Later"),
  button("+", () => zoom(0.5), "Zoom in"), button("−", () => zoom(2), "Zoom out"),
  button("All of it", () => show(0, END)),
  button("Single samples", () => around(Math.min(inView() / 12 / fastest.sample_hz, 4))),
  button("Same height scale throughout", element => {
    even = !even;
    element.setAttribute("aria-pressed", String(even));
    refresh();
  }));
buttons.lastChild.setAttribute("aria-pressed", "false");
const parts = [buttons];
if (facts.moments.length) {
  parts.push(made("div", {class: "v-buttons", role: "group", "aria-label": "Go to a moment"},
    ...facts.moments.map(m => button(`${m.title} ${spelled(m.from_s, 0)}`, () => {
      cursor = Math.max(m.from_s, m.start_s);
      show(m.start_s, m.stop_s);
    }))));
}
const values = {class: "v-table", tabindex: "0", role: "region", "aria-label": "Values under the line"};
root.prepend(...parts, stage, status, under, made("div", values, table), keys);
root.hidden = false;
new ResizeObserver(refresh).observe(stage);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", refresh);
refresh();
})().catch(() => { document.getElementById("viewer").hidden = true; });  // the still picture stays

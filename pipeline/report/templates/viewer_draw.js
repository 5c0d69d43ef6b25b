// Draws the stretch of the recording that `view` says: from `start` to `stop`, in seconds, `width` pixels wide.
const recordingDrawing = ({facts, channels, recordings, lanes, isLost, ofDay, minus, root, stage, canvas, view}) => {
const {bitsIn, firstRow, inUnit, layerOf, rowAt, secondOf, valuesIn} = recordingLayers;
const GUTTER = 58, GAP = 8, TALL = 150, LOW = 64, NAME = 18, LANE = 25, DOING = 44, AXIS = 40;
const COLOURS = ["ink", "quiet", "rule", "panel", "wash", "field", "acceleration", "other", "fault", "note", "activity",
  "clay", "usable-wash"];
const TIME_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];
const HEIGHT = {rest: 0.2, hand: 0.4, arm: 0.65, body: 0.9};
const nLanes = lanes.length + (facts.events.seconds.length ? 1 : 0);

const inView = () => Math.max(view.width - GUTTER, 1);
const xOf = second => GUTTER + (second - view.start) / (view.stop - view.start) * inView();
const secondAt = x => view.start + (x - GUTTER) / inView() * (view.stop - view.start);

const isCoarse = r => r.sample_hz * (view.stop - view.start) > 3 * inView();  // or each sample can be drawn

function ends(channel) {  // of the axis; channels of acceleration in one unit share theirs
  let low = Infinity, high = -Infinity;
  const shared = c => c.kind === "acceleration" && c.kind === channel.kind && c.unit === channel.unit;
  const alike = c => c === channel || shared(c);
  for (const one of channels.filter(alike)) {
    const r = one.of, first = firstRow(r, view.start);
    const last = Math.max(firstRow(r, view.stop), first + 1);
    const found = view.even ? valuesIn(one, 0, r.n_rows) : valuesIn(one, first, last);
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
  const each = (view.stop - view.start) / columns, wide = inView() / columns;
  let from = firstRow(r, view.start), before = null;
  for (let i = 0; i < columns; i++) {
    const to = firstRow(r, view.start + (i + 1) * each), found = to > from ? valuesIn(channel, from, to) : null;
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
  const r = channel.of, from = Math.max(Math.floor(rowAt(r, view.start)) - 1, 0);
  const to = Math.min(Math.ceil(rowAt(r, view.stop)) + 2, r.n_rows);
  const apart = inView() / (view.stop - view.start) / r.sample_hz;
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

function hatched(ink, colour) {  // faults are striped, so that no colour alone tells them from activities
  const tile = document.createElement("canvas"), size = 6 * density();
  tile.width = tile.height = Math.round(size);
  const own = tile.getContext("2d"), n = tile.width;
  own.fillStyle = own.strokeStyle = colour.fault;
  own.globalAlpha = 0.45;
  own.fillRect(0, 0, n, n);
  own.globalAlpha = 1;
  own.lineWidth = n / 3;
  own.beginPath();
  for (const x of [-n, 0, n]) { own.moveTo(x - 1, n + 1); own.lineTo(x + n + 1, -1); }
  own.stroke();
  const pattern = ink.createPattern(tile, "repeat");
  pattern.setTransform(new DOMMatrix().scale(1 / density()));
  return pattern;
}

function drawLanes(ink, top, colour) {
  const columns = Math.round(inView()), each = (view.stop - view.start) / columns;
  for (const [i, lane] of lanes.entries()) {
    const y = top + i * LANE;
    ink.textAlign = "left";
    ink.fillStyle = colour.ink;
    ink.fillText(lane.words, GUTTER, y + 12, inView());
    ink.fillStyle = colour.wash;
    ink.fillRect(GUTTER, y + 15, inView(), LANE - 17);
    ink.fillStyle = isLost(lane) ? colour.ink : lane.fault ? hatched(ink, colour) : colour.note;
    for (const [a, b] of isLost(lane) ? facts.lost : []) {
      const x = Math.max(xOf(a), GUTTER);
      ink.fillRect(x, y + 15, Math.max(Math.min(xOf(b), view.width) - x, 0), LANE - 17);
    }
    for (const r of recordings) {
      let from = firstRow(r, view.start);
      for (let x = 0; x < columns; x++) {
        const to = firstRow(r, view.start + (x + 1) * each);
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
    if (second >= view.start && second <= view.stop) ink.fillRect(xOf(second) - 0.75, y + 14, 1.5, LANE - 15);
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
    if (doing.stop_s < view.start || doing.start_s > view.stop) continue;
    const x = Math.max(xOf(doing.start_s), GUTTER), end = Math.min(xOf(doing.stop_s), view.width);
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
  const most = Math.max(inView() / 80, 2), least = (view.stop - view.start) / most;
  const rounded = least < 1 ? 0 : TIME_STEPS.find(s => s >= least);
  const step = rounded || stepFor(view.stop - view.start, most);
  const decimals = decimalsOf(step);
  ink.fillStyle = colour.quiet;
  ink.textAlign = "right";
  ink.fillText("s", GUTTER - 6, top + 15);
  if (facts.clock_time) ink.fillText("clock", GUTTER - 6, top + 32);
  for (let i = Math.ceil(view.start / step - 1e-6); i * step <= view.stop + step * 1e-6; i++) {
    const x = xOf(i * step);
    ink.fillStyle = colour.quiet;
    ink.fillRect(x, top, 1, 4);
    ink.fillStyle = colour.ink;
    ink.textAlign = x > view.width - 34 ? "right" : x < GUTTER + 30 ? "left" : "center";
    ink.fillText((i * step).toFixed(decimals), x, top + 15);
    ink.fillText(ofDay(i * step, decimals), x, top + 32);
  }
}

const density = () => Math.min(window.devicePixelRatio || 1, 3);
function draw() {
  view.width = stage.clientWidth;
  if (!view.width) return;
  const rows = channels.map(channel => channel.kind === "field" ? TALL : LOW);
  const bottom = rows.reduce((sum, row) => sum + NAME + row + GAP, 0), doing = facts.activities.length ? DOING : 0;
  const height = bottom + nLanes * LANE + doing + AXIS;
  canvas.width = Math.round(view.width * density());
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
    const x = Math.max(xOf(a), GUTTER), end = Math.min(xOf(b), view.width);
    if (end > x) ink.fillRect(x, 0, end - x, bottom - GAP);
  }
  if (view.pointed) {
    ink.fillStyle = colour.quiet;  // before what is measured, so that the line hides nothing
    ink.fillRect(xOf(view.cursor) - 0.75, 0, 1.5, bottom + nLanes * LANE + doing);
  }
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

return {density, draw, inView, isCoarse, secondAt};
};

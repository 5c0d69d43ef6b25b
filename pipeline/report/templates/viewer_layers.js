"use strict";
// What travels in the page, unpacked and searched. A layer is bins of rows, each with its smallest and largest
// count and the conditions in it; see pipeline/report/layers.py. `viewer.js` draws it.
const recordingLayers = (() => {
async function inflated(text) {
  const packed = Uint8Array.from(atob(text.trim()), letter => letter.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

function reader(bytes) {
  let at = 0;
  return n => bytes.subarray(at, at += n);
}

function numbers(take, n, planes) {  // lowest bytes of all of them first
  const out = new Float64Array(n);
  for (let p = 0; p < planes; p++) {
    const plane = take(n), weight = 2 ** (8 * p);
    for (let i = 0; i < n; i++) out[i] += plane[i] * weight;
  }
  return out;
}

function unpackedChannel(take, fact, n, step) {
  const there = take((n + 7) >> 3), low = numbers(take, n, fact.planes);
  if (fact.order) for (let i = 0, sum = 0; i < n; i++) {
    sum += low[i] % 2 ? -(low[i] + 1) / 2 : low[i] / 2;
    low[i] = sum;
  }
  const more = step > 1 ? numbers(take, n, fact.more) : null, high = new Float64Array(n), unit = 2 ** fact.shift;
  for (let i = 0; i < n; i++) {
    if (there[i >> 3] & (128 >> (i & 7))) {
      high[i] = fact.base + (low[i] + (more ? more[i] : 0)) * unit;
      low[i] = fact.base + low[i] * unit;
    } else {  // nothing is there: smaller and larger than nothing
      low[i] = Infinity;
      high[i] = -Infinity;
    }
  }
  return halved(low, high);
}

function halved(low, high) {  // coarser bins, two in one, until one is left
  const levels = [{low, high}];
  while (low.length > 1) {
    const n = (low.length + 1) >> 1, a = new Float64Array(n), b = new Float64Array(n);
    for (let i = 0; i < n; i++) {
      const j = Math.min(2 * i + 1, low.length - 1);
      a[i] = Math.min(low[2 * i], low[j]);
      b[i] = Math.max(high[2 * i], high[j]);
    }
    levels.push({low: low = a, high: high = b});
  }
  return levels;
}

function halvedBits(bits) {
  const levels = [bits];
  while (bits.length > 1) {
    const next = new Uint8Array((bits.length + 1) >> 1);
    for (let i = 0; i < next.length; i++) next[i] = bits[2 * i] | (bits[2 * i + 1] || 0);
    levels.push(bits = next);
  }
  return levels;
}

function unpacked(take, recording) {
  recording.layers = recording.layers.map(head => {
    const bits = halvedBits(take(head.n));
    return {...head, stop: head.first + head.n * head.step, bits,
            levels: head.channels.map(fact => unpackedChannel(take, fact, head.n, head.step))};
  });
  recording.channels.forEach((channel, i) => { channel.of = recording; channel.i = i; });
  return recording;
}

function between(x, from, to) {
  if (x <= from[0]) return to[0];
  let a = 0, b = from.length - 1;
  if (x >= from[b]) return to[b];
  while (b - a > 1) {
    const middle = (a + b) >> 1;
    if (from[middle] <= x) a = middle; else b = middle;
  }
  return to[a] + (x - from[a]) / (from[b] - from[a]) * (to[b] - to[a]);
}
const secondOf = (recording, row) => between(row, recording.rows, recording.seconds);
const rowAt = (recording, second) => between(second, recording.seconds, recording.rows);
const firstRow = (recording, second) => Math.ceil(rowAt(recording, second) - 1e-4);

// Smallest and largest of bins [a, b): from each level at most two bins.
function leastAndMost(levels, a, b) {
  let least = Infinity, most = -Infinity;
  for (const {low, high} of levels) {
    if (a >= b) break;
    if (a & 1) {
      least = Math.min(least, low[a]);
      most = Math.max(most, high[a++]);
    }
    if (b & 1) {
      least = Math.min(least, low[--b]);
      most = Math.max(most, high[b]);
    }
    a >>= 1;
    b >>= 1;
  }
  return [least, most];
}

// The conditions in bins [a, b).
function anyBits(levels, a, b) {
  let bits = 0;
  for (const level of levels) {
    if (a >= b) break;
    if (a & 1) bits |= level[a++];
    if (b & 1) bits |= level[--b];
    a >>= 1; b >>= 1;
  }
  return bits;
}

// Single samples where all of these rows have them, else bins.
const layerOf = (recording, a, b) =>
  recording.layers.find(layer => layer.step === 1 && layer.first <= a && b <= layer.stop) || recording.layers[0];
function binsOf(layer, a, b) {
  a = Math.max(a, layer.first); b = Math.min(b, layer.stop);
  return a < b ? [Math.floor((a - layer.first) / layer.step), Math.ceil((b - layer.first) / layer.step)] : [0, 0];
}
function valuesIn(channel, a, b) {  // of rows [a, b), in the unit shown
  const layer = layerOf(channel.of, a, b);
  const [least, most] = leastAndMost(layer.levels[channel.i], ...binsOf(layer, a, b));
  return inUnit(channel, least, most);
}
function inUnit(channel, least, most) {
  if (least > most) return null;
  const one = least * channel.scale + channel.offset, other = most * channel.scale + channel.offset;
  return one < other ? [one, other] : [other, one];
}
function bitsIn(recording, a, b) {
  const layer = layerOf(recording, a, b);
  return anyBits(layer.bits, ...binsOf(layer, a, b));
}
return {binsOf, bitsIn, firstRow, inUnit, inflated, layerOf, reader, rowAt, secondOf, unpacked, valuesIn};
})();

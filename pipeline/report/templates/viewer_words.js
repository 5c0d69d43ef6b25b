// Times and values of the recording in words. `clockTime` says at which second of the day it began, and when the
// clocks were set meanwhile, or is null.
const recordingWords = clockTime => {
const minus = text => text.replace("-", "\u2212");
const two = n => String(n).padStart(2, "0");
const decimalsFor = span => Math.max(0, Math.min(4, Math.ceil(1.3 - Math.log10(span))));
function spelled(second, decimals, hours) {
  const scale = 10 ** decimals, ticks = Math.round(second * scale), rest = ticks % (60 * scale);
  const minutes = (ticks - rest) / (60 * scale);
  const seconds = (rest / scale).toFixed(decimals).padStart(decimals ? decimals + 3 : 2, "0");
  if (!hours && minutes < 60) return `${minutes}:${seconds}`;
  const whole = Math.floor(minutes / 60);
  return `${hours ? two(whole % 24) : whole}:${two(minutes % 60)}:${seconds}`;
}
function ofDay(second, decimals) {
  if (!clockTime) return "";
  const forward = clockTime.turns.reduce((sum, [at, by]) => at <= second ? sum + by : sum, 0), day = 86400;
  return spelled((clockTime.second + second + forward + day) % day, decimals, true);
}
function shownValue(channel, value) {
  return minus(value.toFixed(channel.decimals)).replace(/\B(?=(\d{3})+(?!\d))(?<!\.\d*)/g, "\u202f");
}
const ended = (text, unit) => unit ? `${text}\u202f${unit}` : text;
function lengthWords(s) {
  if (s < 1) return `${Number((s * 1000).toPrecision(3))}\u202fms`;
  if (s < 60) return `${Number(s.toPrecision(3))}\u202fs`;
  const whole = Math.round(s);
  const parts = [[Math.floor(whole / 3600), "h"], [Math.floor(whole / 60) % 60, "min"], [whole % 60, "s"]];
  return parts.filter(([n]) => n).map(([n, unit]) => `${n}\u202f${unit}`).join(" ");
}

return {decimalsFor, ended, lengthWords, minus, ofDay, shownValue, spelled};
};

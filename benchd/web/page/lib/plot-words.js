// @ts-check
/**
 * A plot in words: one sentence for a screen reader, a table, and the numbers as a file.
 */

import { digits, numberOf, shownUnit } from "./plot-figure.js";

/** @typedef {import("./plot-figure.js").Contents} Contents */
/** @typedef {import("./plot-figure.js").Curve} Curve */

const MOST_ROWS = 41;

/**
 * What a plot shows, in one sentence for each curve.
 * @param {string} title
 * @param {Contents} contents
 * @returns {string}
 */
export function summary(title, contents) {
  const said = contents.curves.map((curve) => curveWords(curve, contents));
  for (const mark of contents.marks ?? []) said.push(`Marked: ${mark.words}.`);
  for (const band of contents.bands ?? []) if (band.words) said.push(`Shaded: ${band.words}.`);
  return [`${title}.`, ...said].join(" ");
}

/**
 * @param {Curve} curve
 * @param {Contents} contents
 * @returns {string}
 */
function curveWords(curve, contents) {
  let lowest = -1;
  let highest = -1;
  const values = curve.y.map(numberOf);
  values.forEach((value, at) => {
    if (value === null || !Number.isFinite(value)) return;
    if (lowest < 0 || value < /** @type {number} */ (values[lowest])) lowest = at;
    if (highest < 0 || value > /** @type {number} */ (values[highest])) highest = at;
  });
  if (lowest < 0) return `${curve.name}: nothing known.`;
  const place = (/** @type {number} */ at) =>
    `${inWords(values[at], contents.y.unit, values)} at ${inWords(curve.x[at], contents.x.unit, curve.x.map(numberOf))}`;
  if (lowest === highest) return `${curve.name}: ${place(lowest)}.`;
  return `${curve.name}: lowest ${place(lowest)}, highest ${place(highest)}.`;
}

/**
 * A value with its unit.
 * @param {number | string | null} value
 * @param {string} unit
 * @param {(number | null)[]} among  all values of that axis, which settle unit and digits
 * @returns {string}
 */
function inWords(value, unit, among) {
  if (typeof value === "string") return value;
  if (value === null || !Number.isFinite(value)) return "not known";
  const known = among.filter((one) => one !== null && Number.isFinite(one));
  const shown = shownUnit(unit, known);
  const text = digits(value / shown.factor, spanOf(known) / shown.factor);
  return shown.unit ? `${text} ${shown.unit}` : text;
}

/**
 * @param {(number | null)[]} values
 * @returns {number}
 */
function spanOf(values) {
  let low = Infinity;
  let high = -Infinity;
  for (const value of values) {
    if (value === null || !Number.isFinite(value)) continue;
    low = Math.min(low, value);
    high = Math.max(high, value);
  }
  return high > low ? high - low : Math.abs(high) || 1;
}

/**
 * The plot as rows of words, thinned to what a person reads; the file has them all.
 * @param {Contents} contents
 * @returns {{head: string[], rows: string[][], thinned: boolean}}
 */
export function table(contents) {
  const places = everyPlace(contents);
  const step = Math.max(1, Math.ceil(places.length / MOST_ROWS));
  const shown = places.filter((_, at) => at % step === 0 || at === places.length - 1);
  const bounded = contents.curves.map((curve) => curve.low !== undefined && curve.high !== undefined);
  const head = [contents.x.name, ...contents.curves.flatMap((curve, number) =>
    bounded[number] ? [curve.name, `${curve.name}: 95 % interval`] : [curve.name])];
  const numbers = places.map((one) => (typeof one === "number" ? one : null));
  const lookUps = contents.curves.map((curve) => new Map(curve.x.map((at, row) => [at, row])));
  const rows = shown.map((place) => [
    inWords(place, contents.x.unit, numbers),
    ...contents.curves.flatMap((curve, number) => {
      const row = lookUps[number].get(place);
      const every = curve.y.map(numberOf);
      const value = row === undefined ? "" : inWords(every[row], contents.y.unit, every);
      if (!bounded[number]) return [value];
      return [value, row === undefined ? "" : intervalWords(curve, row, contents.y.unit, every)];
    }),
  ]);
  return { head, rows, thinned: step > 1 };
}

/**
 * @param {Curve} curve
 * @param {number} row
 * @param {string} unit
 * @param {(number | null)[]} every
 * @returns {string}
 */
function intervalWords(curve, row, unit, every) {
  const low = numberOf(curve.low?.[row]);
  const high = numberOf(curve.high?.[row]);
  if (low === null || high === null) return "";
  const ends = [low, high].map((end) => (Number.isFinite(end) ? inWords(end, unit, every) : "no end"));
  return `${ends[0]} to ${ends[1]}`;
}

/**
 * All places on the x axis: numbers in rising order, or words in the order in which they came.
 * @param {Contents} contents
 * @returns {(number | string)[]}
 */
function everyPlace(contents) {
  const places = [...new Set(contents.curves.flatMap((curve) => curve.x))];
  if (places.some((one) => typeof one === "string")) return places;
  return /** @type {number[]} */ (places).sort((one, other) => one - other);
}

/**
 * All numbers as comma-separated text: a line for each point of each curve, in SI units.
 * @param {Contents} contents
 * @returns {string}
 */
export function csv(contents) {
  const head = ["curve", heading(contents.x), heading(contents.y), "low", "high"];
  const lines = contents.curves.flatMap((curve) =>
    curve.x.map((at, row) => [
      curve.name, at, curve.y[row] ?? "", curve.low?.[row] ?? "", curve.high?.[row] ?? "",
    ]));
  return `${[head, ...lines].map((line) => line.map(field).join(",")).join("\r\n")}\r\n`;
}

/**
 * @param {{name: string, unit: string}} axis
 * @returns {string}
 */
function heading(axis) {
  return axis.unit && axis.unit !== "1" ? `${axis.name} (${axis.unit})` : axis.name;
}

/**
 * A field as RFC 4180 has it. A text that a table program would take for a formula is marked as
 * text by an apostrophe.
 * @param {string | number} value
 * @returns {string}
 */
function field(value) {
  if (typeof value === "number") return String(value);
  const text = /^[=+@\t]|^-(?![0-9.I])/.test(value) ? `'${value}` : value;
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

/** Curves as the API gives them, as plots take them. */

/** @typedef {import("./plot-figure.js").Curve} Curve */

/**
 * Where the values of a trace stand: frequencies in Hz, or those of its own axis.
 * @param {any} document
 * @returns {number[]}
 */
export function placesOf(document) {
  return document.frequency_hz ?? document.axis.values;
}

/**
 * What a trace runs over.
 * @param {any} document
 * @returns {{name: string, unit: string}}
 */
export function axisOf(document) {
  if (!document?.axis) return { name: "Frequency", unit: "Hz" };
  const { name, unit } = document.axis;
  return { name: name[0].toUpperCase() + name.slice(1), unit };
}

/**
 * The reduced curves of a job: those of one quantity, each with its interval.
 * @param {any[]} documents   of /api/jobs/JOB/traces, or of a comparison
 * @param {(document: any) => string} named
 * @returns {(Curve & {quantity: string})[]}
 */
export function reduced(documents, named) {
  /** @type {(Curve & {quantity: string})[]} */
  const found = [];
  for (const one of documents) {
    const last = found[found.length - 1];
    if (one.end === "low" && last) last.low = one.values;
    else if (one.end === "high" && last) last.high = one.values;
    else found.push({ name: named(one), quantity: one.quantity, x: placesOf(one), y: one.values });
  }
  return found;
}

/**
 * A recorded level. A complex ratio is shown by its magnitude in dB.
 * @param {any} document   of /api/captures/CAPTURE/curve
 * @param {string} name
 * @returns {Curve}
 */
export function recorded(document, name) {
  const values = document.values ?? document.real.map((/** @type {number} */ real, /** @type {number} */ at) =>
    20 * Math.log10(Math.hypot(real, document.imaginary[at])));
  return { name, x: placesOf(document), y: values };
}

/**
 * Names that tell several things apart: the second "12 Mar, 21:04" becomes "12 Mar, 21:04 (2)".
 * @param {string[]} names
 * @returns {string[]}
 */
export function apart(names) {
  /** @type {Map<string, number>} */
  const seen = new Map();
  return names.map((name) => {
    const count = (seen.get(name) ?? 0) + 1;
    seen.set(name, count);
    return count === 1 ? name : `${name} (${count})`;
  });
}

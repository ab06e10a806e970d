/** Numbers and times as a person reads them. Times are shown in the bench's zone. */

const MINUS = "\u2212";
let zone = "UTC";

/** @param {string} name the bench's time zone, such as `Europe/Madrid` */
export function setZone(name) {
  try {
    new Intl.DateTimeFormat("en-GB", { timeZone: name });
    zone = name;
  } catch {
    zone = "UTC"; // this browser does not know the zone
  }
}

/** The zone that times are shown in. */
export function shownZone() {
  return zone;
}

/**
 * A number with at most so many digits after the point, none of them a trailing zero.
 * @param {number} value
 * @param {number} digits
 */
export function number(value, digits) {
  const text = value.toFixed(digits);
  const short = text.includes(".") ? text.replace(/0+$/, "").replace(/\.$/, "") : text;
  return short === "-0" ? "0" : short.replace("-", MINUS);
}

/** @param {number} hertz */
export function frequency(hertz) {
  const size = Math.abs(hertz);
  if (size >= 1e9) return `${number(hertz / 1e9, 4)} GHz`;
  if (size >= 1e6) return `${number(hertz / 1e6, 3)} MHz`;
  if (size >= 1e3) return `${number(hertz / 1e3, 3)} kHz`;
  return `${number(hertz, 1)} Hz`;
}

/** @param {number} dbm */
export function level(dbm) {
  return `${number(dbm, 2)} dBm`;
}

/**
 * A length of time in words: `8 s`, `3 min`, `2 h 05 min`.
 * @param {number} seconds
 */
export function duration(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  if (whole < 90) return `${whole} s`;
  const minutes = Math.round(whole / 60);
  if (minutes < 90) return `${minutes} min`;
  return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

/**
 * How long ago, from a time as the daemon writes it.
 * @param {string} moment
 */
export function ago(moment) {
  const seconds = (Date.now() - Date.parse(moment)) / 1000;
  return seconds < 1.5 ? "just now" : `${duration(seconds)} ago`;
}

/**
 * A clock time at the bench; with the day where that is not today.
 * @param {string | number | Date} moment
 */
export function clock(moment) {
  const then = new Date(moment);
  const time = part(then, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" });
  const day = part(then, { day: "numeric", month: "short", year: "numeric" });
  const today = part(new Date(), { day: "numeric", month: "short", year: "numeric" });
  return day === today ? time : `${part(then, { weekday: "short", day: "numeric", month: "short" })}, ${time}`;
}

/**
 * Date and time at the bench, in full.
 * @param {string | number | Date} moment
 */
export function dateTime(moment) {
  const then = new Date(moment);
  const day = part(then, { day: "numeric", month: "short", year: "numeric" });
  return `${day}, ${part(then, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" })}`;
}

/**
 * @param {Date} moment
 * @param {Intl.DateTimeFormatOptions} options
 */
function part(moment, options) {
  return new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...options }).format(moment);
}

/** Quantities whose name in words is not simply the name with spaces. */
const QUANTITY_WORDS = new Map([
  ["vswr", "VSWR"],
  ["trim_per_arm", "trim, each arm"],
]);

/** @param {string} name a quantity, such as `return_loss` */
export function quantityWords(name) {
  return QUANTITY_WORDS.get(name) ?? name.replaceAll("_", " ");
}

/** States of a job as words for a person. */
const STATE_WORDS = new Map([
  ["waiting", "waits"],
  ["running", "runs"],
  ["needs-hands", "needs your hands"],
]);

/** @param {string} state */
export function stateWords(state) {
  return STATE_WORDS.get(state) ?? state;
}

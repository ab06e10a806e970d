/** Times of day at the bench as moments: the bench's zone counts, and not that of this browser. */

import { shownZone } from "./format.js";

const MINUTE_MS = 60_000;
const DAY_MS = 24 * 60 * MINUTE_MS;

/**
 * The next moment at which a clock at the bench shows this time.
 * @param {string} time such as `22:30`
 * @param {number} [after] in ms, as of `Date.now()`
 * @returns {Date}
 */
export function nextTime(time, after = Date.now()) {
  for (const days of [0, 1, 2]) {
    const found = momentOf(dayAt(after + days * DAY_MS), time);
    if (found !== null && found > after) return new Date(found);
  }
  throw new Error(`no clock at the bench shows ${time} in the next two days`);
}

/**
 * The next days at the bench, today first, such as `2026-03-01`.
 * @param {number} count
 * @returns {string[]}
 */
export function nextDays(count) {
  const noon = Date.parse(`${dayAt(Date.now())}T12:00:00Z`);
  return Array.from({ length: count }, (_, at) => new Date(noon + at * DAY_MS).toISOString().slice(0, 10));
}

/**
 * The moment at which clocks at the bench show this day and time.
 * @param {string} day such as `2026-03-01`
 * @param {string} time such as `22:30`
 * @returns {Date}
 */
export function timeOn(day, time) {
  const found = momentOf(day, time);
  if (found === null) throw new Error(`no clock at the bench shows ${time} on ${day}`);
  return new Date(found);
}

/**
 * The moment at which clocks at the bench show a day and a time; null where they skip it.
 * @param {string} day such as `2026-03-01`
 * @param {string} time
 */
function momentOf(day, time) {
  const wanted = Date.parse(`${day}T${time}:00Z`);
  if (Number.isNaN(wanted)) throw new Error(`${time} is not a time of day, such as 22:30`);
  // What clocks show for a moment minus the moment itself is the zone's offset there.
  let moment = wanted;
  for (let turn = 0; turn < 3; turn += 1) moment = wanted - (shown(moment) - moment);
  return shown(moment) === wanted ? moment : null;
}

/** @param {number} moment */
function dayAt(moment) {
  return new Date(shown(moment)).toISOString().slice(0, 10);
}

/**
 * What clocks at the bench show, as if they showed UTC.
 * @param {number} moment
 */
function shown(moment) {
  const parts = new Intl.DateTimeFormat("en-GB", {
    timeZone: shownZone(),
    hourCycle: "h23",
    year: "numeric",
    month: "numeric",
    day: "numeric",
    hour: "numeric",
    minute: "numeric",
    second: "numeric",
  }).formatToParts(new Date(moment));
  const get = (/** @type {string} */ name) => Number(parts.find((one) => one.type === name)?.value);
  return Date.UTC(get("year"), get("month") - 1, get("day"), get("hour"), get("minute"), get("second")) + (moment % 1000);
}

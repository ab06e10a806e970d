/** A worksheet to read before it is accepted: its cautions, its steps, and every word of it. */

import { h } from "./dom.js";
import { duration, frequency, level } from "./format.js";

const MOST_STEPS = 60;

/**
 * @param {any} worksheet
 * @param {string} text the same in full, as `benchd check` prints it
 */
export function worksheetView(worksheet, text) {
  const shown = worksheet.steps.slice(0, MOST_STEPS);
  const more = worksheet.steps.length - shown.length;
  return h(
    "div",
    { class: "worksheet" },
    worksheet.cautions.length > 0 &&
      h(
        "div",
        { class: "box box-warn" },
        h("p", { class: "box-title" }, "Read this first"),
        h("ul", null, worksheet.cautions.map((/** @type {string} */ one) => h("li", null, one))),
      ),
    h("ol", { class: "steps" }, shown.map((/** @type {any} */ step) => h("li", null, stepWords(step)))),
    more > 0 && h("p", null, `and ${more} more steps.`),
    h("details", null, h("summary", null, "The whole worksheet, with every level"), h("pre", { class: "code", tabindex: "0" }, text)),
  );
}

/** @param {any} step */
function stepWords(step) {
  const time = step.expected_s >= 1 ? `, about ${duration(step.expected_s)}` : "";
  if (step.kind === "hands") return [h("strong", null, "Your hands: "), step.ask, step.caution && ` ${step.caution}`];
  if (step.kind === "wait") return `Wait ${duration(step.duration_s)}`;
  if (step.kind === "capture") {
    const sweep = step.sweep;
    const what = step.antenna || step.role;
    const sent = sweep.rf === "off" ? "RF off, listening" : `RF on, ${level(sweep.level_dbm)}`;
    const most = sweep.refine?.at_most_points; // of a sweep that reads only what it needs
    const points = most ? `at most ${most} of ${sweep.points} points` : `${sweep.points} points`;
    return `Measure ${what}: ${frequency(sweep.start_hz)} to ${frequency(sweep.stop_hz)}, ${points}, ${sent}${time}`;
  }
  return step.label + time;
}

/**
 * A quick drawing of a sweep that is still under way: light enough for every new point. Whatever is
 * to be looked at closely is drawn by `plot.js`.
 */

import { fillWith, svg } from "./dom.js";
import { frequency, number } from "./format.js";

const HEIGHT = 280;
const LEFT = 62;
const RIGHT = 14;
const TOP = 12;
const BOTTOM = 40;
const LEAST_SPAN_DB = 6;

/** @typedef {{x: number, y: number}} Point frequency in Hz, level in dBm */

export class Sketch {
  /** @param {HTMLElement} root */
  constructor(root) {
    this._root = root;
    /** @type {Point[]} */
    this._points = [];
    /** @type {Point[][]} */
    this._earlier = [];
    this._from = 0;
    this._to = 1;
    this._queued = false;
    this._watch = new ResizeObserver(() => this._later());
    this._watch.observe(root);
  }

  /**
   * Begin another sweep.
   * @param {number} from_hz
   * @param {number} to_hz
   * @param {Point[][]} earlier curves to stand behind it, pale
   */
  begin(from_hz, to_hz, earlier = []) {
    [this._from, this._to] = from_hz < to_hz ? [from_hz, to_hz] : [from_hz - 1, to_hz + 1];
    this._earlier = earlier;
    this._points = [];
    this._later();
  }

  /** How many points it holds. */
  get size() {
    return this._points.length;
  }

  /**
   * Take what was read: from place `first` on, in the order of reading.
   * @param {number} first
   * @param {(number | string)[]} frequencies_hz
   * @param {(number | string)[]} levels_dbm
   */
  take(first, frequencies_hz, levels_dbm) {
    this._points.length = Math.min(first, this._points.length);
    frequencies_hz.forEach((x, index) => {
      this._points.push({ x: Number(x), y: Number(levels_dbm[index]) });
    });
    this._later();
  }

  close() {
    this._watch.disconnect();
  }

  /** Draw once for all that comes before the next picture of the screen. */
  _later() {
    if (this._queued) return;
    this._queued = true;
    requestAnimationFrame(() => {
      this._queued = false;
      this._draw();
    });
  }

  _draw() {
    const width = Math.max(240, this._root.clientWidth);
    const curves = [...this._earlier, this._points].map(sorted);
    const [low, high, step] = limits(curves.flat().map((one) => one.y));
    const across = (/** @type {number} */ x) =>
      LEFT + ((x - this._from) / (this._to - this._from)) * (width - LEFT - RIGHT);
    const down = (/** @type {number} */ y) => TOP + ((high - y) / (high - low)) * (HEIGHT - TOP - BOTTOM);
    const rules = [];
    for (let y = low; y <= high + step / 1000; y += step) {
      rules.push(
        svg("line", { class: "sketch-rule", x1: LEFT, x2: width - RIGHT, y1: down(y), y2: down(y) }),
        svg("text", { x: LEFT - 8, y: down(y) + 4, "text-anchor": "end" }, number(y, 1)),
      );
    }
    const ends = [
      svg("text", { x: LEFT, y: HEIGHT - 16, "text-anchor": "start" }, frequency(this._from)),
      svg("text", { x: width - RIGHT, y: HEIGHT - 16, "text-anchor": "end" }, frequency(this._to)),
      svg("text", { x: LEFT + 4, y: TOP + 12 }, "dBm"),
    ];
    if (width > 480) {
      const middle = (this._from + this._to) / 2;
      ends.push(svg("text", { x: across(middle), y: HEIGHT - 16, "text-anchor": "middle" }, frequency(middle)));
    }
    const lines = curves.map((curve, index) =>
      svg("path", {
        class: index === curves.length - 1 ? "sketch-line" : "sketch-earlier",
        d: path(curve, across, down, width),
      }),
    );
    const last = this._points.at(-1);
    const dot =
      last && Number.isFinite(last.y)
        ? svg("circle", { class: "sketch-dot", cx: across(last.x), cy: down(last.y), r: 5 })
        : null;
    fillWith(
      this._root,
      svg(
        "svg",
        {
          class: "sketch",
          role: "img",
          viewBox: `0 0 ${width} ${HEIGHT}`,
          height: HEIGHT,
          "aria-label": this.words(),
          dataset: { points: String(this._points.length) },
        },
        rules,
        ends,
        lines,
        dot,
      ),
    );
  }

  /** What is to be seen, in a sentence. */
  words() {
    const good = this._points.filter((one) => Number.isFinite(one.y));
    if (good.length === 0) return "No point has been read yet.";
    const lowest = good.reduce((a, b) => (b.y < a.y ? b : a));
    return (
      `${good.length} points from ${frequency(this._from)} to ${frequency(this._to)}; ` +
      `lowest ${number(lowest.y, 1)} dBm at ${frequency(lowest.x)}.`
    );
  }
}

/** @param {Point[]} points */
function sorted(points) {
  return points.filter((one) => Number.isFinite(one.y)).sort((a, b) => a.x - b.x);
}

/**
 * Limits and step of the level axis, on round numbers.
 * @param {number[]} values
 * @returns {[number, number, number]}
 */
function limits(values) {
  let low = Infinity;
  let high = -Infinity;
  for (const value of values) {
    low = Math.min(low, value);
    high = Math.max(high, value);
  }
  if (low > high) return [-60, 0, 20];
  const more = Math.max(0, LEAST_SPAN_DB - (high - low)) / 2;
  const span = high - low + 2 * more;
  const step = [1, 2, 5, 10, 20, 50].find((one) => span / one <= 6) ?? 100;
  return [Math.floor((low - more) / step) * step, Math.ceil((high + more) / step) * step, step];
}

/**
 * A line through the points; where several fall on one pixel, their lowest and highest.
 * @param {Point[]} curve
 * @param {(x: number) => number} across
 * @param {(y: number) => number} down
 * @param {number} width
 */
function path(curve, across, down, width) {
  const every = Math.max(1, Math.floor(curve.length / (2 * width)));
  const parts = [];
  for (let at = 0; at < curve.length; at += every) {
    const some = curve.slice(at, at + every);
    const low = some.reduce((a, b) => (b.y < a.y ? b : a));
    const high = some.reduce((a, b) => (b.y > a.y ? b : a));
    for (const one of low === high ? [low] : [low, high]) {
      parts.push(`${parts.length ? "L" : "M"}${across(one.x).toFixed(1)} ${down(one.y).toFixed(1)}`);
    }
  }
  return parts.join("");
}

/**
 * The picture of a live look, drawn anew with each sweep: the curve hangs down from the top, deepest
 * where the match is best; around it the spread of the last sweeps, and below it how far they moved.
 */

import { fillWith, h, svg } from "./dom.js";
import { frequency, number } from "./format.js";

const LEFT = 52;
const RIGHT = 14;
const TOP = 30;
const STRIP = 46;
const FOOT = 30;
const LEAST_FULL_DB = 20;
const STRIP_FULL_DB = 3;

/**
 * @typedef {object} Look what the daemon says of the look
 * @property {"return-loss" | "over-thru" | "level"} shown
 * @property {string} unit
 * @property {string} antenna
 * @property {number} wanted_hz
 * @property {number[]} frequency_hz
 *
 * @typedef {object} Sweep one sweep as the daemon tells it
 * @property {number} number
 * @property {number[]} values
 * @property {number[] | null} deviation_db
 * @property {number[] | null} range_db
 * @property {number} sweeps
 * @property {{frequency_hz: number, value: number}} peak
 * @property {string[]} flags
 * @property {string} trouble
 */

export class LivePicture {
  constructor() {
    this.element = h("div", { class: "live-picture", "aria-hidden": "true" });
    /** @type {[Look, Sweep] | null} */
    this._last = null;
    this._observer = new ResizeObserver(() => this._last && this.draw(...this._last));
    this._observer.observe(this.element);
  }

  /** Draw no more. */
  close() {
    this._observer.disconnect();
  }

  /**
   * @param {Look} look
   * @param {Sweep} sweep
   */
  draw(look, sweep) {
    this._last = [look, sweep];
    const width = this.element.clientWidth;
    if (width < 100) return;
    const height = Math.round(Math.min(460, Math.max(260, width * 0.45)));
    const frame = new Frame(look, sweep, width, height);
    fillWith(
      this.element,
      svg(
        "svg",
        { width, height, viewBox: `0 0 ${width} ${height}` },
        frame.rules(),
        frame.wanted(),
        frame.band(),
        frame.curve(),
        frame.peak(),
        frame.strip(),
      ),
    );
  }
}

/** Where everything lies in one drawing. */
class Frame {
  /**
   * @param {Look} look
   * @param {Sweep} sweep
   * @param {number} width
   * @param {number} height
   */
  constructor(look, sweep, width, height) {
    this.look = look;
    this.sweep = sweep;
    this.width = width;
    this.bottom = height - STRIP - FOOT;
    this.foot = height - FOOT + 4;
    this.hangs = look.shown === "return-loss";
    const most = Math.max(...sweep.values);
    const least = Math.min(...sweep.values);
    // A return loss hangs from 0 dB; a level from its highest, so that less hangs deeper.
    this.top = this.hangs ? 0 : 5 * Math.ceil(most / 5);
    const deep = this.hangs ? most : this.top - least;
    this.full = Math.max(LEAST_FULL_DB, 10 * Math.ceil(deep / 10));
    this.low = look.frequency_hz[0];
    this.high = look.frequency_hz[look.frequency_hz.length - 1];
  }

  /** @param {number} hertz */
  x(hertz) {
    const share = (hertz - this.low) / (this.high - this.low);
    return LEFT + share * (this.width - LEFT - RIGHT);
  }

  /** @param {number} value */
  y(value) {
    const depth = (this.hangs ? value : this.top - value) / this.full;
    return TOP + Math.min(1, Math.max(0, depth)) * (this.bottom - TOP);
  }

  /** Lines at round values, and the frequencies at both ends. */
  rules() {
    const every = this.full > 30 ? 10 : 5;
    const lines = [];
    for (let depth = 0; depth <= this.full; depth += every) {
      const value = this.hangs ? depth : this.top - depth;
      const at = this.y(value);
      lines.push(
        svg("line", { class: "live-rule", x1: LEFT, x2: this.width - RIGHT, y1: at, y2: at }),
        svg("text", { class: "live-text", x: LEFT - 8, y: at + 4, "text-anchor": "end" }, number(value, 0)),
      );
    }
    const ends = [
      svg("text", { class: "live-text", x: LEFT, y: this.foot + 14 }, frequency(this.low)),
      svg(
        "text",
        { class: "live-text", x: this.width - RIGHT, y: this.foot + 14, "text-anchor": "end" },
        frequency(this.high),
      ),
    ];
    const words = { "return-loss": "Return loss", "over-thru": "Level over the thru", level: "Level" };
    const what = `${words[this.look.shown]}, ${this.look.unit}`;
    return [...lines, ...ends, svg("text", { class: "live-text", x: LEFT, y: TOP - 14 }, what)];
  }

  /** The frequency that the antenna shall be right at. */
  wanted() {
    const hertz = this.look.wanted_hz;
    if (hertz < this.low || hertz > this.high) return null;
    const at = this.x(hertz);
    return [
      svg("line", { class: "live-wanted", x1: at, x2: at, y1: TOP, y2: this.foot }),
      svg("text", { class: "live-text", x: at, y: this.foot + 14, "text-anchor": "middle" }, frequency(hertz)),
    ];
  }

  curve() {
    return svg("polyline", { class: "live-curve", points: this.points(this.sweep.values) });
  }

  /** One standard deviation to each side. */
  band() {
    const spread = this.sweep.deviation_db;
    if (!spread) return null;
    const upper = this.points(this.sweep.values.map((value, index) => value - spread[index]));
    const lower = this.points(this.sweep.values.map((value, index) => value + spread[index]));
    return svg("polygon", { class: "live-band", points: `${upper} ${lower.split(" ").reverse().join(" ")}` });
  }

  /** @param {number[]} values */
  points(values) {
    return values
      .map((value, index) => `${this.x(this.look.frequency_hz[index]).toFixed(1)},${this.y(value).toFixed(1)}`)
      .join(" ");
  }

  /** The greatest value, with its number beside it. */
  peak() {
    const { frequency_hz: hertz, value } = this.sweep.peak;
    const [x, y] = [this.x(hertz), this.y(value)];
    // Beyond the curve, so that nothing crosses the number.
    const beside = this.hangs ? y + 24 : y - 14;
    const middle = Math.min(this.width - RIGHT - 30, Math.max(LEFT + 30, x));
    return [
      svg("circle", { class: "live-peak", cx: x, cy: y, r: 6 }),
      svg(
        "text",
        { class: "live-text live-strong", x: middle, y: beside, "text-anchor": "middle" },
        `${number(value, 1)} ${this.look.unit}`,
      ),
    ];
  }

  /** How far the last sweeps moved at each frequency; full at 3 dB and more. */
  strip() {
    const moved = this.sweep.range_db;
    const base = this.foot - 4;
    const words = svg("text", { class: "live-text", x: LEFT - 8, y: base - 2, "text-anchor": "end" }, "moves");
    if (!moved) return words;
    const wide = Math.max(1, (this.width - LEFT - RIGHT) / moved.length - 1);
    const bars = moved.map((value, index) => {
      const tall = Math.max(1, Math.min(1, value / STRIP_FULL_DB) * (STRIP - 14));
      const middle = this.x(this.look.frequency_hz[index]);
      const at = Math.min(this.width - RIGHT - wide, Math.max(LEFT, middle - wide / 2));
      return svg("rect", { class: "live-moves", x: at.toFixed(1), y: (base - tall).toFixed(1), width: wide.toFixed(1), height: tall.toFixed(1) });
    });
    return [words, ...bars];
  }
}

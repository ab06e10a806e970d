// @ts-check
/**
 * Plots: curves with their intervals, to be looked at, zoomed, laid over one another and kept.
 *
 * The plotting script is large, so it is loaded when the first plot is shown. Where it is missing,
 * the numbers stand in a table and a sentence says what to install.
 */

import { h, svg } from "./dom.js";
import { DASHES, ON_PAPER, coloursAt, drawn, lookOf } from "./plot-figure.js";
import { csv, summary, table } from "./plot-words.js";

/** @typedef {import("./plot-figure.js").Curve} Curve */
/** @typedef {import("./plot-figure.js").Contents} Contents */

/**
 * @typedef {object} PlotOptions
 * @property {string} title
 * @property {import("./plot-figure.js").AxisWords} x
 * @property {import("./plot-figure.js").AxisWords} y
 * @property {Curve[]} curves
 * @property {import("./plot-figure.js").Mark[]} [marks]
 * @property {import("./plot-figure.js").Band[]} [bands]
 * @property {boolean} [live]   it is updated often: the table is made only when somebody opens it,
 *   and the sentence for screen readers changes only when the curves' names do
 * @property {number} [height]  pixels
 * @property {(from: number, to: number, points: number) => Promise<Curve[]>} [closer]
 *   the same curves between two places of the x axis, in its SI unit, with so many points at most:
 *   asked when a person zooms
 * @property {() => Promise<Curve[]>} [whole]   every point, for the file of numbers
 */

/**
 * @typedef {object} Plot
 * @property {(curves: Curve[], more?: {title?: string, marks?: PlotOptions["marks"], bands?: PlotOptions["bands"]}) => void} update
 * @property {() => void} close
 * @property {Promise<boolean>} ready   whether the picture could be drawn
 */

const SCRIPT = "/page/plotly.js";
const STYLE = "/page/lib/plot.css";
const HOW_TO = "The plotting script is not installed. In benchd's own environment: pip install 'benchd[page]'.";
const STILL = { displayModeBar: false, doubleClick: false, scrollZoom: false, showTips: false };
const FILE_SIZE = { width: 1200, height: 720 };
const ZOOM = 0.5;

/** @type {Promise<any> | null} */
let loading = null;
let styled = false;

/** The style of plots, once. */
function style() {
  if (!styled) document.head.append(h("link", { rel: "stylesheet", href: STYLE }));
  styled = true;
}

/** The plotting script, loaded once; null where it is not to be had. */
function script() {
  loading ??= new Promise((resolve) => {
    const tag = h("script", {
      src: SCRIPT,
      onload: () => resolve(/** @type {any} */ (globalThis).Plotly ?? null),
      onerror: () => {
        loading = null; // it may be there the next time
        tag.remove();
        resolve(null);
      },
    });
    document.head.append(tag);
  });
  return loading;
}

/**
 * Show curves below `root`.
 * @param {Element} root
 * @param {PlotOptions} options
 * @returns {Plot}
 */
export function plotCurves(root, options) {
  return new Shown(root, options);
}

class Shown {
  /**
   * @param {Element} root
   * @param {PlotOptions} options
   */
  constructor(root, options) {
    this.options = { marks: [], bands: [], ...options };
    /** @type {Set<string>} */
    this.hidden = new Set();
    /** @type {[number, number] | null} */
    this.range = null;
    /** @type {Curve[] | null} */
    this.near = null;
    this.asked = 0;
    this.closed = false;
    this.drawing = false;
    this.again = false;
    /** @type {any} */
    this.plotly = null;
    this.dark = matchMedia("(prefers-color-scheme: dark)");
    this.hand = !matchMedia("(pointer: coarse)").matches;
    this.redraw = () => void this.draw();
    this.build(root);
    this.watching = new ResizeObserver(() => this.resized());
    this.watching.observe(this.picture);
    this.dark.addEventListener("change", this.redraw);
    this.words();
    this.ready = this.start();
  }

  /**
   * Other curves in place of those that are shown; zoom and hidden curves stay.
   * @param {Curve[]} curves
   * @param {{title?: string, marks?: PlotOptions["marks"], bands?: PlotOptions["bands"]}} [more]
   */
  update(curves, more = {}) {
    if (this.closed) return;
    const before = names(this.options.curves);
    Object.assign(this.options, more, { curves });
    this.near = null;
    if (!this.options.live || names(curves) !== before || more.title !== undefined) this.words();
    if (this.details.open) this.fillTable();
    void this.draw();
    if (this.range && this.options.closer) void this.lookCloser();
  }

  /** Take the plot off the page. */
  close() {
    this.closed = true;
    this.watching.disconnect();
    this.dark.removeEventListener("change", this.redraw);
    if (this.plotly) this.plotly.purge(this.picture);
    this.figure.remove();
  }

  /** @param {Element} root */
  build(root) {
    style();
    this.caption = h("figcaption", { class: "plot-title" });
    this.legend = h("div", { class: "plot-names", role: "group", "aria-label": "Curves" });
    this.picture = h("div", { class: "plot-picture", role: "img" });
    this.picture.style.height = `${this.options.height ?? (innerWidth < 600 ? 300 : 400)}px`;
    this.note = h("p", { class: "plot-note", hidden: true });
    this.inner = h("div", { class: "plot-table", tabindex: "0", role: "region" });
    this.details = h(
      "details",
      { class: "plot-numbers", ontoggle: () => this.details.open && this.fillTable() },
      h("summary", null, "The numbers"),
      this.inner,
    );
    const tool = (/** @type {string} */ sign, /** @type {string} */ words, /** @type {() => void} */ act) =>
      h("button", { type: "button", class: "plot-tool", title: words, "aria-label": words, onclick: act }, sign);
    this.zooms = h(
      "span",
      { class: "plot-group" },
      tool("+", "Zoom in", () => this.zoom(ZOOM)),
      tool("\u2212", "Zoom out", () => this.zoom(1 / ZOOM)),
      tool("\u2190", "Move to the left", () => this.move(-1)),
      tool("\u2192", "Move to the right", () => this.move(1)),
      tool("Whole", "Whole range", () => this.show(null)),
    );
    this.pictures = h(
      "span",
      { class: "plot-group" },
      tool("PNG", "Keep as PNG", () => void this.keepPicture("png")),
      tool("SVG", "Keep as SVG", () => void this.keepPicture("svg")),
    );
    this.tools = h(
      "div",
      { class: "plot-tools", role: "group" },
      this.zooms,
      h("span", { class: "plot-group" }, h("span", { class: "plot-keep" }, "Keep as"), this.pictures,
        tool("CSV", "Keep as CSV", () => void this.keepNumbers())),
    );
    this.figure = h(
      "figure",
      { class: "plot" },
      this.caption, this.legend, this.picture, this.note, this.tools, this.details,
    );
    root.append(this.figure);
  }

  async start() {
    this.plotly = await script();
    if (this.closed) return false;
    if (!this.plotly) {
      this.picture.hidden = true;
      this.zooms.hidden = true;
      this.pictures.hidden = true;
      this.note.hidden = false;
      this.note.textContent = HOW_TO;
      this.details.open = true;
      return false;
    }
    await this.draw();
    this.picture.on("plotly_relayout", (/** @type {any} */ change) => this.zoomed(change));
    this.picture.on("plotly_doubleclick", () => this.show(null));
    return true;
  }

  /** @returns {Contents} */
  contents() {
    const { x, y, marks, bands } = this.options;
    return { x, y, marks, bands, curves: this.near ?? this.options.curves, hidden: this.hidden };
  }

  /** Draw what there is now. News that comes while it is drawn is drawn once, after that. */
  async draw() {
    if (!this.plotly || this.closed) return;
    this.again = true;
    if (this.drawing) return;
    this.drawing = true;
    try {
      while (this.again && !this.closed) {
        this.again = false;
        await this.drawOnce();
      }
    } finally {
      this.drawing = false;
    }
  }

  async drawOnce() {
    const colours = coloursAt(this.figure);
    this.samples(colours);
    const width = this.picture.clientWidth || 600;
    const made = drawn(this.contents(), colours, { width, range: this.range, hand: this.hand });
    this.scale = made.scale;
    this.zooms.hidden = made.words;
    await this.plotly.react(this.picture, made.data, made.layout, STILL);
  }

  /** Title, sentence and names of the curves. */
  words() {
    this.caption.textContent = this.options.title;
    this.tools.setAttribute("aria-label", `Tools of the plot: ${this.options.title}`);
    this.inner.setAttribute("aria-label", `The numbers of the plot: ${this.options.title}`);
    this.picture.setAttribute("aria-label", summary(this.options.title, this.contents()));
    this.legend.hidden = this.options.curves.length < 2;
    this.legend.replaceChildren(...this.options.curves.map((curve) => this.nameOf(curve)));
    this.samples(coloursAt(this.figure));
  }

  /** @param {Curve} curve */
  nameOf(curve) {
    const button = h(
      "button",
      {
        type: "button",
        class: "plot-name",
        "aria-pressed": String(!this.hidden.has(curve.name)),
        onclick: () => {
          const hide = !this.hidden.has(curve.name);
          if (hide) this.hidden.add(curve.name);
          else this.hidden.delete(curve.name);
          button.setAttribute("aria-pressed", String(!hide));
          void this.draw();
        },
      },
      svg(
        "svg",
        { width: 34, height: 12, viewBox: "0 0 34 12", "aria-hidden": "true" },
        svg("line", { x1: 1, y1: 6, x2: 33, y2: 6, "stroke-width": 3 }),
      ),
      h("span", null, curve.name),
    );
    return button;
  }

  /**
   * The lines beside the names, as the picture draws them.
   * @param {typeof ON_PAPER} colours
   */
  samples(colours) {
    this.legend.querySelectorAll("line").forEach((/** @type {Element} */ line, /** @type {number} */ number) => {
      const look = lookOf(this.options.curves[number], number);
      line.setAttribute("stroke", colours.series[look.colour]);
      const dash = DASHES[look.dash];
      line.setAttribute("stroke-dasharray", dash === "solid" ? "none" : dash.replaceAll("px", ""));
    });
  }

  fillTable() {
    const made = table(this.contents());
    const cells = (/** @type {string[]} */ row) =>
      row.map((text, at) => (at ? h("td", null, text) : h("th", { scope: "row" }, text)));
    this.inner.replaceChildren(
      h(
        "table",
        null,
        h("caption", null, made.thinned ? "Some of the points; the CSV file has them all." : "All points."),
        h("thead", null, h("tr", null, made.head.map((text) => h("th", { scope: "col" }, text)))),
        h("tbody", null, made.rows.map((row) => h("tr", null, cells(row)))),
      ),
    );
  }

  /** @returns {[number, number]} what the x axis shows, in its SI unit */
  shown() {
    if (this.range) return this.range;
    let low = Infinity;
    let high = -Infinity;
    for (const curve of this.options.curves) {
      for (const at of curve.x) {
        if (typeof at !== "number") continue;
        if (at < low) low = at;
        if (at > high) high = at;
      }
    }
    return low < high ? [low, high] : [0, 1];
  }

  /** @param {number} factor  of the width that is shown */
  zoom(factor) {
    const [from, to] = this.shown();
    const middle = (from + to) / 2;
    const half = ((to - from) / 2) * factor;
    this.show([middle - half, middle + half]);
  }

  /** @param {number} way  -1 to the left, 1 to the right */
  move(way) {
    const [from, to] = this.shown();
    const by = ((to - from) / 4) * way;
    this.show([from + by, to + by]);
  }

  /** @param {[number, number] | null} range  null for everything */
  show(range) {
    this.range = range;
    if (!range) this.near = null;
    if (!this.plotly) return;
    const factor = this.scale?.x.factor ?? 1;
    const change = range
      ? { "xaxis.range": range.map((at) => at / factor), "xaxis.autorange": false }
      : { "xaxis.autorange": true, "yaxis.autorange": true };
    void this.plotly.relayout(this.picture, change);
    if (range) void this.lookCloser();
    else void this.draw();
  }

  /** @param {Record<string, any>} change  of the layout, by a drag */
  zoomed(change) {
    const [from, to] = [change["xaxis.range[0]"], change["xaxis.range[1]"]];
    if (typeof from !== "number" || typeof to !== "number") return;
    const factor = this.scale?.x.factor ?? 1;
    this.range = [from * factor, to * factor];
    void this.lookCloser();
  }

  /** Ask for the points between the ends of what is shown; the newest question counts. */
  async lookCloser() {
    if (!this.options.closer || !this.range) return;
    this.asked += 1;
    const mine = this.asked;
    const [from, to] = this.range;
    try {
      const curves = await this.options.closer(from, to, this.picture.clientWidth || 600);
      if (mine !== this.asked || this.closed || !this.range) return;
      this.near = curves;
      await this.draw();
    } catch (error) {
      this.say(error);
    }
  }

  resized() {
    if (this.plotly && !this.closed && this.picture.clientWidth) void this.draw().then(() => {
      if (!this.closed) this.plotly.Plots.resize(this.picture);
    });
  }

  /** @param {"png" | "svg"} format */
  async keepPicture(format) {
    const made = drawn(this.contents(), ON_PAPER, { width: FILE_SIZE.width, range: this.range });
    const title = { text: this.options.title, x: 0.02, xanchor: "left" };
    const layout = /** @type {any} */ (made.layout);
    const names = this.options.curves.length > 1;
    const roomy = {
      ...layout, title, showlegend: names, legend: { orientation: "h", y: -0.16 },
      margin: { ...layout.margin, t: layout.margin.t + 46, r: 30 },
    };
    for (const one of /** @type {any[]} */ (made.data)) one.showlegend = one.fill !== "toself";
    try {
      const url = await this.plotly.toImage({ data: made.data, layout: roomy }, { format, ...FILE_SIZE, scale: format === "png" ? 2 : 1 });
      save(url, `${this.fileName()}.${format}`);
    } catch (error) {
      this.say(error);
    }
  }

  async keepNumbers() {
    try {
      const curves = this.options.whole ? await this.options.whole() : this.options.curves;
      const url = URL.createObjectURL(
        new Blob([csv({ ...this.contents(), curves })], { type: "text/csv" }),
      );
      save(url, `${this.fileName()}.csv`);
      setTimeout(() => URL.revokeObjectURL(url), 60_000);
    } catch (error) {
      this.say(error);
    }
  }

  /** @param {unknown} error */
  say(error) {
    this.note.hidden = false;
    this.note.textContent = error instanceof Error ? error.message : String(error);
  }

  fileName() {
    const plain = this.options.title.toLowerCase().replace(/[^\p{L}\p{N}]+/gu, "-");
    return plain.replace(/^-|-$/g, "").slice(0, 80) || "plot";
  }
}

/**
 * @param {Curve[]} curves
 * @returns {string}
 */
function names(curves) {
  return curves.map((curve) => curve.name).join("\n");
}

/**
 * @param {string} url
 * @param {string} name
 */
function save(url, name) {
  const link = h("a", { href: url, download: name, hidden: true });
  document.body.append(link);
  link.click();
  link.remove();
}

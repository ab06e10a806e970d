// @ts-check
/**
 * What a plot is made of: curves, marks and bands as the data and the layout that the plotting
 * script draws. Nothing here touches the page, so that a picture for a file and the picture on the
 * screen come from the same few functions.
 */

/**
 * @typedef {object} AxisWords
 * @property {string} name   what runs along the axis, such as "Frequency"
 * @property {string} unit   SI unit, dB, dBm, dBi, "1" or "" (then the axis names no unit)
 */

/**
 * A value that is not known is null, NaN, or one of the words "NaN", "Infinity" and "-Infinity",
 * which the API writes where JSON has no number.
 * @typedef {number | string | null} Value
 */

/**
 * @typedef {object} Curve
 * @property {string} name        how the curve is called
 * @property {(number | string)[]} x   numbers in the unit of the axis, or words (revisions)
 * @property {Value[]} y          same length as x
 * @property {Value[]} [low]      lower ends of the 95 % intervals
 * @property {Value[]} [high]     upper ends
 * @property {boolean} [points]   single readings: dots with bars instead of a line with a band
 * @property {{colour: number, dash: number}} [look]   by number, instead of its place in the list
 */

/** @typedef {{x?: number | string, y?: number, words: string}} Mark  a line across the plot */
/** @typedef {{from: number, to: number, words: string}} Band  a stretch of the x axis */

/**
 * @typedef {object} Colours
 * @property {string} paper
 * @property {string} ink
 * @property {string} muted
 * @property {string} grid
 * @property {string} mark
 * @property {string} band
 * @property {string[]} series
 */

/** For a file, which is read on white paper; on the page the style sheet has the colours. */
/** @type {Colours} */
export const ON_PAPER = {
  paper: "#ffffff", ink: "#20262b", muted: "#565f66", grid: "#e2dfd6", mark: "#7d5200",
  band: "rgba(190, 160, 80, 0.15)",
  series: ["#1b5f7c", "#a8501b", "#56702a", "#7b3f7f", "#2b2b2b", "#8a6d00"],
};

/**
 * The colours of the page's scheme, as its style sheet has them where an element stands.
 * @param {Element} element
 * @returns {Colours}
 */
export function coloursAt(element) {
  const style = getComputedStyle(element);
  const of = (/** @type {string} */ name, /** @type {string} */ or) =>
    style.getPropertyValue(name).trim() || or;
  return {
    paper: of("--sheet", ON_PAPER.paper), ink: of("--ink", ON_PAPER.ink),
    muted: of("--soft", ON_PAPER.muted), grid: of("--rule", ON_PAPER.grid),
    mark: of("--warn", ON_PAPER.mark), band: ON_PAPER.band,
    series: ON_PAPER.series.map((colour, at) => of(`--curve-${at + 1}`, at > 3 ? of("--ink", colour) : colour)),
  };
}

/** Curves differ by dash as well as by colour. */
export const DASHES = ["solid", "9px,4px", "2px,4px", "11px,4px,2px,4px", "16px,4px", "5px,3px"];
const SYMBOLS = ["circle", "square", "diamond", "triangle-up", "cross", "star"];
const MOST_HOVERED = 5000;
const PREFIXES = /** @type {[number, string][]} */ ([
  [1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"],
]);
const PREFIXED = ["Hz", "m", "s", "W", "V"];

/**
 * Which colour and which dash a curve has, by number.
 * @param {Curve} curve
 * @param {number} place  in the list of curves
 * @returns {{colour: number, dash: number}}
 */
export function lookOf(curve, place) {
  const asked = curve.look ?? { colour: place, dash: place };
  return { colour: asked.colour % ON_PAPER.series.length, dash: asked.dash % DASHES.length };
}

/**
 * A value as a number; null where it is not known. An end that lies infinitely far away stays so.
 * @param {Value | undefined} value
 * @returns {number | null}
 */
export function numberOf(value) {
  if (value === null || value === undefined) return null;
  const number = typeof value === "string" ? Number(value) : value;
  return Number.isNaN(number) ? null : number;
}

/**
 * The unit that the sizes on an axis are best read in, and what one of it is in the SI unit.
 * @param {string} unit
 * @param {(number | null)[]} values
 * @returns {{unit: string, factor: number}}
 */
export function shownUnit(unit, values) {
  if (unit === "1" || unit === "") return { unit: "", factor: 1 };
  if (!PREFIXED.includes(unit)) return { unit, factor: 1 };
  let largest = 0;
  for (const value of values) {
    if (value !== null && Number.isFinite(value)) largest = Math.max(largest, Math.abs(value));
  }
  if (largest === 0) return { unit, factor: 1 };
  // Lengths of antennas are said in millimetres, however small; kilometres and kiloseconds nobody says.
  const smallest = unit === "m" ? 1e-3 : 0;
  const largestPrefix = unit === "m" || unit === "s" ? 1 : Infinity;
  const usable = PREFIXES.filter(([size]) => smallest <= size && size <= largestPrefix);
  const found = usable.find(([size]) => largest >= size) ?? usable[usable.length - 1];
  return { unit: found[1] + unit, factor: found[0] };
}

/**
 * A number with so many digits that two neighbours on an axis of this span differ.
 * @param {number} value
 * @param {number} span
 * @returns {string}
 */
export function digits(value, span) {
  return value.toFixed(placesFor(span)).replace("-", "\u2212");
}

/**
 * Digits behind the point that tell neighbours on an axis of this span apart.
 * @param {number} span
 * @returns {number}
 */
function placesFor(span) {
  return span > 0 ? Math.min(9, Math.max(0, 3 - Math.floor(Math.log10(span)))) : 4;
}

/**
 * @typedef {object} Drawn
 * @property {object[]} data     traces for the plotting script
 * @property {object} layout
 * @property {{x: {unit: string, factor: number}, y: {unit: string, factor: number}}} scale
 * @property {boolean} words     true where the x axis holds words
 */

/**
 * @typedef {object} Contents
 * @property {AxisWords} x
 * @property {AxisWords} y
 * @property {Curve[]} curves
 * @property {Mark[]} [marks]
 * @property {Band[]} [bands]
 * @property {Set<string>} [hidden]   names of curves that are not drawn
 */

/**
 * Data and layout of a plot.
 * @param {Contents} contents
 * @param {Colours} colours
 * @param {{width: number, range?: [number, number] | null, hand?: boolean}} view
 *   width in pixels; range: part of the x axis to show, in its SI unit; hand: true where dragging
 *   zooms (not on a touch screen, where it scrolls the page)
 * @returns {Drawn}
 */
export function drawn(contents, colours, view) {
  const curves = contents.curves;
  const words = curves.some((curve) => curve.x.some((at) => typeof at === "string"));
  const every = curves.map((curve) => ({
    x: words ? null : curve.x.map((at) => numberOf(at)),
    y: curve.y.map(numberOf),
    low: curve.low?.map(numberOf),
    high: curve.high?.map(numberOf),
  }));
  const places = every.flatMap((one) => one.x ?? []);
  const limits = (contents.marks ?? []).flatMap((mark) => (mark.y === undefined ? [] : [mark.y]));
  const ends = extremes([...every.flatMap((one) => [one.y, one.low ?? [], one.high ?? []]), limits]);
  const scale = {
    x: words ? { unit: "", factor: 1 } : shownUnit(contents.x.unit, places),
    y: shownUnit(contents.y.unit, ends),
  };
  const data = curves.flatMap((curve, number) =>
    traces(curve, every[number], { number, scale, colours, contents, ends, words }));
  const made = layout(contents, colours, view, scale, words);
  const [left, right] = extremes([places]);
  const unit = scale.x.unit ? ` ${scale.x.unit}` : "";
  Object.assign(made.yaxis, { hoverformat: `.${placesFor((ends[1] - ends[0]) / scale.y.factor)}f` });
  if (!words) {
    const hoverformat = `.${placesFor((right - left) / scale.x.factor)}f`;
    Object.assign(made.xaxis, { hoverformat, unifiedhovertitle: { text: `%{x}${unit}` } });
  }
  return { data, layout: made, scale, words };
}

/**
 * Smallest and largest of all finite values, with a little room for ends that lie infinitely far.
 * @param {(number | null)[][]} lists
 * @returns {[number, number]}
 */
function extremes(lists) {
  let low = Infinity;
  let high = -Infinity;
  for (const list of lists) {
    for (const value of list) {
      if (value === null || !Number.isFinite(value)) continue;
      if (value < low) low = value;
      if (value > high) high = value;
    }
  }
  if (low > high) return [0, 1];
  const room = 0.04 * (high - low || Math.abs(high) || 1);
  return [low - room, high + room];
}

/**
 * @param {Curve} curve
 * @param {{x: (number | null)[] | null, y: (number | null)[], low?: (number | null)[], high?: (number | null)[]}} known
 * @param {{number: number, scale: Drawn["scale"], colours: Colours, contents: Contents, ends: [number, number], words: boolean}} how
 * @returns {object[]}
 */
function traces(curve, known, how) {
  const look = lookOf(curve, how.number);
  const colour = how.colours.series[look.colour];
  const visible = !how.contents.hidden?.has(curve.name);
  const inY = (/** @type {number | null} */ value) => inUnit(value, how.scale.y.factor, how.ends);
  const x = known.x === null ? curve.x : known.x.map((at) => inUnit(at, how.scale.x.factor, null));
  const y = known.y.map(inY);
  const low = known.low?.map(inY);
  const high = known.high?.map(inY);
  const unit = how.scale.y.unit ? ` ${how.scale.y.unit}` : "";
  /** @type {Record<string, any>} */
  const line = {
    type: "scatter", name: curve.name, x, y, visible, connectgaps: false,
    mode: curve.points ? "lines+markers" : "lines",
    line: { color: colour, width: 2, dash: DASHES[look.dash] },
    hovertemplate: `%{y}${unit}%{text}<extra>${escaped(curve.name)}</extra>`,
    text: "",
  };
  if (curve.points) {
    line.marker = { color: colour, size: 9, symbol: SYMBOLS[look.dash] };
    line.line.width = 1;
  }
  if (!low || !high) return [line];
  if (y.length <= MOST_HOVERED) line.text = y.map((_, at) => interval(known, at, how, unit));
  if (curve.points) {
    line.error_y = {
      type: "data", symmetric: false, color: colour, thickness: 1.6, width: 6,
      array: y.map((value, at) => apart(value, high[at])),
      arrayminus: y.map((value, at) => apart(low[at], value)),
    };
    return [line];
  }
  return [...areas(x, low, high, colour, visible, curve.name), line];
}

/**
 * The interval between two ends as closed areas, one for each stretch where both are known.
 * @param {(number | string | null)[]} x
 * @param {(number | null)[]} low
 * @param {(number | null)[]} high
 * @param {string} colour
 * @param {boolean} visible
 * @param {string} name
 * @returns {object[]}
 */
function areas(x, low, high, colour, visible, name) {
  /** @type {object[]} */
  const found = [];
  let start = 0;
  for (let at = 0; at <= x.length; at += 1) {
    if (at < x.length && low[at] !== null && high[at] !== null && x[at] !== null) continue;
    if (at - start > 1) {
      found.push({
        type: "scatter", mode: "lines", name: `${name}: 95 % interval`, visible,
        x: [...x.slice(start, at), ...x.slice(start, at).reverse()],
        y: [...high.slice(start, at), ...low.slice(start, at).reverse()],
        fill: "toself", fillcolor: faint(colour), line: { width: 0 }, hoverinfo: "skip",
      });
    }
    start = at + 1;
  }
  return found;
}

/**
 * @param {{low?: (number | null)[], high?: (number | null)[]}} known
 * @param {number} at
 * @param {{scale: Drawn["scale"], ends: [number, number]}} how
 * @param {string} unit
 * @returns {string}
 */
function interval(known, at, how, unit) {
  const low = known.low?.[at] ?? null;
  const high = known.high?.[at] ?? null;
  const span = (how.ends[1] - how.ends[0]) / how.scale.y.factor;
  const text = (/** @type {number} */ end) => digits(end / how.scale.y.factor, span);
  const isLow = low !== null && Number.isFinite(low);
  const isHigh = high !== null && Number.isFinite(high);
  if (isLow && isHigh) return `, ${text(low)} to ${text(high)}${unit}`;
  if (isLow) return `, at least ${text(low)}${unit}`;
  return isHigh ? `, at most ${text(high)}${unit}` : "";
}

/**
 * @param {number | null} value
 * @param {number} factor
 * @param {[number, number] | null} ends   where an infinite value is drawn
 * @returns {number | null}
 */
function inUnit(value, factor, ends) {
  if (value === null) return null;
  if (Number.isFinite(value)) return value / factor;
  return ends === null ? null : (value < 0 ? ends[0] : ends[1]) / factor;
}

/**
 * @param {Contents} contents
 * @param {Colours} colours
 * @param {{width: number, range?: [number, number] | null, hand?: boolean}} view
 * @param {Drawn["scale"]} scale
 * @param {boolean} words
 * @returns {Record<string, any>}
 */
function layout(contents, colours, view, scale, words) {
  const small = view.width < 520;
  const size = small ? 12 : 14;
  const axis = {
    gridcolor: colours.grid, gridwidth: 1, zeroline: false, linecolor: colours.muted, linewidth: 1,
    tickcolor: colours.muted, ticks: "outside", ticklen: 5, automargin: true,
    tickfont: { size, color: colours.ink },
  };
  const lanes = labels(contents, colours, view.width, scale, size);
  return {
    paper_bgcolor: colours.paper, plot_bgcolor: colours.paper, showlegend: false,
    font: { family: "system-ui, sans-serif", size, color: colours.ink },
    margin: { l: 12, r: 14, t: 12 + lanes.height, b: 12, pad: 2 },
    hovermode: words ? "closest" : "x unified",
    hoverlabel: { bgcolor: colours.paper, bordercolor: colours.muted, font: { color: colours.ink, size } },
    dragmode: view.hand ? "zoom" : false,
    uirevision: "kept",
    xaxis: {
      ...axis, showgrid: false, type: words ? "category" : "linear", fixedrange: words,
      title: { text: titleOf(contents.x.name, scale.x.unit), standoff: 8 }, nticks: small ? 5 : 9,
      ...(view.range && !words ? { range: view.range.map((at) => at / scale.x.factor) } : {}),
    },
    yaxis: { ...axis, title: { text: titleOf(contents.y.name, scale.y.unit), standoff: 8 }, nticks: small ? 6 : 8 },
    shapes: [...areasOf(contents, colours, scale), ...linesOf(contents, colours, scale)],
    annotations: lanes.annotations,
  };
}

/**
 * @param {string} name
 * @param {string} unit
 * @returns {string}
 */
function titleOf(name, unit) {
  return escaped(unit ? `${name}, ${unit}` : name);
}

/**
 * @param {Contents} contents
 * @param {Colours} colours
 * @param {Drawn["scale"]} scale
 * @returns {object[]}
 */
function areasOf(contents, colours, scale) {
  return (contents.bands ?? []).map((band) => ({
    type: "rect", xref: "x", yref: "paper", y0: 0, y1: 1, layer: "below", line: { width: 0 },
    x0: band.from / scale.x.factor, x1: band.to / scale.x.factor, fillcolor: colours.band,
  }));
}

/**
 * @param {Contents} contents
 * @param {Colours} colours
 * @param {Drawn["scale"]} scale
 * @returns {object[]}
 */
function linesOf(contents, colours, scale) {
  return (contents.marks ?? []).map((mark) => {
    const line = { color: colours.mark, width: 1.5, dash: "7px,4px" };
    if (mark.y !== undefined) {
      const y = mark.y / scale.y.factor;
      return { type: "line", xref: "paper", x0: 0, x1: 1, yref: "y", y0: y, y1: y, line };
    }
    const x = typeof mark.x === "number" ? mark.x / scale.x.factor : mark.x;
    return { type: "line", xref: "x", x0: x, x1: x, yref: "paper", y0: 0, y1: 1, line };
  });
}

/**
 * Names of marks and bands in lanes above the plot, so that none lies on another or on a curve;
 * a limit is named at its left end, above its line.
 * @param {Contents} contents
 * @param {Colours} colours
 * @param {number} width
 * @param {Drawn["scale"]} scale
 * @param {number} size
 * @returns {{annotations: object[], height: number}}
 */
function labels(contents, colours, width, scale, size) {
  const places = contents.curves.flatMap((curve) => [curve.x[0], curve.x[curve.x.length - 1]])
    .flatMap((at) => (typeof at === "number" ? [at] : []));
  const left = places.reduce((one, other) => Math.min(one, other), Infinity);
  const span = places.reduce((one, other) => Math.max(one, other), -Infinity) - left;
  const named = [
    ...(contents.bands ?? []).map((one) => ({ at: (one.from + one.to) / 2, words: one.words, colour: colours.muted })),
    ...(contents.marks ?? []).flatMap((one) =>
      (one.x === undefined ? [] : [{ at: one.x, words: one.words, colour: colours.mark }])),
  ].filter((one) => one.words);
  /** @type {number[]} */
  const used = [];
  const annotations = named
    .map((one) => ({ ...one, share: typeof one.at === "number" && span > 0 ? (one.at - left) / span : 0.5 }))
    .sort((one, other) => one.share - other.share)
    .map((one) => {
      const room = (one.words.length * size * 0.56 + 10) / Math.max(width - 80, 1);
      const from = Math.min(Math.max(one.share - room / 2, 0), 1 - room);
      let lane = used.findIndex((end) => end <= from);
      if (lane < 0) lane = used.length;
      used[lane] = from + room;
      return {
        x: typeof one.at === "number" ? one.at / scale.x.factor : one.at, xref: "x", y: 1, yref: "paper",
        yanchor: "bottom", yshift: 2 + lane * (size + 5), showarrow: false, text: escaped(one.words),
        xanchor: one.share < room / 2 ? "left" : one.share > 1 - room / 2 ? "right" : "center",
        font: { size, color: one.colour },
      };
    });
  const limits = (contents.marks ?? []).filter((one) => one.y !== undefined && one.words).map((one) => ({
    x: 0, xref: "paper", xanchor: "left", xshift: 4, y: /** @type {number} */ (one.y) / scale.y.factor, yref: "y",
    yanchor: "bottom", showarrow: false, text: escaped(one.words), font: { size, color: colours.mark },
  }));
  return { annotations: [...annotations, ...limits], height: used.length * (size + 5) };
}

/**
 * A colour that lets what lies behind show through.
 * @param {string} colour  as #rrggbb
 * @returns {string}
 */
function faint(colour) {
  const parts = [1, 3, 5].map((at) => parseInt(colour.slice(at, at + 2), 16));
  return `rgba(${parts.join(", ")}, 0.18)`;
}

/**
 * Text as the plotting script shows it as it stands: it would read some of it as markup.
 * @param {string} text
 * @returns {string}
 */
export function escaped(text) {
  return text.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;").replace(/%\{/g, "% {");
}

/**
 * How far the second lies above the first; 0 where one is not known.
 * @param {number | null} from
 * @param {number | null} to
 */
function apart(from, to) {
  return from === null || to === null ? 0 : to - from;
}

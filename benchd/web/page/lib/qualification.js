/** One kind of qualification: its verdict, two runs over one another, and how it went over time. */

import { apart, reduced } from "./curves.js";
import { errorBox, fillWith, h } from "./dom.js";
import { dateTime } from "./format.js";
import { plotCurves } from "./plot.js";

/** @typedef {import("../app.js").Context} Context */

const TAGS = new Map([["good enough", "good"], ["not good enough", "bad"], ["cannot tell", "warn"]]);
const MOST_HISTORY = 3;
const HEIGHT = 280;

/**
 * @param {HTMLElement} root
 * @param {Context} context
 * @param {{kind: string, words: string, recipe: string, asks: string}} what
 * @param {any[]} runs  the newest first
 * @returns {() => void} takes the plots off the page
 */
export function qualificationCard(root, context, what, runs) {
  /** @type {import("./plot.js").Plot[]} */
  const plots = [];
  const newest = runs[0];
  const names = apart(runs.map((run) => dateTime(run.at)));
  const pictures = h("div", { class: "pictures" });
  const before = choice(`${what.kind}-before`, "Before", names, Math.min(1, runs.length - 1));
  const after = choice(`${what.kind}-after`, "After", names, 0);
  const history = h("div", null);
  const card = h(
    "section",
    { class: "card" },
    h("h3", null, what.words),
    h("p", { class: "quiet" }, what.asks),
    h("p", null, h("span", { class: `tag tag-${TAGS.get(newest.verdict) ?? "warn"}` }, newest.verdict), ` ${newest.note}`),
    h("p", { class: "quiet" }, [
      `${dateTime(newest.at)}${newest.route ? `, route ${newest.route}` : ""}.`,
      newest.changed.length ? ` Described otherwise than the time before: ${newest.changed.join(", ")}.` : "",
      " ",
      h("a", { href: `#/queue?${new URLSearchParams({ recipe: what.recipe })}` }, "Ask again"),
    ]),
    runs.length > 1 && h("div", { class: "pair" }, before.box, after.box),
    pictures,
    history,
    numbers(runs, names),
  );
  root.append(card);
  let asked = 0;
  let closed = false;

  const draw = async () => {
    asked += 1;
    const mine = asked;
    const wanted = [...new Set([Number(before.select.value), Number(after.select.value)])].sort((one, other) => other - one);
    try {
      const sets = await Promise.all(wanted.map((at) => context.api.get(`/api/jobs/${runs[at].job}/traces`)));
      if (mine !== asked || closed) return;
      while (plots.length) plots.pop()?.close();
      pictures.replaceChildren();
      const all = sets.flatMap((documents, number) =>
        reduced(documents, (one) => label(one)).map((curve) => ({ ...curve, run: number })));
      // One picture for each size of number: a reflected level does not belong beside a spread.
      for (const group of grouped(all, wanted.length > 1)) {
        plots.push(plotCurves(pictures, {
          title: `${what.words}: ${group.words}`,
          height: HEIGHT,
          x: { name: "Frequency", unit: "Hz" },
          y: { name: group.words[0].toUpperCase() + group.words.slice(1), unit: "dB" },
          curves: group.curves,
        }));
      }
    } catch (error) {
      if (mine === asked) fillWith(pictures, errorBox(error));
    }
  };
  before.select.addEventListener("change", () => void draw());
  after.select.addEventListener("change", () => void draw());
  const past = runs.length > 1 ? overTime(history, what, runs, names) : null;
  whenSeen(card, () => void draw());
  return () => {
    closed = true;
    past?.close();
    for (const plot of plots) plot.close();
  };
}

/**
 * Curves are made by reducing again, which costs the bench's computer some time: only those that
 * somebody looks at are asked for.
 * @param {Element} element
 * @param {() => void} act
 */
function whenSeen(element, act) {
  const watch = new IntersectionObserver((entries) => {
    if (!entries.some((one) => one.isIntersecting)) return;
    watch.disconnect();
    act();
  }, { rootMargin: "200px" });
  watch.observe(element);
}

/**
 * @param {string} id
 * @param {string} words
 * @param {string[]} names
 * @param {number} chosen
 */
function choice(id, words, names, chosen) {
  const select = h("select", { id }, names.map((name, at) => h("option", { value: String(at) }, name)));
  select.value = String(chosen);
  return { select, box: h("div", { class: "field" }, h("label", { for: id }, words), select) };
}

/** @param {any} one */
function label(one) {
  const words = one.quantity.replaceAll("_", " ");
  return one.part ? `${words}, ${one.part}` : words;
}

/** Quantities that are drawn together: those of one size and meaning. */
const TOGETHER = [
  { words: "below full reflection", of: ["effective_directivity", "effective_source_match", "joint_reflection"] },
  { words: "spread", of: ["repeatability_spread", "flex_spread", "stillness_spread_closed", "stillness_spread_open"] },
  { words: "spread of gain and path", of: ["box_path_spread", "box_gain_spread", "box_gain_uncertainty"] },
];

/** @typedef {import("./plot-figure.js").Curve & {quantity: string, run: number}} OfRun */

/**
 * Of two runs, one quantity has one colour; what came before is dashed.
 * @param {OfRun[]} curves
 * @param {boolean} both  whether there are two runs
 */
function grouped(curves, both) {
  /** @type {Map<string, OfRun[]>} */
  const found = new Map();
  for (const curve of curves) {
    const words = TOGETHER.find((one) => one.of.includes(curve.quantity))?.words ?? curve.quantity.replaceAll("_", " ");
    found.set(words, [...(found.get(words) ?? []), curve]);
  }
  return [...found].map(([words, of]) => {
    const names = [...new Set(of.map((one) => one.name))];
    return {
      words,
      curves: both
        ? of.map((one) => ({
          ...one,
          name: `${one.name}, ${one.run ? "after" : "before"}`,
          look: { colour: names.indexOf(one.name), dash: one.run ? 0 : 1 },
        }))
        : of,
    };
  });
}

/**
 * The main numbers of every run, the oldest first, with their intervals.
 * @param {HTMLElement} root
 * @param {{words: string}} what
 * @param {any[]} runs
 * @param {string[]} names
 */
function overTime(root, what, runs, names) {
  const order = runs.map((_, at) => at).reverse();
  const first = runs.flatMap((run) => run.found)[0];
  if (!first) return null;
  const quantities = [...new Set(runs.flatMap((run) => run.found)
    .filter((one) => one.unit === first.unit && (one.low !== null || one.high !== null)).map((one) => one.quantity))]
    .filter((one) => !one.endsWith("_min")).slice(0, MOST_HISTORY);
  const curves = quantities.map((quantity) => {
    const told = order.map((at) => runs[at].found.find((/** @type {any} */ one) => one.quantity === quantity));
    return {
      name: told.find(Boolean).words,
      points: true,
      x: order.map((at) => names[at]),
      y: told.map((one) => one?.value ?? null),
      low: told.map((one) => one?.low ?? null),
      high: told.map((one) => one?.high ?? null),
    };
  });
  if (!curves.length) return null;
  return plotCurves(root, {
    title: `${what.words} over time, the worst of each run`,
    height: HEIGHT,
    x: { name: "Run", unit: "" },
    y: { name: curves.length === 1 ? curves[0].name : "Worst value", unit: first.unit },
    curves,
  });
}

/**
 * @param {any[]} runs
 * @param {string[]} names
 */
function numbers(runs, names) {
  return h(
    "details",
    null,
    h("summary", null, `Every run (${runs.length})`),
    h("ul", { class: "plain" }, runs.map((run, at) =>
      h(
        "li",
        { class: "run" },
        h("div", null, h("span", { class: `tag tag-${TAGS.get(run.verdict) ?? "warn"}` }, run.verdict), ` ${names[at]}, ${run.recipe}`),
        h("div", { class: "quiet" }, run.note),
        run.changed.length > 0 && h("div", { class: "quiet" }, `Described otherwise than the time before: ${run.changed.join(", ")}.`),
        h("ul", null, run.found.map((/** @type {any} */ one) => h("li", null, `${one.words}${one.where ? `, ${one.where}` : ""}: ${one.text}`))),
      ))),
  );
}

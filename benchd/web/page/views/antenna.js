/** One antenna's story over its revisions: what was changed, what was found, as table and as curves. */

import { antennaForm } from "../lib/antenna-form.js";
import { reduced } from "../lib/curves.js";
import { errorBox, fillWith, h } from "../lib/dom.js";
import { dateTime, frequency, number } from "../lib/format.js";
import { plotCurves } from "../lib/plot.js";
import { storyAddress } from "./antennas.js";

export const title = "Antenna";

const MOST_OVERLAID = 6;
const PLOT_HEIGHT = 260;
const STALE_MS = 700;
/** Quantities that are drawn over frequency. */
const CURVES = ["return_loss", "realised_gain", "gain"];
/** What another column says in other words; each still has its curve, and stands with its run. */
const NOT_IN_TABLE = ["trim_per_arm", "removed_length", "worst_vswr", "vswr_bandwidth"];
/** A length that was taken off belongs to one look; the story of its session tells all of them. */
const NOT_OVER_REVISIONS = ["removed_length"];

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 * @param {import("../app.js").Params} params
 */
export async function show(root, context, params) {
  /** @type {import("../lib/plot.js").Plot[]} */
  let plots = [];
  let left = false;
  let shown = "";
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let waiting;
  const ask = () => context.api.get(`/api/antennas/${encodeURIComponent(params.item)}/story`);
  const first = await ask();
  const parts = {
    head: h("div", null),
    table: h("section", { class: "card" }),
    over: h("section", { class: "card", hidden: true }),
    small: h("section", { class: "grid", "aria-label": "Over the revisions" }),
    runs: h("details", { class: "card" }),
  };
  // The form stands by itself: news of a result must not take away what a person has typed.
  fillWith(root, parts.head, parts.table, parts.over, parts.small, newRevision(context, first), parts.runs);

  const draw = async (/** @type {any} */ story) => {
    const text = JSON.stringify(story);
    if (left || text === shown) return;
    shown = text;
    for (const one of plots) one.close();
    tell(parts, story);
    plots = overRevisions(parts.small, story);
    plots.push(...(await overlay(parts.over, context, story)));
    if (left) for (const one of plots) one.close();
  };
  await draw(first);
  const later = () => {
    // Results come one by one, and verdicts after them: wait for the last of a job.
    clearTimeout(waiting);
    waiting = setTimeout(() => ask().then(draw).catch((error) => context.announce(error.message, true)), STALE_MS);
  };
  const stops = [context.stream.on("result", later), context.stream.on("job", later), context.stream.on("open", later)];
  return () => {
    left = true;
    clearTimeout(waiting);
    for (const stop of stops) stop();
    for (const one of plots) one.close();
  };
}

/** @param {any} story */
function askedOf(story) {
  const newest = story.revisions[story.revisions.length - 1];
  return story.revisions.find((/** @type {any} */ one) => one.antenna === story.antenna) ?? newest;
}

/** @param {any} story @returns {number | null} Hz, of the newest revision */
function designOf(story) {
  return story.revisions[story.revisions.length - 1].design_frequency_hz;
}

/**
 * @param {Record<string, any>} parts
 * @param {any} story
 */
function tell(parts, story) {
  document.title = `${story.name} · benchd`;
  fillWith(
    parts.head,
    h("p", null, h("a", { href: "#/antennas" }, "All antennas")),
    h("h1", null, story.name),
    h("p", { class: "quiet" }, headline(story)),
    h("div", { class: "row" }, links(story)),
  );
  fillWith(parts.table, revisionTable(story));
  fillWith(parts.runs, runs(story));
}

/** @param {any} story */
function headline(story) {
  const count = story.revisions.length;
  const hertz = designOf(story);
  const design = hertz ? `, designed for ${frequency(hertz)}` : "";
  return `${count === 1 ? "One revision" : `${count} revisions`}${design}.`;
}

/** @param {any} story */
function links(story) {
  const names = story.revisions.filter((/** @type {any} */ one) => one.first_at).map((/** @type {any} */ one) => one.antenna);
  const [first, second] = names.slice(-2);
  const query = new URLSearchParams(second ? { first, second } : {});
  const asked = askedOf(story);
  return [
    asked.registered && h("a", { class: "button", href: `#/queue?${new URLSearchParams({ recipe: "return-loss", antenna: asked.antenna })}` }, `Measure ${asked.antenna}`),
    asked.registered && asked.arm_m && h("a", { class: "button", href: `#/trim?${new URLSearchParams({ antenna: asked.antenna })}` }, "Trim it by sight"),
    second && h("a", { class: "button", href: `#/overlay?${query}` }, `Difference of ${first} and ${second}`),
    h("a", { class: "button", href: `#/overlay?${new URLSearchParams(names.length ? { antenna: names[names.length - 1] } : {})}` }, "Lay captures over one another"),
  ];
}

/** @param {any} story */
function revisionTable(story) {
  const heads = story.quantities.filter((/** @type {any} */ one) => !NOT_IN_TABLE.includes(one.name));
  return h(
    "div",
    { class: "table", tabindex: "0", role: "region", "aria-label": "Revisions" },
    h(
      "table",
      { class: "story", role: "table" },
      h("caption", null, "Revisions"),
      h("thead", { role: "rowgroup" }, h("tr", { role: "row" }, ["Revision", "Changed and trimmed", ...heads.map((/** @type {any} */ one) => one.words), "Limits"]
        .map((words) => h("th", { scope: "col", role: "columnheader" }, words)))),
      h("tbody", { role: "rowgroup" }, story.revisions.map((/** @type {any} */ one) => revisionRow(one, heads, one.antenna === story.antenna))),
    ),
  );
}

/**
 * @param {any} one
 * @param {any[]} heads
 * @param {boolean} asked
 */
function revisionRow(one, heads, asked) {
  return h(
    "tr",
    { "aria-current": asked ? "true" : null, role: "row" },
    h(
      "th",
      { scope: "row", role: "rowheader" },
      h("a", { href: storyAddress(one.antenna) }, one.antenna),
      h("div", { class: "quiet" }, one.first_at ? dateTime(one.first_at) : "not measured yet"),
      !one.registered && h("div", { class: "tag" }, "no longer in the register"),
    ),
    h(
      "td",
      { class: "changed", role: "cell" },
      one.changes.length
        ? one.changes.map((/** @type {any} */ change) => h("div", null, change.text))
        : one.arm_m && h("div", null, `arm ${number(one.arm_m * 1000, 2)} mm`),
      trimWords(one),
    ),
    heads.map((head) => toldCell(one.newest[head.name], head.words)),
    h("td", { role: "cell", "data-label": "Limits" }, one.limits.length ? one.limits.map(limitWords) : h("span", { class: "quiet" }, "none asked")),
  );
}

/** @param {any} one */
function trimWords(one) {
  const now = one.newest.trim_per_arm;
  return [
    ...one.sessions.map((/** @type {any} */ session) =>
      h("div", null, h("a", { href: `#/trim/${session.job}` }, "Trim session"), `: ${session.text}`)),
    one.trimmed && h("div", { class: "quiet" }, `Trim ${one.trimmed.text}.`),
    now && h("div", { class: "quiet" }, `Trim said now: ${now.text} off each arm.`),
  ];
}

/**
 * @param {any} told
 * @param {string} words  how its column is headed; on a phone it stands beside the value
 */
function toldCell(told, words) {
  const of = { role: "cell", "data-label": words };
  if (!told) return h("td", { ...of, class: "quiet" }, "\u2013");
  const [value, ...rest] = told.text.split(", ");
  return h(
    "td",
    of,
    h("div", { class: "value" }, value),
    rest.length > 0 && h("div", null, rest.join(", ")),
    told.where && h("div", { class: "quiet" }, told.where),
    told.flags && h("div", { class: "flags" }, told.flags),
  );
}

/** @param {any} limit */
function limitWords(limit) {
  const kind = limit.passed === null ? "warn" : limit.passed ? "good" : "bad";
  const word = limit.passed === null ? "cannot tell" : limit.passed ? "passed" : "failed";
  const doubt = limit.outcome.endsWith("-marginal") ? ", within the uncertainty" : "";
  return h(
    "div",
    { class: "limit" },
    h("span", { class: `tag tag-${kind}` }, `${word}${doubt}`),
    ` ${limit.words} ${limit.limit}`,
  );
}

/**
 * A small plot of each quantity over the revisions.
 * @param {HTMLElement} root
 * @param {any} story
 */
function overRevisions(root, story) {
  const plots = [];
  const design = designOf(story);
  root.replaceChildren();
  for (const head of story.quantities) {
    const there = story.revisions.filter((/** @type {any} */ one) => one.newest[head.name]);
    if (there.length < 2 || NOT_OVER_REVISIONS.includes(head.name)) continue;
    const told = there.map((/** @type {any} */ one) => one.newest[head.name]);
    const card = h("div", { class: "card" });
    root.append(card);
    plots.push(plotCurves(card, {
      title: `${head.words} over the revisions`,
      height: PLOT_HEIGHT,
      x: { name: "Revision", unit: "" },
      y: { name: head.words, unit: head.unit },
      curves: [{
        name: head.words,
        points: true,
        x: there.map((/** @type {any} */ one) => one.revision),
        y: told.map((/** @type {any} */ one) => one.value),
        low: told.map((/** @type {any} */ one) => one.low),
        high: told.map((/** @type {any} */ one) => one.high),
      }],
      marks: head.name === "resonance_frequency" && design ? [{ y: design, words: `designed for ${frequency(design)}` }] : [],
    }));
  }
  return plots;
}

/**
 * The newest curve over frequency of each revision in one picture, for each quantity that has one.
 * @param {HTMLElement} place
 * @param {import("../app.js").Context} context
 * @param {any} story
 */
async function overlay(place, context, story) {
  const newest = story.revisions.slice(-MOST_OVERLAID);
  const jobs = CURVES.map((quantity) => newest
    .filter((/** @type {any} */ one) => one.newest[quantity])
    .map((/** @type {any} */ one) => ({ antenna: one.antenna, job: one.newest[quantity].job })));
  place.replaceChildren();
  place.hidden = jobs.every((of) => of.length === 0);
  if (place.hidden) return [];
  const note = h("p", { class: "quiet", role: "status" }, "Reducing the stored captures again for their curves.");
  place.append(note);
  const plots = [];
  try {
    for (const [at, quantity] of CURVES.entries()) {
      const curves = [];
      for (const { antenna, job } of jobs[at]) {
        const documents = await context.api.get(`/api/jobs/${job}/traces`);
        const of = reduced(documents, (document) => document.antenna ?? antenna);
        // A trim session has a curve for every look: the last is what the antenna is now.
        curves.push(...of.filter((curve) => curve.quantity === quantity && curve.name === antenna).slice(-1));
      }
      if (!place.isConnected) return plots;
      if (curves.length) plots.push(plotCurves(place, curvePlot(story, quantity, curves)));
    }
    note.remove();
  } catch (error) {
    note.replaceWith(errorBox(error));
  }
  return plots;
}

/**
 * @param {any} story
 * @param {string} quantity
 * @param {import("../lib/plot.js").Curve[]} curves
 * @returns {import("../lib/plot.js").PlotOptions}
 */
function curvePlot(story, quantity, curves) {
  const head = story.quantities.find((/** @type {any} */ one) => one.name === quantity);
  const design = designOf(story);
  return {
    title: `${head.words} of ${story.name}`,
    x: { name: "Frequency", unit: "Hz" },
    y: { name: head.words, unit: head.unit },
    curves,
    marks: design ? [{ x: design, words: `designed for ${frequency(design)}` }] : [],
  };
}

/**
 * @param {import("../app.js").Context} context
 * @param {any} story
 */
function newRevision(context, story) {
  const asked = askedOf(story);
  /** @type {Record<string, string>} */
  const now = asked.arm_m ? { arm: `${number(asked.arm_m * 1000, 3)} mm`, arms: String(asked.arms) } : {};
  return h(
    "details",
    { class: "card", id: "new-revision" },
    h("summary", null, `New revision of ${asked.antenna}`),
    h("p", { class: "quiet" }, "What is stated of it is taken over, but not its gain nor what it was found to reach."),
    antennaForm(context.api, {
      start: asked.antenna,
      taken: story.revisions.map((/** @type {any} */ one) => one.antenna),
      now,
      done: (antenna) => {
        context.announce(`${antenna.name} stands in the register.`);
        location.hash = storyAddress(antenna.name);
      },
    }),
  );
}

/** @param {any} story */
function runs(story) {
  const rows = story.revisions
    .flatMap((/** @type {any} */ one) => one.runs.map((/** @type {any} */ run) => ({ ...run, antenna: one.antenna })))
    .sort((/** @type {any} */ one, /** @type {any} */ other) => (one.at < other.at ? 1 : -1));
  return [
    h("summary", null, `Every measurement (${rows.length})`),
    h(
      "ul",
      { class: "plain" },
      rows.map((/** @type {any} */ run) =>
        h(
          "li",
          { class: "run" },
          h("div", null, `${dateTime(run.at)}, ${run.antenna}, ${run.recipe} `,
            h("a", { href: `#/overlay?${new URLSearchParams({ job: run.job })}` }, "its curves")),
          h("div", { class: "quiet" }, Object.values(run.told).map((/** @type {any} */ told) => `${told.words} ${told.text}`).join("; ")),
        ),
      ),
    ),
  ];
}

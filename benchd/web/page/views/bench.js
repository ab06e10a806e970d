/** Bench: its instruments, its baselines, what qualification says of it, and what to work on next. */

import { qualificationCard } from "../lib/qualification.js";
import { errorBox, fillWith, h } from "../lib/dom.js";
import { ago, dateTime } from "../lib/format.js";

export const title = "Bench";

const STALE_MS = 700;
const KINDS = [
  { kind: "coupler", words: "Coupler", recipe: "coupler", asks: "How far can the coupler be trusted?" },
  { kind: "repeatability", words: "Joints", recipe: "repeatability", asks: "What does every joint add?" },
  { kind: "comparison", words: "Bonded or isolated", recipe: "grounding", asks: "Does it matter how cables pass the wall?" },
  { kind: "leakage", words: "Seal", recipe: "leakage", asks: "What comes out, and what comes in?" },
  { kind: "stillness", words: "People", recipe: "stillness", asks: "Do people disturb it?" },
  { kind: "reflectivity", words: "Box", recipe: "reflectivity", asks: "From where on is the box usable?" },
  { kind: "drift", words: "Drift", recipe: "drift", asks: "How old may a baseline grow?" },
];
const STATES = new Map([
  ["ready", { kind: "good", words: "ready" }],
  ["lost", { kind: "bad", words: "does not answer" }],
  ["not-opened", { kind: "warn", words: "not asked yet" }],
]);

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 */
export async function show(root, context) {
  const instruments = h("section", { class: "card" });
  const improve = h("section", { class: "card" });
  const baselines = h("section", { class: "card" });
  const qualification = h("div", { class: "columns" });
  /** @type {(() => void)[]} */
  let closing = [];
  let left = false;
  let shown = "";
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let waiting;
  fillWith(
    root,
    h("h1", null, "Bench"),
    h("div", { class: "grid" }, improve, instruments),
    baselines,
    h("h2", { class: "apart" }, "What qualification says"),
    qualification,
  );

  const ask = async (/** @type {boolean} */ now) => {
    const found = await context.api.get(`/api/instruments${now ? "?ask=true" : ""}`);
    if (!left) tellInstruments(instruments, found, () => askNow());
    return found;
  };
  const askNow = async () => {
    const button = instruments.querySelector("button");
    if (button) button.disabled = true;
    try {
      const found = await ask(true);
      const asked = found.some((/** @type {any} */ one) => one.asked);
      context.announce(asked ? "All instruments were asked." : "Nobody was asked: a job runs, or RF is not verified off.", !asked);
    } catch (error) {
      context.announce(error instanceof Error ? error.message : String(error), true);
      if (button) button.disabled = false;
    }
  };
  const state = async () => {
    const found = await context.api.get("/api/bench/state");
    if (left) return;
    tellImprove(improve, found.improve);
    tellBaselines(baselines, found.baselines);
    const text = JSON.stringify(found.qualifications);
    // Pictures that somebody looks at stay as they are until a qualification brings something new.
    if (text === shown) return;
    shown = text;
    for (const close of closing) close();
    closing = tellQualification(qualification, context, found.qualifications);
  };
  await Promise.all([
    ask(false).catch((error) => fillWith(instruments, errorBox(error))),
    state().catch((error) => fillWith(qualification, errorBox(error))),
  ]);
  const again = (/** @type {() => Promise<any>} */ what) => what().catch((error) => context.announce(error.message, true));
  const stops = [
    context.stream.on("link", () => void again(() => ask(false))),
    context.stream.on("result", () => {
      clearTimeout(waiting);
      waiting = setTimeout(() => void again(state), STALE_MS);
    }),
  ];
  return () => {
    left = true;
    clearTimeout(waiting);
    for (const stop of stops) stop();
    for (const close of closing) close();
  };
}

/**
 * @param {HTMLElement} root
 * @param {any[]} found
 * @param {() => void} askNow
 */
function tellInstruments(root, found, askNow) {
  fillWith(
    root,
    h("h2", null, "Instruments"),
    h("ul", { class: "plain" }, found.map((one) => {
      const state = STATES.get(one.state) ?? { kind: "warn", words: one.state };
      return h(
        "li",
        { class: "run" },
        h("div", { class: "row" }, h("strong", null, one.name), h("span", { class: `tag tag-${state.kind}` }, state.words)),
        h("div", { class: "quiet" }, `${one.kind}, ${one.answered_at ? `answered ${ago(one.answered_at)}` : "has not answered since the daemon started"}`),
        one.identity && h("div", { class: "quiet" }, one.identity),
        one.message && h("div", { class: "flags" }, one.message),
      );
    })),
    h("button", { type: "button", class: "button", onclick: askNow }, "Ask them now"),
  );
}

/**
 * A link to the form that queues a recipe.
 * @param {string} recipe
 */
function queueLink(recipe) {
  return h("a", { href: `#/queue?${new URLSearchParams({ recipe })}` }, `Queue the recipe ${recipe}`);
}

/**
 * @param {HTMLElement} root
 * @param {any} improve
 */
function tellImprove(root, improve) {
  const rows = improve.terms.filter((/** @type {any} */ one) => one.share >= 0.005).slice(0, 6);
  fillWith(
    root,
    h("h2", null, "What to work on next"),
    h("p", { class: "lead" }, improve.text),
    rows.length > 0 && h(
      "table",
      { class: "shares" },
      h("caption", null, `Shares of the variance, newest results of all antennas (${improve.results})`),
      h("tbody", null, rows.map((/** @type {any} */ one) => {
        const percent = `${Math.round(100 * one.share)} %`;
        const bar = h("span", { class: "bar" });
        bar.style.width = `${Math.max(1, 100 * one.share)}%`;
        return h("tr", null, h("th", { scope: "row" }, one.name), h("td", { class: "num" }, percent), h("td", { class: "bar-cell", "aria-hidden": "true" }, bar));
      })),
    ),
  );
}

/**
 * @param {HTMLElement} root
 * @param {any[]} found
 */
function tellBaselines(root, found) {
  fillWith(
    root,
    h("h2", null, "Baselines"),
    found.length === 0
      ? h("p", { class: "quiet" }, "None is stored yet. ", queueLink("open-short-baseline"))
      : h("ul", { class: "plain columns" }, found.map((one) => {
        const old = one.max_age_s !== null && one.age_s > one.max_age_s;
        const at = one.position && one.position !== one.role ? ` ${one.position}` : "";
        return h(
          "li",
          { class: "run" },
          h(
            "div",
            { class: "row" },
            h("strong", null, h("a", { href: `#/overlay?${new URLSearchParams({ capture: one.capture })}` }, one.role), ` on ${one.route}${at}`),
            old && h("span", { class: "tag tag-warn" }, "too old"),
          ),
          h("div", null, one.text),
          h("div", { class: "quiet" }, `${one.sweep}, taken ${dateTime(one.taken_at)}`),
          one.flags && h("div", { class: "flags" }, one.flags),
        );
      })),
  );
}

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 * @param {any[]} found
 * @returns {(() => void)[]}
 */
function tellQualification(root, context, found) {
  root.replaceChildren();
  const asked = KINDS.filter((one) => found.some((run) => run.kind === one.kind));
  const open = KINDS.filter((one) => !asked.includes(one));
  const closing = asked.map((one) =>
    qualificationCard(root, context, one, found.filter((run) => run.kind === one.kind)));
  if (open.length) {
    root.append(h(
      "section",
      { class: "card" },
      h("h3", null, "Not asked yet"),
      h("ul", null, open.map((one) => h("li", null, `${one.asks} `, queueLink(one.recipe)))),
    ));
  }
  return closing;
}

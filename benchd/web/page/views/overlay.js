/** Overlays: captures, reduced curves and differences, chosen by a person and named in the address. */

import { apart, axisOf, placesOf, recorded, reduced } from "../lib/curves.js";
import { errorBox, fillWith, h } from "../lib/dom.js";
import { dateTime } from "../lib/format.js";
import { plotCurves } from "../lib/plot.js";

/** @typedef {import("../lib/plot.js").Plot} Plot */
/** @typedef {import("../app.js").Context} Context */

export const title = "Overlay";

const DIFFERENCE = "Difference of two antennas, revisions or days";
const MOST_LISTED = 100;
const MOST_LAID = 6;
const DRAWN = 2000;
const EVERYTHING = 20000;
const UNITS = new Map([["level_dbm", "dBm"], ["ratio_db", "dB"], ["ratio_complex", "dB"]]);

/**
 * @param {HTMLElement} root
 * @param {Context} context
 * @param {import("../app.js").Params} params
 */
export async function show(root, context, params) {
  /** @type {Plot[]} */
  const plots = [];
  const keep = (/** @type {Plot} */ plot) => plots.push(plot);
  const levels = h("section", { class: "card", hidden: true });
  const curves = h("section", { class: "card", hidden: true });
  const difference = h("section", { class: "card", hidden: true });
  const chosen = params.query.getAll("capture").slice(0, MOST_LAID);
  const jobs = params.query.getAll("job").slice(0, MOST_LAID);
  const [captures, families] = await Promise.all([
    context.api.get(`/api/captures?${captureQuery(params.query)}`),
    context.api.get("/api/stories"),
  ]);
  fillWith(
    root,
    h("h1", null, "Overlay"),
    difference,
    curves,
    levels,
    h("div", { class: "grid" }, differenceForm(params.query, families, context), captureForm(params.query, captures)),
  );
  await Promise.all([
    chosen.length && layLevels(levels, context, chosen, captures, keep),
    jobs.length && layReduced(curves, context, jobs, keep),
    params.query.get("first") && params.query.get("second") && layDifference(difference, context, params.query, keep),
  ]);
  return () => plots.forEach((plot) => plot.close());
}

/** @param {URLSearchParams} query */
function captureQuery(query) {
  const asked = new URLSearchParams({ limit: String(MOST_LISTED) });
  const antenna = query.get("antenna");
  if (antenna) asked.set("antenna", antenna);
  return asked;
}

/** @param {any} capture */
function captureName(capture) {
  const what = capture.antenna ?? capture.role;
  return `${what}, ${capture.route}${capture.position ? ` ${capture.position}` : ""}, ${dateTime(capture.taken_at)}`;
}

/**
 * A choice of captures; the address names those that are chosen.
 * @param {URLSearchParams} query
 * @param {any[]} captures
 */
function captureForm(query, captures) {
  const chosen = query.getAll("capture");
  const fault = h("p", { class: "field-fault", role: "alert" });
  const boxes = captures.map((capture, at) => {
    const id = `capture-${at}`;
    const box = h("input", { type: "checkbox", id, value: capture.id, checked: chosen.includes(capture.id) });
    return { box, row: h("label", { class: "check", for: id }, box, captureName(capture)) };
  });
  return h(
    "form",
    {
      class: "card",
      onsubmit: (/** @type {Event} */ event) => {
        event.preventDefault();
        const ids = boxes.filter((one) => one.box.checked).map((one) => one.box.value);
        if (ids.length === 0 || ids.length > MOST_LAID) {
          fault.textContent = `Choose one to ${MOST_LAID} captures.`;
          return;
        }
        const next = new URLSearchParams(query);
        next.delete("capture");
        for (const id of ids) next.append("capture", id);
        location.hash = `#/overlay?${next}`;
      },
    },
    h("h2", null, query.get("antenna") ? `Captures of ${query.get("antenna")}` : "Captures"),
    captures.length === 0 && h("p", { class: "quiet" }, "None is stored yet."),
    h("div", { class: "choices", tabindex: "0", role: "group", "aria-label": "Captures, the newest first" }, boxes.map((one) => one.row)),
    query.get("antenna") && h("p", null, h("a", { href: "#/overlay" }, "Captures of everything")),
    fault,
    h("button", { type: "submit", class: "button button-main" }, "Show these"),
  );
}

/**
 * A choice of two antennas, or of one antenna at two times.
 * @param {URLSearchParams} query
 * @param {any[]} families
 * @param {Context} context
 */
function differenceForm(query, families, context) {
  const names = families.flatMap((one) => one.measured);
  if (names.length === 0) {
    return h("section", { class: "card" }, h("h2", null, DIFFERENCE), h("p", { class: "quiet" }, "Nothing has been measured yet."));
  }
  const first = side("first", "From", query, names, context);
  const second = side("second", "To", query, names, context);
  if (!query.get("second") && names.length > 1) second.select.value = names[1];
  first.fill();
  second.fill();
  const fault = h("p", { class: "field-fault", role: "alert" });
  return h(
    "form",
    {
      class: "card",
      onsubmit: (/** @type {Event} */ event) => {
        event.preventDefault();
        const same = first.select.value === second.select.value;
        if (same && (!first.runs.value || first.runs.value === second.runs.value)) {
          fault.textContent = "Choose two antennas, or two measurements of one.";
          return;
        }
        const next = new URLSearchParams(query);
        for (const one of [first, second]) {
          next.set(one.key, one.select.value);
          next.delete(`${one.key}_job`);
          if (one.runs.value) next.set(`${one.key}_job`, one.runs.value);
        }
        location.hash = `#/overlay?${next}`;
      },
    },
    h("h2", null, DIFFERENCE),
    h("p", { class: "quiet" }, "Errors that both share, such as those of the coupler, cancel."),
    first.box,
    second.box,
    fault,
    h("button", { type: "submit", class: "button button-main" }, "Show the difference"),
  );
}

/**
 * One of the two: an antenna, and which of its measurements.
 * @param {string} key
 * @param {string} words
 * @param {URLSearchParams} query
 * @param {string[]} names
 * @param {Context} context
 */
function side(key, words, query, names, context) {
  const select = h("select", { id: `difference-${key}` }, names.map((name) => h("option", { value: name }, name)));
  const runs = h("select", { id: `difference-${key}-run` });
  const wanted = query.get(key);
  if (wanted && names.includes(wanted)) select.value = wanted;
  const newest = () => h("option", { value: "" }, "the newest");
  const fill = async () => {
    const name = select.value;
    runs.replaceChildren(newest());
    try {
      const story = await context.api.get(`/api/antennas/${encodeURIComponent(name)}/story`);
      const found = story.revisions.find((/** @type {any} */ one) => one.antenna === name)?.runs ?? [];
      if (select.value !== name) return;
      const labels = apart(found.map((/** @type {any} */ run) => `${dateTime(run.at)}, ${run.recipe}`));
      runs.append(...found.map((/** @type {any} */ run, /** @type {number} */ at) => h("option", { value: run.job }, labels[at])));
      const job = query.get(`${key}_job`);
      if (job && name === wanted && found.some((/** @type {any} */ run) => run.job === job)) runs.value = job;
    } catch {
      // The newest can be compared all the same.
    }
  };
  select.addEventListener("change", () => void fill());
  return {
    key,
    select,
    runs,
    fill: () => void fill(),
    box: h(
      "div",
      { class: "pair" },
      h("div", { class: "field" }, h("label", { for: `difference-${key}` }, words), select),
      h("div", { class: "field" }, h("label", { for: `difference-${key}-run` }, "Measured"), runs),
    ),
  };
}

/**
 * Levels of captures as recorded; zooming asks for the points in between.
 * @param {HTMLElement} place
 * @param {Context} context
 * @param {string[]} ids
 * @param {any[]} captures
 * @param {(plot: Plot) => void} keep
 */
async function layLevels(place, context, ids, captures, keep) {
  place.hidden = false;
  try {
    const known = await Promise.all(ids.map(async (id) =>
      captures.find((one) => one.id === id) ?? context.api.get(`/api/captures/${id}`)));
    const names = apart(known.map(captureName));
    const ask = async (/** @type {number} */ points, /** @type {string} */ part) => {
      const documents = await Promise.all(ids.map((id) =>
        context.api.get(`/api/captures/${id}/curve?points=${points}${part}`)));
      return { documents, curves: documents.map((document, at) => recorded(document, names[at])) };
    };
    const { documents, curves } = await ask(DRAWN, "");
    const units = [...new Set(documents.map((one) => UNITS.get(one.form) ?? "dB"))];
    if (!place.isConnected) return;
    keep(plotCurves(place, {
      title: "Levels as recorded",
      x: axisOf(documents[0]),
      y: { name: units.length > 1 ? "Level, dBm, or ratio" : "Level", unit: units.length > 1 ? "dB" : units[0] },
      curves,
      closer: documents.some((one) => one.axis) ? undefined : async (from, to, points) =>
        (await ask(Math.max(2 * Math.round(points), 200), `&from_hz=${Math.max(0, from)}&to_hz=${Math.max(0, to)}`)).curves,
      whole: async () => Promise.all(ids.map(async (id, at) => wholeLevel(context, id, names[at]))),
    }));
    const thinned = documents.filter((one) => one.points_recorded > placesOf(one).length);
    if (thinned.length) {
      place.append(h("p", { class: "quiet" },
        `Up to ${Math.max(...thinned.map((one) => one.points_recorded))} points are recorded. Lowest and highest of neighbours are drawn, so that no dip is lost; zoom in for all of them.`));
    }
  } catch (error) {
    place.append(errorBox(error));
  }
}

/**
 * @param {Context} context
 * @param {string} id
 * @param {string} name
 */
async function wholeLevel(context, id, name) {
  const first = await context.api.get(`/api/captures/${id}/curve?points=${EVERYTHING}`);
  if (first.points_recorded <= placesOf(first).length) return recorded(first, name);
  const traces = await context.api.get(`/api/captures/${id}/trace`);
  return recorded(traces[0], name);
}

/**
 * @param {HTMLElement} place
 * @param {Context} context
 * @param {string[]} ids
 * @param {(plot: Plot) => void} keep
 */
async function layReduced(place, context, ids, keep) {
  place.hidden = false;
  const note = working(place, "Reducing the stored captures again for their curves.");
  try {
    const jobs = await Promise.all(ids.map(async (id) => ({
      job: await context.api.get(`/api/jobs/${id}`),
      documents: await context.api.get(`/api/jobs/${id}/traces`),
    })));
    note.remove();
    const all = jobs.flatMap(({ job, documents }) =>
      reduced(documents, (one) => [one.antenna, one.part, dateTime(job.created_at)].filter(Boolean).join(", ")));
    const quantities = [...new Set(all.map((one) => one.quantity))];
    if (!place.isConnected) return;
    if (!quantities.length) place.append(h("p", { class: "quiet" }, "These jobs have no reduced curves."));
    for (const quantity of quantities) {
      const curves = all.filter((one) => one.quantity === quantity);
      const names = apart(curves.map((one) => one.name));
      const words = quantity.replaceAll("_", " ");
      keep(plotCurves(place, {
        title: words[0].toUpperCase() + words.slice(1),
        x: { name: "Frequency", unit: "Hz" },
        y: { name: words[0].toUpperCase() + words.slice(1), unit: quantity.includes("gain") && !quantity.startsWith("box") ? "dBi" : "dB" },
        curves: curves.map((one, at) => ({ ...one, name: names[at] })),
      }));
    }
  } catch (error) {
    note.replaceWith(errorBox(error));
  }
}

/**
 * Differences with their intervals: a table of every quantity, and the return loss over frequency.
 * @param {HTMLElement} place
 * @param {Context} context
 * @param {URLSearchParams} query
 * @param {(plot: Plot) => void} keep
 */
async function layDifference(place, context, query, keep) {
  place.hidden = false;
  const asked = new URLSearchParams();
  for (const key of ["first", "second", "first_job", "second_job"]) {
    const value = query.get(key);
    if (value) asked.set(key, value);
  }
  const heading = query.get("first") === query.get("second")
    ? `${query.get("second")}, the second measurement less the first`
    : `${query.get("second")} less ${query.get("first")}`;
  fillWith(place, h("h2", null, heading));
  const note = working(place, "Drawing the errors that both share. This takes some seconds.");
  const drawing = context.api.get(`/api/comparison/curve?${asked}`).catch((error) => error);
  try {
    const found = await context.api.get(`/api/comparison?${asked}`);
    place.append(differences(found));
  } catch (error) {
    place.append(errorBox(error));
  }
  const curve = await drawing;
  note.remove();
  if (curve instanceof Error) {
    place.append(h("p", { class: "quiet" }, `No curve of the difference: ${curve.message}`));
    return;
  }
  if (!place.isConnected) return;
  keep(plotCurves(place, {
    title: `Return loss, ${heading}`,
    x: { name: "Frequency", unit: "Hz" },
    y: { name: "Difference of return loss", unit: "dB" },
    curves: reduced(curve, () => heading),
    marks: [{ y: 0, words: "no difference" }],
  }));
}

/** @param {any} found */
function differences(found) {
  const refused = found.refused.length > 0 && h(
    "details",
    null,
    h("summary", null, `Not compared (${found.refused.length})`),
    h("ul", null, found.refused.map((/** @type {any} */ one) => h("li", null, `${one.quantity.replaceAll("_", " ")}: ${one.message}`))),
  );
  if (!found.differences.length) return h("div", null, h("p", null, "No quantity of the two can be compared."), refused);
  return h(
    "div",
    null,
    h(
      "div",
      { class: "table", tabindex: "0", role: "region", "aria-label": "Differences" },
      h(
        "table",
        null,
        h("caption", null, `Second less first: from ${found.first} to ${found.second}`),
        h("thead", null, h("tr", null, ["Quantity", "Difference and its 95 % interval", "Is there one?"].map((words) => h("th", { scope: "col" }, words)))),
        h("tbody", null, found.differences.map((/** @type {any} */ one) =>
          h(
            "tr",
            null,
            h("th", { scope: "row" }, one.words.replace(/ difference$/, ""), one.where && h("div", { class: "quiet" }, one.where)),
            h("td", { class: "value" }, one.text),
            h("td", null, h("strong", null, one.sure ? "They differ." : "None seen."), h("div", { class: "quiet" }, noteOf(one.note))),
          ))),
      ),
    ),
    refused,
  );
}

/**
 * What a comparison notes beside what the column says already: how large a difference would have
 * been seen.
 * @param {string} note
 */
function noteOf(note) {
  return note.replace(/^(The two differ\.|No difference seen;) ?/, "").replace(/[^.;]* was the first\.$/, "").trim();
}

/**
 * @param {HTMLElement} place
 * @param {string} words
 */
function working(place, words) {
  const note = h("p", { class: "quiet", role: "status" }, words);
  place.append(note);
  return note;
}

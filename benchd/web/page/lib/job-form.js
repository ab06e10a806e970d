/** Queueing a recipe by a form made from its own parameters; its worksheet is shown before. */

import { errorBox, fillWith, h, say } from "./dom.js";
import { clock, duration, shownZone } from "./format.js";
import { worksheetView } from "./worksheet.js";
import { nextDays, nextTime, timeOn } from "./zoned.js";

const DAYS_SHOWN = 8;

/** @type {Record<string, string>} Examples by kind of parameter. */
const EXAMPLES = {
  frequency: "with its unit, such as 1.7 GHz or 500 MHz",
  time: "with its unit, such as 12 h, 90 s or 2 ms",
  length: "with its unit, such as 400 mm",
  level: "with its unit, such as -10 dBm or 0.1 mW",
  ratio: "with its unit, such as 10 dB",
  gain: "with its unit, such as 2.1 dBi",
  number: "a number",
  integer: "a whole number",
};
const OF_PARAMETER = /^parameter "(.+)"$/;
const NAMED_PARAMETER = /parameter "([^"]+)"|^parameters\.([^.]+)/;

export class JobForm {
  /**
   * @param {HTMLElement} root
   * @param {import("../app.js").Context} context
   * @param {() => void} queued called when something was queued
   */
  constructor(root, context, queued) {
    this._context = context;
    this._queued = queued;
    this._recipe = h("select", { id: "recipe" });
    this._about = h("p", { class: "field-hint" });
    this._fields = h("div", null);
    this._answer = h("div", { "aria-live": "polite" });
    /** @type {Map<string, {field: any, fault: HTMLElement}>} */
    this._inputs = new Map();
    /** @type {any[]} */
    this._recipes = [];
    /** @type {any[]} */
    this._antennas = [];
    /** @type {Map<string, HTMLSelectElement>} */
    this._days = new Map();
    /** @type {any} */
    this._more = null;
    const form = h(
      "form",
      { class: "job-form", novalidate: true, onsubmit: (/** @type {Event} */ event) => { event.preventDefault(); void this._check(); } },
      h("div", { class: "field" }, h("label", { for: "recipe" }, "Recipe"), this._recipe, this._about),
      this._fields,
      h(
        "fieldset",
        null,
        h("legend", null, `When, by the clock at the bench (${shownZone()})`),
        this._time("not_before", "Not before"),
        this._day("not_before", "Day of the start"),
        this._time("finish_by", "To end by"),
        this._day("finish_by", "Day of the end"),
      ),
      h("button", { type: "submit", class: "button-main" }, "Show what it would do"),
    );
    this._recipe.addEventListener("change", () => this._choose());
    form.addEventListener("input", () => fillWith(this._answer));
    root.append(h("h2", { id: "new" }, "Queue something"), form, this._answer);
  }

  /** @param {URLSearchParams} wanted `recipe` and values of its parameters, from a link */
  async open(wanted) {
    try {
      const [recipes, antennas] = await Promise.all([
        this._context.api.get("/api/recipes"),
        this._context.api.get("/api/antennas"),
      ]);
      this._recipes = recipes.filter((/** @type {any} */ one) => !one.error);
      this._antennas = antennas;
    } catch (error) {
      fillWith(this._answer, errorBox(error));
      return;
    }
    fillWith(
      this._recipe,
      this._recipes.map((one) => h("option", { value: one.name }, one.title || one.name)),
    );
    const first = this._recipes.find((one) => one.name === (wanted.get("recipe") ?? "return-loss"));
    if (first) this._recipe.value = first.name;
    this._choose();
    for (const [name, value] of wanted) {
      const input = this._inputs.get(name);
      if (!input) continue;
      input.field.value = value;
      if (this._more?.contains(input.field)) this._more.open = true;
    }
  }

  _choose() {
    const recipe = this._recipes.find((one) => one.name === this._recipe.value);
    fillWith(this._answer);
    if (!recipe) return;
    const about = recipe.about.split("\n\n")[0];
    say(this._about, about);
    for (const name of [...this._inputs.keys()]) {
      if (name !== "not_before" && name !== "finish_by") this._inputs.delete(name);
    }
    /** @type {[string, any][]} */
    const all = Object.entries(recipe.parameters);
    const needed = all.filter(([, one]) => isNeeded(one));
    const rest = all.filter(([, one]) => !isNeeded(one));
    this._more = h(
      "details",
      { class: "more" },
      h("summary", null, `Other settings (${rest.length}), where the usual ones are not wanted`),
      rest.map(([name, one]) => this._parameter(name, one)),
    );
    fillWith(
      this._fields,
      needed.map(([name, one]) => this._parameter(name, one)),
      rest.length > 0 && this._more,
    );
  }

  /**
   * @param {string} name
   * @param {any} parameter as /api/recipes gives it
   */
  _parameter(name, parameter) {
    const own = parameter.default;
    const free = !isNeeded(parameter);
    let field;
    if (parameter.kind === "antenna") {
      const names = this._antennas.map((one) => one.name);
      field = choice(names, free ? (own ?? "left to benchd") : "", own);
    } else if (parameter.kind === "choice") {
      field = choice(parameter.choices, "", own);
    } else if (parameter.kind === "yes-no") {
      field = choice(["yes", "no"], "", own === undefined ? undefined : own ? "yes" : "no");
    } else {
      field = h("input", { type: "text", autocomplete: "off", spellcheck: "false", value: own === undefined ? "" : String(own) });
    }
    if (own !== undefined) field.dataset.own = field.value;
    return this._labelled(name, words(name), field, hint(parameter));
  }

  /**
   * @param {string} name
   * @param {string} label
   */
  _time(name, label) {
    return this._labelled(name, label, h("input", { type: "time" }), "leave empty for any time");
  }

  /**
   * The day that a time is meant on; without one, the next on which the clock shows it.
   * @param {string} name
   * @param {string} label
   */
  _day(name, label) {
    const days = nextDays(DAYS_SHOWN).map((day) => h("option", { value: day }, day));
    const field = h("select", { id: `day-${name}` }, h("option", { value: "" }, "the next that fits"), days);
    this._days.set(name, field);
    return h("div", { class: "field" }, h("label", { for: field.id }, label), field);
  }

  /**
   * @param {string} name
   * @param {string} label
   * @param {any} field
   * @param {string} about
   */
  _labelled(name, label, field, about) {
    const id = `field-${name}`;
    const fault = h("p", { class: "field-fault", id: `${id}-fault`, role: "alert" });
    field.id = id;
    field.setAttribute("aria-describedby", `${id}-hint ${id}-fault`);
    this._inputs.set(name, { field, fault });
    return h("div", { class: "field" }, h("label", { for: id }, label), field, h("p", { class: "field-hint", id: `${id}-hint` }, about), fault);
  }

  /** What was filled in, as the API takes it. Throws where a time cannot be. */
  _body() {
    /** @type {Record<string, string>} */
    const args = {};
    for (const [name, { field }] of this._inputs) {
      if (name === "not_before" || name === "finish_by" || field.value.trim() === "") continue;
      if (field.value === field.dataset.own) continue; // the recipe says so itself
      args[name] = field.value.trim();
    }
    /** @type {any} */
    const body = { recipe: this._recipe.value, arguments: args };
    let after = Date.now();
    for (const name of ["not_before", "finish_by"]) {
      const text = this._inputs.get(name)?.field.value;
      if (!text) continue;
      const day = this._days.get(name)?.value;
      const moment = day ? timeOn(day, text) : nextTime(text, after);
      body[name] = moment.toISOString();
      after = moment.getTime();
    }
    return body;
  }

  async _check() {
    this._clear();
    fillWith(this._answer, h("p", { class: "quiet" }, "Working it out."));
    try {
      const body = this._body();
      const found = await this._context.api.post("/api/rehearse", body);
      this._offer(body, found);
    } catch (error) {
      this._refuse(error);
    }
  }

  _clear() {
    for (const { field, fault } of this._inputs.values()) {
      field.removeAttribute("aria-invalid");
      say(fault, "");
    }
  }

  /**
   * The reason beside the field that it is about; what is about none, below the form.
   * @param {any} error
   */
  _refuse(error) {
    /** @type {any[]} */
    const rest = [];
    let first = null;
    const problems = error.problems?.length > 0 ? error.problems : [error];
    for (const problem of problems) {
      const input = this._inputs.get(fieldOf(problem));
      if (!input) {
        rest.push(problem);
        continue;
      }
      if (this._more?.contains(input.field)) this._more.open = true;
      input.field.setAttribute("aria-invalid", "true");
      say(input.fault, problem.message);
      first ??= input.field;
    }
    fillWith(
      this._answer,
      rest.length === problems.length
        ? errorBox(error)
        : h("p", { class: "field-fault", role: "alert" }, "It is not taken like this; the reason stands beside the field."),
    );
    first?.focus();
  }

  /**
   * @param {any} body
   * @param {any} found as /api/rehearse gives it
   */
  _offer(body, found) {
    const own = found.jobs.find((/** @type {any} */ one) => one.id === "not-queued");
    const when =
      own.outcome === "missed"
        ? h("p", { class: "box box-bad" }, `It would miss its window: it ${own.why}.`)
        : h("p", { class: "box box-good" }, `It would run from ${clock(own.starts_at)} to ${clock(own.ends_at)}, about ${duration(own.needs_s)}. With it the queue: ${found.words}`);
    const accept = h("button", { type: "button", class: "button-main button-big" }, "Queue it");
    accept.addEventListener("click", async () => {
      accept.disabled = true;
      try {
        await this._context.api.post("/api/jobs", body);
        this._context.announce(`Queued: ${found.worksheet.title}`);
        fillWith(this._answer);
        this._queued();
      } catch (error) {
        this._refuse(error);
      }
    });
    fillWith(this._answer, h("h3", { class: "apart", tabindex: "-1" }, "What it would do"), when, worksheetView(found.worksheet, found.text), accept);
    /** @type {any} */ (this._answer.querySelector("h3")).focus();
  }
}

/**
 * @param {string[]} names
 * @param {string} empty what stands for "none given"; empty where one must be chosen
 * @param {string | undefined} chosen
 */
function choice(names, empty, chosen) {
  const first = chosen === undefined ? [h("option", { value: "" }, empty || "choose one")] : [];
  const field = h("select", null, first, names.map((name) => h("option", { value: name }, name)));
  if (chosen !== undefined) field.value = chosen;
  return field;
}

/**
 * Whether a person has to fill it in: nothing else says what it is to be.
 * @param {any} parameter
 */
function isNeeded(parameter) {
  return parameter.default === undefined && !parameter.of && !parameter.choose;
}

/** @param {any} parameter */
function hint(parameter) {
  const parts = [];
  if (parameter.about) parts.push(parameter.about);
  if (EXAMPLES[parameter.kind]) parts.push(EXAMPLES[parameter.kind]);
  if (parameter.least !== undefined) parts.push(`at least ${parameter.least}`);
  if (parameter.most !== undefined) parts.push(`at most ${parameter.most}`);
  if (parameter.of) parts.push(`where it is left empty it follows from ${words(parameter.of).toLowerCase()}`);
  return parts.join("; ");
}

/** @param {any} problem */
function fieldOf(problem) {
  const whole = OF_PARAMETER.exec(problem.file ?? "");
  if (whole) return whole[1];
  const named = NAMED_PARAMETER.exec(`${problem.key ?? ""} ${problem.where ?? ""}`.trim());
  return named ? (named[1] ?? named[2]) : "";
}

/** @param {string} name */
function words(name) {
  const text = name.replaceAll("_", " ");
  return text.charAt(0).toUpperCase() + text.slice(1);
}

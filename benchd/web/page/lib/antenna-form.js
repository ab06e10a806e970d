/** The form for a new antenna or a new revision, in one step, with each refusal beside its field. */

import { errorBox, fillWith, h, say } from "./dom.js";

/** @typedef {import("./api.js").Api} Api */

/**
 * @typedef {object} Field
 * @property {string} key    as the daemon takes it
 * @property {string} label
 * @property {string} hint
 */

/** @type {Field[]} */
const LENGTHS = [
  { key: "arm", label: "Length of one arm", hint: "such as 41.2 mm" },
  { key: "largest_dimension", label: "Largest dimension", hint: "such as 83 mm" },
];

/** @type {Field[]} */
const MORE = [
  { key: "revision", label: "Revision", hint: "without it, the end of a name such as dipole r4" },
  { key: "design_frequency", label: "Design frequency", hint: "such as 1.7 GHz" },
  { key: "type", label: "Type", hint: "dipole, monopole, loop, yagi, patch, helix, log-periodic or other" },
  { key: "arms", label: "Number of arms", hint: "arms that a trim shortens alike" },
  { key: "arm_uncertainty", label: "Uncertainty of the arm's length", hint: "such as 0.3 mm" },
  { key: "diameter", label: "Diameter of the arm", hint: "such as 1 mm" },
  { key: "note", label: "Note", hint: "anything a person should know" },
];

const NEW_NEEDS = ["design_frequency", "largest_dimension", "type"];
const COUNTED = /^(.*?)(\d+)([a-z]?)$/;

/**
 * The name that a revision would have next: "dipole r5" after "dipole r4".
 * @param {string} name
 * @param {string[]} taken
 * @returns {string}
 */
export function nextName(name, taken) {
  const parts = COUNTED.exec(name);
  if (!parts) return `${name} r2`;
  for (let number = Number(parts[2]) + 1; ; number += 1) {
    const next = `${parts[1]}${String(number).padStart(parts[2].length, "0")}`;
    if (!taken.includes(next)) return next;
  }
}

/** @param {string} name */
function stem(name) {
  return name.replace(/ [^ ]*$/, "").toLowerCase();
}

/**
 * The form. `done` is called with the antenna once it stands in the register.
 * @param {Api} api
 * @param {{start: string | null, taken: string[], now: Record<string, string>,
 *   done: (antenna: any) => void}} how
 *   start: antenna that it is a revision of; now: what is stated of it, in words, by key
 * @returns {HTMLElement}
 */
export function antennaForm(api, how) {
  const isNew = how.start === null;
  const first = isNew ? MORE.filter((one) => NEW_NEEDS.includes(one.key)) : [];
  const shown = [...first, ...LENGTHS];
  const more = MORE.filter((one) => !shown.includes(one));
  const name = entry(
    { key: "name", label: "Name", hint: isNew ? "such as patch r1" : "its own, with the new revision at its end" },
    how.start === null ? "" : nextName(how.start, how.taken),
  );
  const entries = new Map([...shown, ...more].map((one) => [one.key, entry(one, "", how.now[one.key])]));
  const faults = h("div", { "aria-live": "assertive" });
  const button = h("button", { type: "submit", class: "button button-main" }, isNew ? "Add the antenna" : "Add the revision");
  const form = h(
    "form",
    {
      class: "antenna-form",
      novalidate: true,
      onsubmit: (/** @type {Event} */ event) => {
        event.preventDefault();
        void send();
      },
    },
    name.box,
    shown.map((one) => entries.get(one.key)?.box),
    h("details", null, h("summary", null, "More"), more.map((one) => entries.get(one.key)?.box)),
    faults,
    button,
  );

  async function send() {
    for (const one of [name, ...entries.values()]) one.fault("");
    fillWith(faults);
    const called = name.input.value.trim();
    if (!called) {
      name.fault("A name is needed.");
      name.input.focus();
      return;
    }
    /** @type {Record<string, string>} */
    const changes = {};
    for (const [key, one] of entries) {
      if (one.input.value.trim()) changes[key] = one.input.value.trim();
    }
    if (how.start !== null && stem(called) !== stem(how.start)) changes.revises = how.start;
    button.disabled = true;
    try {
      how.done(await api.post("/api/antennas", { name: called, start: how.start, changes }));
    } catch (error) {
      tell(error);
    } finally {
      button.disabled = false;
    }
  }

  /** @param {any} error */
  function tell(error) {
    const left = [];
    let focused = false;
    for (const problem of error.problems ?? []) {
      const key = String(problem.key ?? "").split(".").pop() ?? "";
      const one = key === "" || /expected a name/.test(problem.message) ? name : entries.get(key);
      if (!one) {
        left.push(problem);
        continue;
      }
      one.fault(`${problem.message}.`.replace(/\.\.$/, "."));
      if (!focused) reveal(one);
      focused = true;
    }
    const named = /^there is an antenna "|^name: /.test(error.message ?? "") && !focused;
    if (named && !(error.problems ?? []).length) {
      name.fault([error.message, error.advice].filter(Boolean).join(" "));
      reveal(name);
    } else if (!focused || left.length) {
      fillWith(faults, errorBox(error));
    }
  }

  return form;
}

/** @param {{input: HTMLInputElement}} one */
function reveal(one) {
  const folded = one.input.closest("details");
  if (folded) folded.open = true;
  one.input.focus();
}

/**
 * @param {Field} field
 * @param {string} value
 * @param {string} [now]
 */
function entry(field, value, now) {
  const id = `antenna-${field.key}`;
  const input = h("input", {
    id, name: field.key, value, autocomplete: "off", spellcheck: "false",
    "aria-describedby": `${id}-hint ${id}-fault`,
  });
  const said = h("p", { id: `${id}-fault`, class: "field-fault" });
  const hint = now ? `${field.hint}; now ${now}` : field.hint;
  return {
    input,
    box: h("div", { class: "field" }, h("label", { for: id }, field.label), input, h("p", { id: `${id}-hint`, class: "field-hint" }, hint), said),
    /** @param {string} text */
    fault(text) {
      say(said, text);
      if (text) input.setAttribute("aria-invalid", "true");
      else input.removeAttribute("aria-invalid");
    },
  };
}

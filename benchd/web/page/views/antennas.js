/** Antennas: the register, with the revisions of one antenna together. */

import { antennaForm } from "../lib/antenna-form.js";
import { fillWith, h } from "../lib/dom.js";

export const title = "Antennas";

/** @param {string} name */
export function storyAddress(name) {
  return `#/antenna/${encodeURIComponent(name)}`;
}

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 */
export async function show(root, context) {
  const list = h("ul", { class: "grid plain" });
  const add = h("details", { class: "card" }, h("summary", null, "Add an antenna"));
  fillWith(root, h("h1", null, "Antennas"), list, add);
  const families = await context.api.get("/api/stories");
  fillWith(list, families.map(card));
  if (families.length === 0) {
    list.before(h("p", { class: "quiet" }, "The register is empty. Add the first antenna below."));
  }
  const form = antennaForm(context.api, {
    start: null,
    taken: families.flatMap((/** @type {any} */ one) => one.antennas),
    now: {},
    done: (antenna) => {
      context.announce(`${antenna.name} stands in the register.`);
      location.hash = storyAddress(antenna.name);
    },
  });
  add.append(form);
}

/** @param {any} family */
function card(family) {
  const newest = family.antennas[family.antennas.length - 1];
  return h(
    "li",
    { class: "card" },
    h("h2", null, h("a", { href: storyAddress(newest) }, family.name)),
    family.design && h("p", { class: "quiet" }, `designed for ${family.design}`),
    h(
      "ul",
      { class: "plain row" },
      family.antennas.map((/** @type {string} */ name) =>
        h(
          "li",
          null,
          h("a", { class: "button", href: storyAddress(name) }, name),
          !family.measured.includes(name) && h("span", { class: "quiet" }, " not measured yet"),
        ),
      ),
    ),
  );
}

/** The field in which one antenna of the register is chosen to be worked on. */

import { h } from "./dom.js";

/**
 * A reference antenna stands there too, but never first: nobody files what all gains rest on.
 * @param {string} id  of the field
 * @param {any[]} antennas  as the register lists them
 * @param {string | null} [chosen]  without it, the newest that can be trimmed
 * @returns {HTMLSelectElement}
 */
export function antennaChoice(id, antennas, chosen) {
  const names = antennas.map((one) => one.name);
  const field = /** @type {HTMLSelectElement} */ (h("select", { id }, names.map((name) => h("option", null, name))));
  const worked = antennas.filter((one) => !one.reference);
  const usual = worked.filter((one) => one.trim).at(-1) ?? worked.at(-1);
  if (chosen && names.includes(chosen)) field.value = chosen;
  else if (usual) field.value = usual.name;
  return field;
}

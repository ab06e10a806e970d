/** Correcting a length that was typed in wrongly, after its look. */

import { errorBox, fillWith, h } from "./dom.js";
import { number } from "./format.js";

export class TrimCorrection {
  /**
   * @param {(look: number, removed: number) => Promise<any>} correct gives the order; removed in mm
   * @param {(text: string) => number | null | undefined} millimetres reads a typed length
   */
  constructor(correct, millimetres) {
    this._correct = correct;
    this._millimetres = millimetres;
    this._count = 0;
    this._look = h("select", { id: "trim-correct-look" });
    this._input = h("input", { id: "trim-correct-length", inputmode: "decimal", autocomplete: "off" });
    this._fault = h("div", null);
    this._button = h("button", { type: "submit" }, "Correct it");
    this.element = h(
      "details",
      { class: "hidden" },
      h("summary", null, "A length was typed in wrongly"),
      h(
        "form",
        {
          onsubmit: (/** @type {Event} */ event) => {
            event.preventDefault();
            void this._send();
          },
        },
        h("div", { class: "field" }, h("label", { for: "trim-correct-look" }, "Taken off before"), this._look),
        h("div", { class: "field" }, h("label", { for: "trim-correct-length" }, "Really taken off each arm, mm"), this._input),
        this._fault,
        this._button,
      ),
    );
  }

  /**
   * Offer the looks of a session that goes on.
   * @param {any[]} looks
   * @param {boolean} goesOn
   */
  show(looks, goesOn) {
    this.element.classList.toggle("hidden", !goesOn || looks.length < 2);
    if (looks.length === this._count) return;
    this._count = looks.length;
    const choices = looks.slice(1).reverse();
    fillWith(this._look, choices.map((look) => h("option", { value: String(look.number) }, `Look ${look.number}`)));
  }

  async _send() {
    const removed = this._millimetres(this._input.value);
    if (removed === undefined || removed === null) {
      fillWith(this._fault, errorBox({ message: "Give a length in mm, such as 0.4, from 0 to 1000.", advice: "" }));
      this._input.focus();
      return;
    }
    this._button.disabled = true;
    try {
      await this._correct(Number(this._look.value), removed);
      fillWith(this._fault);
      this._input.value = "";
      this.element.open = false;
    } catch (error) {
      fillWith(this._fault, errorBox(error));
    } finally {
      this._button.disabled = false;
    }
  }
}

/**
 * What was taken off before a look, and what had been typed before it was corrected.
 * @param {any} look
 */
export function removedWords(look) {
  if (look.number === 1) return "";
  const words = (/** @type {number | null} */ one) => (one === null ? "not said" : `${number(one * 1e3, 3)} mm`);
  const earlier = look.earlier_removed_m ?? [];
  return earlier.length === 0 ? words(look.removed_m) : `${words(look.removed_m)} (typed before: ${earlier.map(words).join(", ")})`;
}

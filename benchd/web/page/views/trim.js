/** Trim: choosing the antenna that is trimmed by sight, and the sessions there have been. */

import { antennaChoice } from "../lib/antenna-choice.js";
import { errorBox, fillWith, h } from "../lib/dom.js";
import { dateTime, duration, frequency, number, stateWords } from "../lib/format.js";
import { TrimSession } from "../lib/trim-session.js";

export const title = "Trim";

/** Fields beside the antenna, by the names that the daemon asks for. */
const MORE = [
  ["design_frequency", "Frequency to trim to", "the antenna's own"],
  ["span", "Width of each look", "by the antenna's type"],
  ["level", "Level", "-10 dBm"],
  ["max_age", "Oldest open and short that will do", "12 h"],
  ["patience", "How long the bench waits for you", "1 h"],
  ["route", "Route", "the first reflection route"],
  ["position", "Position", "that of the antenna"],
];

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 * @param {import("../app.js").Params} params
 */
export async function show(root, context, params) {
  if (!params.item) {
    await new Beginning(root, context).show(params.query.get("antenna"));
    return undefined;
  }
  const session = new TrimSession(root, context, params.item);
  await session.begin();
  return () => session.leave();
}

/** Choosing the antenna, and the worksheet before anything is queued. */
class Beginning {
  /**
   * @param {HTMLElement} root
   * @param {import("../app.js").Context} context
   */
  constructor(root, context) {
    this._context = context;
    this._body = h("div", { class: "stack" });
    this._past = h("div", null);
    fillWith(root, h("h1", null, "Trim by sight"), this._body, this._past);
  }

  /** @param {string | null} antenna chosen by the link that led here */
  async show(antenna) {
    const [antennas, sessions] = await Promise.all([
      this._context.api.get("/api/antennas"),
      this._context.api.get("/api/trim"),
    ]);
    this._form(antennas, antenna);
    this._sessions(sessions);
  }

  /**
   * @param {any[]} antennas
   * @param {string | null} chosen
   */
  _form(antennas, chosen) {
    const antenna = antennaChoice("trim-antenna", antennas, chosen);
    const start = h(
      "select",
      { id: "trim-start" },
      h("option", { value: "button" }, "The button on this page, or Enter in the terminal"),
      h("option", { value: "lid" }, "Closing the lid too"),
    );
    const looks = h("input", { id: "trim-looks", inputmode: "numeric", value: "20", autocomplete: "off" });
    const fields = MORE.map(([name, words, hint]) => {
      const input = h("input", { id: `trim-${name}`, placeholder: hint, autocomplete: "off", spellcheck: "false" });
      return { name, input, row: h("div", { class: "field" }, h("label", { for: `trim-${name}` }, words), input) };
    });
    const refused = h("div", null);
    const form = h(
      "form",
      {
        class: "card",
        onsubmit: async (/** @type {Event} */ event) => {
          event.preventDefault();
          /** @type {Record<string, any>} */
          const wanted = { antenna: antenna.value, start: start.value, looks: Number(looks.value) };
          for (const { name, input } of fields) if (input.value.trim()) wanted[name] = input.value.trim();
          try {
            this._worksheet(await this._context.api.post("/api/trim/check", wanted), wanted, antennas);
          } catch (error) {
            fillWith(refused, errorBox(error));
          }
        },
      },
      h(
        "p",
        null,
        "Take a look, take off what it advises, look again. RF is on for each look only, about a second, " +
          "and is verified off before you are asked to cut.",
      ),
      refused,
      h("div", { class: "field" }, h("label", { for: "trim-antenna" }, "Antenna"), antenna),
      h("div", { class: "field" }, h("label", { for: "trim-start" }, "What starts a look"), start),
      h(
        "details",
        null,
        h("summary", null, "More settings"),
        h("div", { class: "field" }, h("label", { for: "trim-looks" }, "Most looks"), looks),
        fields.map((one) => one.row),
      ),
      h("button", { class: "button button-main", type: "submit" }, "Show the worksheet"),
    );
    fillWith(this._body, form);
  }

  /**
   * @param {any} worksheet
   * @param {any} wanted
   * @param {any[]} antennas
   */
  _worksheet(worksheet, wanted, antennas) {
    const refused = h("div", null);
    const captures = worksheet.steps.filter((/** @type {any} */ step) => step.kind === "capture");
    const newBaselines = captures.some((/** @type {any} */ step) => step.role === "open");
    const sweep = captures[captures.length - 1].sweep;
    const begin = h(
      "button",
      {
        type: "button",
        class: "button button-main",
        onclick: async () => {
          begin.disabled = true;
          try {
            const job = await this._context.api.post("/api/trim", wanted);
            location.hash = `#/trim/${job.id}`;
          } catch (error) {
            begin.disabled = false;
            fillWith(refused, errorBox(error));
          }
        },
      },
      "Begin",
    );
    fillWith(
      this._body,
      h(
        "section",
        { class: "card", "aria-labelledby": "trim-sheet" },
        h("h2", { id: "trim-sheet" }, worksheet.title),
        h(
          "p",
          null,
          `Each look: ${sweep.points} points from ${frequency(sweep.start_hz)} to ${frequency(sweep.stop_hz)}, ` +
            `${number(sweep.level_dbm, 2)} dBm at the source, about ${duration(captures[captures.length - 1].expected_s)}.`,
        ),
        h(
          "p",
          null,
          newBaselines
            ? "No stored open and short fit. They are measured first, after you have said that your hands are out."
            : "Stored open and short fit, so the first look comes at once.",
        ),
        h(
          "p",
          null,
          wanted.start === "lid"
            ? "A look starts 1 s after the lid was opened and closed again, or by the button. While the lid is open RF stays off."
            : "A look starts by the button alone, or by Enter in a terminal.",
        ),
      ),
      h(
        "section",
        { class: "box box-warn", "aria-labelledby": "trim-mind" },
        h("h2", { id: "trim-mind" }, "Mind before RF goes on"),
        h("ul", null, worksheet.cautions.map((/** @type {string} */ one) => h("li", null, one))),
      ),
      refused,
      h(
        "div",
        { class: "row" },
        begin,
        h("button", { type: "button", onclick: () => this._form(antennas, wanted.antenna) }, "Change something"),
      ),
    );
    begin.focus();
  }

  /** @param {any[]} sessions */
  _sessions(sessions) {
    if (sessions.length === 0) return;
    fillWith(
      this._past,
      h(
        "section",
        { class: "card apart", "aria-labelledby": "trim-past" },
        h("h2", { id: "trim-past" }, "Sessions"),
        h(
          "ul",
          { class: "plain" },
          sessions.slice(0, 20).map((job) =>
            h(
              "li",
              null,
              h("a", { href: `#/trim/${job.id}` }, job.title),
              ` · ${dateTime(job.created_at)} · ${stateWords(job.state)}`,
            ),
          ),
        ),
      ),
    );
  }
}

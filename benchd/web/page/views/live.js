/** Live: an antenna seen sweep after sweep while somebody adjusts it. RF is on while this looks. */

import { antennaChoice } from "../lib/antenna-choice.js";
import { errorBox, fillWith, h, say } from "../lib/dom.js";
import { duration, frequency, number } from "../lib/format.js";
import { LivePicture } from "../lib/live-picture.js";
import { LiveViewer } from "../lib/live-viewer.js";

export const title = "Live";

const SPEAK_EVERY_MS = 5000;

/** Fields beside the antenna, by the names that the daemon asks for. */
const MORE = [
  ["centre", "Wanted frequency", "the antenna's own"],
  ["span", "Width of the sweep", "by the antenna's type"],
  ["points", "Points", "41"],
  ["level", "Level", "that of the baselines"],
  ["time", "Time until RF goes off", "5 min"],
  ["route", "Route", "the only reflection route"],
  ["position", "Position", "that of the antenna"],
];

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 */
export async function show(root, context) {
  const view = new View(root, context);
  await view.begin();
  return () => view.leave();
}

class View {
  /**
   * @param {HTMLElement} root
   * @param {import("../app.js").Context} context
   */
  constructor(root, context) {
    this._context = context;
    this._api = context.api;
    this._body = h("div", { class: "stack" });
    /** @type {LiveViewer | null} */
    this._viewer = null;
    this._picture = new LivePicture();
    this._left = false;
    fillWith(root, h("h1", null, "Live look"), this._body);
  }

  /** The view is left: so does the viewer, and RF goes off with the last one. */
  leave() {
    this._left = true;
    this._viewer?.leave();
    this._picture.close();
  }

  async begin() {
    const [look, antennas] = await Promise.all([this._api.get("/api/live"), this._api.get("/api/antennas")]);
    if (look.state === "starting" || look.state === "on") this._offerToJoin(look, antennas);
    else this._form(antennas);
  }

  /**
   * @param {any} look
   * @param {any[]} antennas
   */
  _offerToJoin(look, antennas) {
    fillWith(
      this._body,
      h(
        "section",
        { class: "card" },
        h("p", null, `Somebody looks at ${look.antenna} on ${look.route} now, with RF on.`),
        h(
          "div",
          { class: "row" },
          this._button("Look too", () => this._look("/api/live/join"), "button-main"),
          this._button("End it for everybody", async () => {
            await this._order("/api/live", { method: "DELETE" });
            this._form(antennas);
          }),
        ),
      ),
    );
  }

  /**
   * @param {any[]} antennas
   * @param {any} [fault] why the last attempt was refused
   */
  _form(antennas, fault) {
    const antenna = antennaChoice("live-antenna", antennas);
    const shown = h(
      "select",
      { id: "live-show" },
      h("option", { value: "" }, "Return loss, or a level over a thru"),
      h("option", { value: "level" }, "Plain level, without a baseline"),
    );
    const lid = h(
      "select",
      { id: "live-lid" },
      h("option", { value: "" }, "Closed"),
      h("option", { value: "open" }, "Open on purpose, at little power"),
    );
    const fields = MORE.map(([name, words, hint]) => {
      const input = h("input", { id: `live-${name}`, placeholder: hint, autocomplete: "off", spellcheck: "false" });
      return { name, input, row: h("div", { class: "field" }, h("label", { for: `live-${name}` }, words), input) };
    });
    const refused = h("div", null, fault && errorBox(fault));
    const form = h(
      "form",
      {
        class: "card",
        onsubmit: async (/** @type {Event} */ event) => {
          event.preventDefault();
          /** @type {Record<string, string>} */
          const given = { show: shown.value, lid: lid.value };
          for (const { name, input } of fields) given[name] = input.value.trim();
          for (const name of Object.keys(given)) if (!given[name]) delete given[name];
          try {
            const plan = await this._api.post("/api/live/prepare", { what: antenna.value, arguments: given });
            if (!this._left) this._worksheet(plan, antennas);
          } catch (error) {
            fillWith(refused, errorBox(error));
          }
        },
      },
      h("p", null, "See the match move while you adjust an antenna by hand. Nothing is stored unless you keep it."),
      refused,
      h("div", { class: "field" }, h("label", { for: "live-antenna" }, "Antenna"), antenna),
      h(
        "details",
        null,
        h("summary", null, "More settings"),
        h("div", { class: "field" }, h("label", { for: "live-show" }, "Show"), shown),
        h("div", { class: "field" }, h("label", { for: "live-lid" }, "Lid of the box"), lid),
        fields.map((one) => one.row),
      ),
      h("button", { class: "button button-main", type: "submit" }, "Show the worksheet"),
    );
    fillWith(this._body, form);
  }

  /**
   * What will be done, before anything is switched on.
   * @param {any} plan
   * @param {any[]} antennas
   */
  _worksheet(plan, antennas) {
    const step = plan.worksheet.steps[0];
    const levels = step.levels.map((/** @type {any} */ row) =>
      h(
        "tr",
        null,
        h("th", { scope: "row" }, row.element),
        h("td", { class: "num" }, `${number(row.level_dbm, 1)} dBm`),
        h("td", { class: "num" }, row.limit_dbm === null ? "unknown" : `${number(row.limit_dbm, 1)} dBm`),
      ),
    );
    const refused = h("div", null);
    const start = this._button(
      "Switch RF on and look",
      () => this._look("/api/live", { worksheet: plan.hash }),
      "button-main button-big",
      (error) => fillWith(refused, errorBox(error)),
    );
    fillWith(
      this._body,
      h(
        "section",
        { class: "card stack", "aria-labelledby": "live-sheet" },
        h("h2", { id: "live-sheet" }, plan.worksheet.title),
        h("p", null, `About ${number(plan.sweep_s, 1)} s a sweep, for ${duration(plan.for_s)} at most unless you ask for more.`),
        h(
          "div",
          { class: "box box-warn" },
          h("p", { class: "box-title" }, "Mind before RF goes on"),
          h(
            "ul",
            null,
            [...plan.worksheet.cautions, ...step.cautions].map((/** @type {string} */ one) => h("li", null, one)),
          ),
        ),
        h(
          "details",
          null,
          h("summary", null, "Levels along the way"),
          h(
            "div",
            { class: "table", tabindex: "0", role: "group", "aria-label": "Levels along the way" },
            h(
              "table",
              null,
              h("thead", null, h("tr", null, h("th", { scope: "col" }, "Part"), h("th", { scope: "col", class: "num" }, "Highest level"), h("th", { scope: "col", class: "num" }, "Limit"))),
              h("tbody", null, levels),
            ),
          ),
        ),
        refused,
        start,
        h("div", { class: "row" }, this._button("Not now", async () => this._form(antennas))),
      ),
    );
    start.focus();
  }

  /**
   * Become a viewer, and show what comes.
   * @param {string} path of start or join
   * @param {any} [body]
   */
  async _look(path, body = {}) {
    const { tick } = await this._api.get("/api/live/tick");
    const look = await this._api.post(path, { ...body, seen: tick });
    if (this._left) {
      // The view was left while RF was being asked for.
      new LiveViewer(this._api, look, () => {}).leave();
      return;
    }
    this._watch(look);
  }

  /** @param {any} first the look, with this viewer's id */
  _watch(first) {
    const now = { look: first, sweep: null, at: performance.now(), spoken: 0, kept: 0 };
    const state = h("p", { class: "quiet" }, "RF goes on as soon as the bench is free.");
    const facts = h("p", { class: "live-facts" });
    const spoken = h("p", { class: "seen-by-readers-only", role: "status" });
    const trouble = h("div", null);
    const kept = h("ul", { class: "plain", "aria-label": "Kept sweeps" });
    const keep = this._button("Keep this one", () => this._keep(now, kept), "button-main");
    keep.disabled = true;
    const more = this._button("More time", () => this._api.post("/api/live/renew"));
    const off = this._button("Leave: RF off", async () => {
      this._viewer?.leave();
      this._ended(null, kept);
    }, "button-bad");
    fillWith(
      this._body,
      h(
        "section",
        { class: "card stack" },
        h("h2", null, `${first.antenna} on ${first.route}`),
        state,
        this._picture.element,
        facts,
        spoken,
        trouble,
        h("div", { class: "row" }, keep, more, off),
        kept,
      ),
    );
    const clock = setInterval(() => {
      const left = now.look.left_s - (performance.now() - now.at) / 1000;
      say(state, stateWords(now.look, left));
    }, 1000);
    this._viewer = new LiveViewer(this._api, first, (kind, data) => {
      if (kind === "look") {
        [now.look, now.at] = [data, performance.now()];
        say(state, stateWords(data, data.left_s));
      } else if (kind === "sweep") {
        now.sweep = data;
        keep.disabled = false;
        this._picture.draw(now.look, data);
        say(facts, sweepWords(now.look, data));
        fillWith(trouble, data.trouble && h("div", { class: "box box-warn" }, h("p", null, data.trouble)));
        if (performance.now() - now.spoken > SPEAK_EVERY_MS) {
          now.spoken = performance.now();
          say(spoken, sweepWords(now.look, data));
        }
      } else if (kind === "ended" || kind === "lost") {
        clearInterval(clock);
        this._ended(kind === "lost" ? { message: data.message, advice: "" } : data.ending, kept);
      }
    });
    off.focus();
  }

  /**
   * @param {any} now
   * @param {HTMLElement} kept
   */
  async _keep(now, kept) {
    const stored = await this._api.post("/api/live/keep", { sweep: now.sweep.number });
    const best = stored.results.filter((/** @type {any} */ one) =>
      ["return_loss", "resonance_frequency", "resonance_return_loss"].includes(one.result.quantity),
    );
    kept.append(
      h(
        "li",
        { class: "run" },
        h("p", null, h("strong", null, `Kept as ${stored.capture}`), `, job ${stored.job}`),
        stored.state === "failed" && h("p", { class: "flags" }, stored.message),
        h("ul", null, best.map((/** @type {any} */ one) => h("li", null, resultWords(one)))),
      ),
    );
    this._context.announce(`Kept as ${stored.capture}.`);
  }

  /**
   * @param {any} ending why it ended; null where this viewer left
   * @param {HTMLElement} kept
   */
  _ended(ending, kept) {
    if (this._left) return;
    this._viewer = null;
    const failed = ending !== null && ending.reason === "failed";
    const words = ending === null ? "You look no more." : `The live look has ended: ${ending.message}.`;
    fillWith(
      this._body,
      h(
        "section",
        { class: "card stack" },
        h(
          "div",
          { class: failed ? "box box-bad" : "box", role: "alert" },
          h("p", { class: "box-title" }, words),
          ending?.where && h("p", null, ending.where),
          ending?.advice && h("p", null, ending.advice),
          h("p", null, "The bar at the top tells whether RF is off."),
        ),
        kept.children.length > 0 && kept,
        h("div", { class: "row" }, this._button("Look again", () => this.begin(), "button-main")),
      ),
    );
  }

  /**
   * @param {string} path
   * @param {RequestInit} options
   */
  async _order(path, options) {
    const response = await this._api.fetch(path, options);
    if (!response.ok) throw await response.json();
  }

  /**
   * A button that does one thing at a time, and says what was refused.
   * @param {string} words
   * @param {() => Promise<any>} act
   * @param {string} [style]
   * @param {(error: any) => void} [refused]
   */
  _button(words, act, style = "", refused = (error) => this._context.announce(error.message, true)) {
    const button = h(
      "button",
      {
        type: "button",
        class: `button ${style}`,
        onclick: async () => {
          if (button.getAttribute("aria-busy") === "true") return;
          button.setAttribute("aria-busy", "true");
          try {
            await act();
          } catch (error) {
            refused(error);
          } finally {
            button.removeAttribute("aria-busy");
          }
        },
      },
      words,
    );
    return button;
  }
}

/**
 * @param {any} look
 * @param {number} left seconds
 */
function stateWords(look, left) {
  const who = look.viewers === 1 ? "one person looks" : `${look.viewers} look`;
  const on = look.state === "on" ? "RF is on" : "RF goes on as soon as the bench is free";
  return `${on}; it goes off in ${duration(Math.max(0, left))} unless you ask for more time; ${who}.`;
}

/**
 * @param {any} look
 * @param {any} sweep
 */
function sweepWords(look, sweep) {
  const word = look.shown === "return-loss" ? "Deepest" : "Highest";
  const parts = [`${word} ${number(sweep.peak.value, 1)} ${look.unit} at ${frequency(sweep.peak.frequency_hz)}`];
  const here = nearest(look.frequency_hz, look.wanted_hz);
  if (here >= 0) parts.push(`${number(sweep.values[here], 1)} ${look.unit} at ${frequency(look.frequency_hz[here])}`);
  if (sweep.range_db) {
    const most = Math.max(...sweep.range_db);
    const at = look.frequency_hz[sweep.range_db.indexOf(most)];
    parts.push(`the last ${sweep.sweeps} sweeps differ by up to ${number(most, 2)} dB, at ${frequency(at)}`);
  }
  return `${parts.join("; ")}.`;
}

/**
 * Index of the frequency next to the wanted one; -1 where that lies outside.
 * @param {number[]} grid
 * @param {number} wanted
 */
function nearest(grid, wanted) {
  if (wanted < grid[0] || wanted > grid[grid.length - 1]) return -1;
  return grid.reduce((best, hertz, index) => (Math.abs(hertz - wanted) < Math.abs(grid[best] - wanted) ? index : best), 0);
}

/** @param {any} one a result record */
function resultWords(one) {
  const at = one.result.frequency_hz ? ` at ${frequency(one.result.frequency_hz)}` : "";
  return `${one.result.quantity.replaceAll("_", " ")}${at}: ${one.text ?? one.result.text}`;
}

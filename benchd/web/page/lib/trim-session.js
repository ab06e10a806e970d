/** A session of trimming by sight: each look draws its dip over the earlier ones and says what is left. */

import { errorBox, fillWith, h, say } from "./dom.js";
import { clock, frequency, number, stateWords } from "./format.js";
import { plotCurves } from "./plot.js";
import { TrimCorrection, removedWords } from "./trim-correction.js";

const ASK_EVERY_MS = 15_000;
const ENDED = new Set(["done", "failed", "withdrawn", "missed"]);
const NEWEST_LOOK = { colour: 1, dash: 0 };

/** One session: what to do now, the dips over each other, and the looks so far. */
export class TrimSession {
  /**
   * @param {HTMLElement} root
   * @param {import("../app.js").Context} context
   * @param {string} job
   */
  constructor(root, context, job) {
    this._api = context.api;
    this._context = context;
    this._job = job;
    this._heading = h("h1", null, "Trim by sight");
    this._state = h("p", { class: "quiet", role: "status" });
    this._fault = h("div", null);
    this._ask = h("div", { class: "wide", "aria-live": "polite" });
    this._advice = h("section", { class: "card", "aria-labelledby": "trim-advice", "aria-live": "polite" });
    this._picture = h("section", { class: "card", "aria-labelledby": "trim-dips" });
    this._table = h("section", { class: "card wide", "aria-labelledby": "trim-looks-head" });
    /** @type {import("./plot.js").Plot | null} */
    this._plot = null;
    this._asked = "";
    this._drawn = "";
    this._correction = new TrimCorrection(
      async (look, removed) => {
        await this._api.post(`/api/jobs/${this._job}/correct`, { look, removed_mm: removed });
        this._context.announce(`Look ${look}: ${number(removed, 3)} mm counts now.`);
        void this._refresh();
      },
      millimetres,
    );
    this._typed = "";
    this._ends = /** @type {(() => void)[]} */ ([]);
    fillWith(
      root,
      this._heading,
      this._state,
      this._fault,
      h("div", { class: "grid grid-now" }, this._ask, this._advice, this._picture, this._table),
    );
  }

  async begin() {
    const again = () => void this._refresh();
    const ours = (/** @type {any} */ data) => {
      if (data.job === this._job) again();
    };
    for (const kind of ["job", "hands", "result", "capture"]) this._ends.push(this._context.stream.on(kind, ours));
    this._ends.push(this._context.stream.on("open", again));
    const timer = setInterval(again, ASK_EVERY_MS);
    this._ends.push(() => clearInterval(timer));
    await this._refresh();
  }

  leave() {
    this._ends.forEach((end) => end());
    this._plot?.close();
  }

  /** Read the session anew; a call while one is under way is made up for afterwards. */
  async _refresh() {
    if (this._reading) {
      this._readAgain = true;
      return;
    }
    this._reading = true;
    try {
      do {
        this._readAgain = false;
        const session = await this._api.get(`/api/jobs/${this._job}/trim`);
        fillWith(this._fault);
        this._draw(session);
      } while (this._readAgain);
    } catch (error) {
      fillWith(this._fault, errorBox(error));
    } finally {
      this._reading = false;
    }
  }

  /** @param {any} session */
  _draw(session) {
    say(this._heading, `Trimming ${session.antenna}`);
    const words = session.state === "running" ? `runs: ${session.message}` : stateWords(session.state);
    say(
      this._state,
      `It ${words}. ${session.looks.length} of at most ${session.looks_most} looks are taken. ` +
        `Design frequency ${frequency(session.design_frequency_hz)}.`,
    );
    this._drawAsk(session);
    const reduced = session.looks.filter((/** @type {any} */ look) => Object.keys(look.results).length > 0);
    this._correction.show(reduced, !ENDED.has(session.state));
    const key = JSON.stringify(reduced.map((/** @type {any} */ look) => [look.removed_m, look.results.trim_per_arm?.id]));
    if (key === this._drawn) return;
    this._drawn = key;
    this._drawAdvice(session, reduced);
    this._drawPicture(session, reduced);
    this._drawTable(reduced);
  }

  // --- what is asked ------------------------------------------------------------------------

  /** @param {any} session */
  _drawAsk(session) {
    const left = session.looks[session.looks.length - 1]?.results.trim_per_arm?.id;
    const key = JSON.stringify([session.state, session.hands, session.noted_removed_m, session.looks.length, left]);
    if (key === this._asked) return;
    this._asked = key;
    if (ENDED.has(session.state)) {
      fillWith(this._ask, this._ended(session));
    } else if (session.hands === null) {
      fillWith(
        this._ask,
        h(
          "section",
          { class: "box", "aria-label": "What happens" },
          h("p", { class: "ask-words" }, session.state === "running" ? "Looking. Keep your hands out." : "The session waits for its turn."),
          this._stopButton(),
        ),
      );
    } else if (session.hands.look) {
      fillWith(this._ask, this._askLook(session));
    } else {
      fillWith(this._ask, this._askHands(session.hands));
    }
  }

  /** @param {any} hands */
  _askHands(hands) {
    const done = h(
      "button",
      { type: "button", class: "button-main button-big" },
      "I have done it, my hands are out: RF may go on",
    );
    done.addEventListener("click", () => void this._order(done, `ready?step=${hands.step}`));
    return this._box(hands, "", done, h("div", { class: "row" }, this._withdrawButton()));
  }

  /** @param {any} session */
  _askLook(session) {
    const hands = session.hands;
    const isFirst = session.looks.length === 0;
    const input = h("input", {
      id: "trim-removed",
      inputmode: "decimal",
      autocomplete: "off",
      value: session.noted_removed_m === null ? this._typed : number(session.noted_removed_m * 1e3, 3),
      "aria-describedby": "trim-removed-hint trim-removed-fault",
      oninput: () => { this._typed = input.value; },
    });
    const fault = h("p", { id: "trim-removed-fault", class: "field-fault", role: "alert" });
    const look = h("button", { type: "submit", class: "button-main button-big" }, "Hands and tool are out: look now, RF comes on");
    const note = hands.look === "lid" && !isFirst && h("button", { type: "button" }, "Note it, I close the lid");
    const typed = () => {
      const removed = millimetres(input.value);
      say(fault, removed === undefined ? "Give a length in mm, such as 0.4, from 0 to 1000." : "");
      input.setAttribute("aria-invalid", String(removed === undefined));
      return removed;
    };
    if (note) {
      note.addEventListener("click", async () => {
        const removed = typed();
        if (removed === undefined) return;
        if (removed === null) say(fault, "Give the length that you took off; 0 for nothing.");
        else if (await this._order(note, "removed", { removed_mm: removed, step: hands.step })) {
          this._context.announce("Noted. Close the lid for the look.");
        }
      });
    }
    const form = h(
      "form",
      {
        onsubmit: async (/** @type {Event} */ event) => {
          event.preventDefault();
          const removed = isFirst ? null : typed();
          if (removed === undefined) return;
          const body = { step: hands.step, until: hands.until, removed_mm: removed };
          if (await this._order(look, "look", body)) this._typed = "";
        },
      },
      !isFirst &&
        h(
          "div",
          { class: "field" },
          h("label", { for: "trim-removed" }, "Taken off each arm since the last look, mm"),
          input,
          h("p", { id: "trim-removed-hint", class: "field-hint" }, "0 for nothing. Left empty it counts as unknown, and what the looks have told of this antenna begins anew."),
          fault,
        ),
      look,
    );
    const left = session.looks[session.looks.length - 1]?.results.trim_per_arm;
    return this._box(
      hands,
      left && doWords(left),
      form,
      h("div", { class: "row" }, note, this._stopButton(left && left.state !== "cut"), this._withdrawButton()),
    );
  }

  /**
   * @param {any} hands
   * @param {string | undefined} advice what the last look advised, in large letters
   * @param {...any} parts
   */
  _box(hands, advice, ...parts) {
    const lid = hands.look === "lid" ? " The look starts by itself 1 s after you have closed the lid." : "";
    return h(
      "section",
      { class: "box box-warn ask", "aria-labelledby": "trim-ask" },
      h("h2", { id: "trim-ask" }, "Your turn; RF is off"),
      advice ? [h("p", { class: "ask-words" }, `${advice}.`), h("p", null, hands.ask)] : h("p", { class: "ask-words" }, hands.ask),
      hands.caution && h("p", { class: "ask-caution" }, hands.caution),
      parts,
      h("p", { class: "ask-until" }, `RF stays off until you answer.${lid} The bench is held for you until ${clock(hands.until)}; then waiting jobs may run.`),
    );
  }

  /** @param {boolean} [isAdvised] */
  _stopButton(isAdvised) {
    const stop = h("button", { type: "button", class: isAdvised ? "button-main" : null }, "Stop: the session is done");
    stop.addEventListener("click", () => void this._order(stop, "stop"));
    return stop;
  }

  _withdrawButton() {
    const withdraw = h("button", { type: "button", class: "button-bad" }, "Give it up");
    withdraw.addEventListener("click", () => void this._order(withdraw, "withdraw"));
    return withdraw;
  }

  /** @param {any} session */
  _ended(session) {
    const removed = session.looks.slice(1).map((/** @type {any} */ look) => look.removed_m);
    const known = removed.length > 0 && removed.every((/** @type {any} */ one) => one !== null);
    const total = removed.reduce((/** @type {number} */ sum, /** @type {any} */ one) => sum + (one ?? 0), 0);
    return h(
      "section",
      { class: "box box-good", "aria-labelledby": "trim-ended" },
      h("h2", { id: "trim-ended" }, session.state === "done" ? "The session is done" : `The session is ${stateWords(session.state)}`),
      h("p", null, session.message),
      known && h("p", null, `Taken off each arm in all: ${number(total * 1e3, 3)} mm.`),
      h(
        "div",
        { class: "row" },
        h("a", { class: "button", href: `#/antenna/${encodeURIComponent(session.antenna)}` }, "The antenna's story, and a new revision"),
        h("a", { class: "button", href: "#/trim" }, "Another session"),
      ),
    );
  }

  /**
   * Give an order; returns whether it was taken.
   * @param {HTMLButtonElement} button
   * @param {string} verb
   * @param {any} [body]
   */
  async _order(button, verb, body) {
    button.disabled = true;
    try {
      await this._api.post(`/api/jobs/${this._job}/${verb}`, body);
      fillWith(this._fault);
      void this._refresh();
      return true;
    } catch (error) {
      fillWith(this._fault, errorBox(error));
      return false;
    } finally {
      button.disabled = false;
    }
  }

  // --- what the looks say -------------------------------------------------------------------

  /**
   * @param {any} session
   * @param {any[]} looks
   */
  _drawAdvice(session, looks) {
    const head = h("h2", { id: "trim-advice" }, "What is left");
    const newest = looks[looks.length - 1];
    if (!newest) {
      fillWith(this._advice, head, h("p", { class: "quiet" }, "Nothing yet: the first look will tell."));
      return;
    }
    const { resonance_frequency: dip, resonance_count: count, trim_per_arm: left, trim_rate: rate } = newest.results;
    const shift = newest.results.resonance_frequency_difference;
    if (!dip || dip.low === null) {
      fillWith(this._advice, head, h("p", { class: "value" }, (dip ?? count)?.note || "No resonance lies in the sweep."));
      return;
    }
    const away = dip.value - session.design_frequency_hz;
    fillWith(
      this._advice,
      head,
      left && h("p", { class: "trim-do" }, doWords(left)),
      h(
        "dl",
        { class: "facts" },
        fact("Resonance", dip.text),
        fact("From the design frequency", `${frequency(round(Math.abs(away)))} ${away < 0 ? "below" : "above"}`),
        shift && fact("Moved since the first look", shift.text),
        left && fact("Left on each arm", left.text),
      ),
      left && h("p", null, left.note),
      !left && h("p", null, "How many mm are left is not known: state the antenna's arm (trim:) in the bench file, or take a little off, say how much, and look again."),
      rate && h("p", { class: "quiet" }, rate.note),
    );
  }

  /**
   * @param {any} session
   * @param {any[]} looks
   */
  _drawPicture(session, looks) {
    if (looks.length === 0) {
      fillWith(this._picture, h("h2", { id: "trim-dips" }, "The dips"));
      return;
    }
    const curves = looks.map((look, at) => ({
      name: `look ${look.number}`,
      x: look.frequency_hz,
      y: look.return_loss_db.map((/** @type {any} */ one) => (typeof one === "number" ? -one : one)),
      look: at === looks.length - 1 ? NEWEST_LOOK : { colour: 0, dash: 1 + ((looks.length - 2 - at) % 4) },
    }));
    const dip = looks[looks.length - 1].results.resonance_frequency;
    const more = {
      title: `Reflection, look ${looks[looks.length - 1].number} over the earlier ones`,
      marks: [{ x: session.design_frequency_hz, words: "design" }],
      bands: dip && dip.low !== null ? [{ from: dip.low, to: dip.high, words: "resonance, 95 %" }] : [],
    };
    if (this._plot) {
      this._plot.update(curves, more);
      return;
    }
    const place = h("div", null);
    fillWith(this._picture, h("h2", { id: "trim-dips" }, "The dips"), place);
    this._plot = plotCurves(place, {
      ...more,
      x: { name: "Frequency", unit: "Hz" },
      y: { name: "Reflection", unit: "dB" },
      curves,
    });
  }

  /** @param {any[]} looks */
  _drawTable(looks) {
    const rows = [...looks].reverse().map((look) => {
      const { resonance_frequency: dip, trim_per_arm: left, return_loss: match } = look.results;
      return h(
        "tr",
        null,
        h("th", { scope: "row" }, `Look ${look.number}`),
        h("td", null, removedWords(look)),
        h("td", null, dip?.text ?? "no dip"),
        h("td", null, match?.text ?? ""),
        h("td", null, left?.text ?? ""),
        h("td", null, clock(look.taken_at)),
      );
    });
    const heads = ["Look", "Taken off each arm", "Resonance", "Return loss at the design frequency", "Left on each arm", "At"];
    fillWith(
      this._table,
      h("h2", { id: "trim-looks-head" }, "Looks"),
      rows.length === 0
        ? h("p", { class: "quiet" }, "None yet.")
        : h(
            "div",
            { class: "table", tabindex: "0", role: "region", "aria-label": "Table of the looks" },
            h("table", null, h("thead", null, h("tr", null, heads.map((one) => h("th", { scope: "col" }, one)))), h("tbody", null, rows)),
          ),
      this._correction.element,
    );
  }
}

/**
 * @param {string} name
 * @param {string} value
 */
function fact(name, value) {
  return [h("dt", null, name), h("dd", { class: "value" }, value)];
}

/**
 * A distance in frequency with the two or three digits that a bench can tell.
 * @param {number} hertz
 */
function round(hertz) {
  return Number(hertz.toPrecision(hertz < 1e8 ? 2 : 3));
}

/** @param {any} left the result `trim_per_arm` */
function doWords(left) {
  if (left.state === "cut") return `Take off ${number(Math.floor(left.next_cut_m * 1e5) / 100, 2)} mm of each arm`;
  return left.state === "stop" ? "Stop: take off nothing more" : "Stop: it is too short";
}

/**
 * A typed length: null where nothing was typed, undefined where it is no length.
 * @param {string} text
 * @returns {number | null | undefined}
 */
function millimetres(text) {
  const plain = text.trim().replace(/\s*mm$/, "").replace(",", ".");
  if (plain === "") return null;
  if (!/^\d{1,4}(\.\d{1,6})?$/.test(plain)) return undefined;
  const value = Number(plain);
  return value <= 1000 ? value : undefined;
}

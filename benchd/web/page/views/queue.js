/** Queue: what waits and when it would run, its order, and queueing something new. */

import { errorBox, fillWith, h, say } from "../lib/dom.js";
import { clock, duration } from "../lib/format.js";
import { JobForm } from "../lib/job-form.js";

export const title = "Queue";

const ASK_EVERY_MS = 20_000;

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 * @param {import("../app.js").Params} params
 */
export async function show(root, context, params) {
  const line = h("section", { class: "card", "aria-labelledby": "waits" });
  const form = h("section", { class: "card", "aria-labelledby": "new" });
  root.append(h("h1", null, "Queue"), h("div", { class: "grid grid-queue" }, line, form));
  const list = new Line(line, context);
  const look = () => list.look();
  const ends = ["open", "job", "step"].map((kind) => context.stream.on(kind, look));
  const timer = setInterval(look, ASK_EVERY_MS);
  await Promise.all([list.look(), new JobForm(form, context, look).open(params.query)]);
  return () => {
    ends.forEach((end) => end());
    clearInterval(timer);
  };
}

/** The jobs that wait, in their order. */
class Line {
  /**
   * @param {HTMLElement} root
   * @param {import("../app.js").Context} context
   */
  constructor(root, context) {
    this._context = context;
    this._words = h("p", { class: "lead", role: "status" }, "Looking.");
    this._list = h("ol", { class: "line-list" });
    this._fault = h("div", null);
    this._key = "";
    this._busy = false;
    root.append(h("h2", { id: "waits" }, "What waits"), this._words, this._fault, this._list);
  }

  async look() {
    if (this._busy) return; // its answer will show the whole line
    try {
      this.show(await this._context.api.get("/api/queue"));
    } catch (error) {
      fillWith(this._fault, errorBox(error));
    }
  }

  /** @param {any} line as /api/queue gives it */
  show(line) {
    say(this._words, line.words);
    // Drawn anew only where something is different, so that a button keeps the focus.
    const key = JSON.stringify(line.jobs.map((/** @type {any} */ one) => [one.id, one.job.priority, minute(one.starts_at), minute(one.ends_at), one.outcome]));
    if (key === this._key) return;
    this._key = key;
    const focus = document.activeElement?.getAttribute("data-do");
    fillWith(this._fault);
    fillWith(
      this._list,
      line.jobs.map((/** @type {any} */ one, /** @type {number} */ place) => this._entry(one, place, line.jobs)),
    );
    if (focus) /** @type {any} */ (this._list.querySelector(`[data-do="${CSS.escape(focus)}"]:not(:disabled)`))?.focus();
  }

  /**
   * @param {any} one
   * @param {number} place
   * @param {any[]} all
   */
  _entry(one, place, all) {
    const name = `${one.job.title}${antennas(one)}`;
    const tied = Boolean(one.job.put_back_at);
    const button = (/** @type {string} */ text, /** @type {string} */ what, /** @type {any} */ body, /** @type {boolean} */ off) =>
      h(
        "button",
        {
          type: "button",
          disabled: off || tied,
          "aria-label": `${what}: ${name}`,
          dataset: { do: `${text} ${one.id}` },
          onclick: () => this._move(one.id, body, `${name}: ${what.toLowerCase()}`),
        },
        text,
      );
    const after = all[place + 2]?.id;
    return h(
      "li",
      { class: one.outcome === "missed" ? "entry entry-missed" : "entry", dataset: { job: one.id } },
      h("p", { class: "value" }, name),
      h("p", null, whenWords(one)),
      h("p", { class: "quiet" }, factWords(one)),
      h(
        "div",
        { class: "row" },
        button("Earlier", "Run one place earlier", { before: all[place - 1]?.id }, place === 0),
        button("Later", "Run one place later", after ? { before: after } : { place: "last" }, place === all.length - 1),
        button("First", "Run before all others", { place: "first" }, place === 0),
        this._withdrawal(one, name),
      ),
    );
  }

  /**
   * @param {string} id
   * @param {any} body
   * @param {string} said
   */
  async _move(id, body, said) {
    this._busy = true;
    try {
      this.show(await this._context.api.post(`/api/jobs/${id}/move`, body));
      this._context.announce(said);
    } catch (error) {
      fillWith(this._fault, errorBox(error));
    } finally {
      this._busy = false;
    }
  }

  /**
   * @param {any} one
   * @param {string} name
   */
  _withdrawal(one, name) {
    const root = h("span", { class: "row" });
    const first = h("button", { type: "button", class: "button-bad", "aria-label": `Withdraw: ${name}` }, "Withdraw");
    first.addEventListener("click", () => {
      const yes = h("button", { type: "button", class: "button-bad" }, "Yes, withdraw it");
      yes.addEventListener("click", async () => {
        try {
          await this._context.api.post(`/api/jobs/${one.id}/withdraw`);
          this._context.announce(`Withdrawn: ${name}`);
        } catch (error) {
          fillWith(this._fault, errorBox(error));
        }
        await this.look();
      });
      const no = h("button", { type: "button", onclick: () => { fillWith(root, first); first.focus(); } }, "Keep it");
      fillWith(root, yes, no);
      yes.focus();
    });
    fillWith(root, first);
    return root;
  }
}

/** @param {any} one */
function antennas(one) {
  return one.antennas.length > 0 ? `: ${one.antennas.join(", ")}` : "";
}

/** @param {any} one */
function whenWords(one) {
  if (one.outcome === "missed") return `Would miss its window: it ${one.why}.`;
  return `${clock(one.starts_at)} to ${clock(one.ends_at)}, about ${duration(one.needs_s)}`;
}

/** @param {any} one */
function factWords(one) {
  const { job } = one;
  const facts = [];
  if (job.not_before) facts.push(`not before ${clock(job.not_before)}`);
  if (job.finish_by) facts.push(`to end by ${clock(job.finish_by)}`);
  if (job.priority) facts.push(`priority ${job.priority}`);
  if (one.hands) facts.push(one.hands === 1 ? "asks for your hands once" : `asks for your hands ${one.hands} times`);
  if (job.put_back_at) facts.push("nobody answered its request, so others run first");
  return facts.join("; ");
}

/** @param {string | null} moment */
function minute(moment) {
  return moment ? moment.slice(0, 16) : "";
}

/** Now: what runs, what it asks of a person, its sweep as it is read, and what came last. */

import { errorBox, fillWith, h, say } from "../lib/dom.js";
import { clock, duration, stateWords } from "../lib/format.js";
import { Sketch } from "../lib/sketch.js";

export const title = "Now";

const ASK_EVERY_MS = 15_000;
const EARLIER_CURVES = 2;

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 */
export async function show(root, context) {
  const asked = h("div", { "aria-live": "assertive" });
  const running = h("section", { class: "card", "aria-labelledby": "runs" });
  const drawing = h("section", { class: "card hidden", "aria-labelledby": "sweeps" });
  const last = h("section", { class: "card wide", "aria-labelledby": "last" });
  root.append(
    h("h1", null, "Now"),
    asked,
    h("div", { class: "grid grid-now" }, running, drawing, last),
  );
  const sweep = new SweepCard(drawing, context);
  const job = new JobCard(running, context);
  const hands = new HandsCard(asked, context);
  let again = false;
  let asking = false;

  async function look() {
    if (asking) {
      again = true;
      return;
    }
    asking = true;
    try {
      do {
        again = false;
        const now = await context.api.get("/api/now");
        hands.show(now.job);
        await job.show(now);
        await sweep.show(now.sweep);
      } while (again);
    } catch (error) {
      fillWith(running, h("h2", { id: "runs" }, "What runs"), errorBox(error));
      job.forget();
    } finally {
      asking = false;
    }
  }

  async function results() {
    try {
      showLast(last, await context.api.get("/api/latest?jobs=4"));
    } catch (error) {
      fillWith(last, h("h2", { id: "last" }, "What came last"), errorBox(error));
    }
  }

  const ends = [
    context.stream.on("open", () => {
      void look();
      void results();
    }),
    context.stream.on("job", () => {
      void look();
      void results();
    }),
    context.stream.on("live", () => void look()),
    context.stream.on("step", () => void look()),
    context.stream.on("hands", () => void look()),
    context.stream.on("progress", (data) => job.progress(data)),
    context.stream.on("points", (data) => {
      if (!sweep.take(data)) void look();
    }),
  ];
  const timer = setInterval(() => void look(), ASK_EVERY_MS);
  const second = setInterval(() => job.tick(), 1000);
  await Promise.all([look(), results()]);
  return () => {
    ends.forEach((end) => end());
    clearInterval(timer);
    clearInterval(second);
    sweep.close();
  };
}

/** A request to a person: plain words and one big button that says what happens to RF. */
class HandsCard {
  /**
   * @param {HTMLElement} root
   * @param {import("../app.js").Context} context
   */
  constructor(root, context) {
    this._root = root;
    this._context = context;
    this._shown = "";
  }

  /** @param {any} job */
  show(job) {
    const hands = job?.state === "needs-hands" ? job.hands : null;
    const key = hands ? JSON.stringify([job.id, hands]) : "";
    if (key === this._shown) return;
    this._shown = key;
    if (!hands) {
      fillWith(this._root);
      return;
    }
    const fault = h("div", null);
    const done = h(
      "button",
      { type: "button", class: "button-main button-big" },
      "I have done it, my hands are out: RF may go on",
    );
    done.addEventListener("click", async () => {
      done.disabled = true;
      try {
        await this._context.api.post(`/api/jobs/${job.id}/ready?step=${hands.step}`);
        this._context.announce("Answered. The job goes on.");
      } catch (error) {
        done.disabled = false;
        fillWith(fault, errorBox(error));
      }
    });
    fillWith(
      this._root,
      h(
        "section",
        { class: "box box-warn ask", "aria-labelledby": "ask" },
        h("h2", { id: "ask" }, "The bench waits for you"),
        h("p", { class: "ask-words" }, hands.ask),
        hands.caution && h("p", { class: "ask-caution" }, hands.caution),
        done,
        fault,
        h("p", { class: "ask-until" }, `RF stays off until you answer. ${untilWords(hands)}`),
      ),
    );
  }
}

/** @param {any} hands */
function untilWords(hands) {
  const after = new Map([
    ["let-others-run", "then the request is taken back and other jobs may switch RF on"],
    ["skip", "then the job goes on without what needs you"],
    ["give-up", "then the job ends"],
  ]);
  return `The bench is held for you until ${clock(hands.until)}; ${after.get(hands.then) ?? "then the recipe decides"}.`;
}

/** What runs, how far it is, and how long it will take. */
class JobCard {
  /**
   * @param {HTMLElement} root
   * @param {import("../app.js").Context} context
   */
  constructor(root, context) {
    this._root = root;
    this._context = context;
    this._id = null;
    this._leftAt = 0;
    /** @type {number | null} */
    this._left = null;
    this._bar = h("progress", { max: "1", "aria-label": "Part of the job that is done" });
    this._step = h("p", null);
    this._time = h("p", { class: "value" });
    this._stop = h("div", null);
  }

  forget() {
    this._id = null;
  }

  /** @param {any} now */
  async show(now) {
    const job = now.job;
    if (!job) {
      await this._showNothing(now.live);
      return;
    }
    if (this._id !== job.id) {
      this._id = job.id;
      fillWith(
        this._root,
        h("h2", { id: "runs" }, "What runs"),
        h("p", { class: "value job-title" }, job.title),
        this._bar,
        this._step,
        this._time,
        this._stop,
      );
      fillWith(this._stop, stopButton(job, this._context));
    }
    this._steps = now.step?.steps || job.steps_total || 1;
    this._index = now.step?.index ?? job.step_index;
    this._done(now.sweep ? now.sweep.done / now.sweep.total : 0);
    const place = now.step ? `Step ${now.step.index + 1} of ${now.step.steps}: ` : "";
    say(this._step, place + (job.state === "needs-hands" ? "it waits for your hands." : now.step?.label ?? job.message));
    this._left = now.left_s;
    this._leftAt = performance.now();
    this._waits = job.state === "needs-hands";
    this.tick();
  }

  /** @param {string} live whether a live look is on */
  async _showNothing(live) {
    this._id = null;
    this._left = null;
    if (live === "starting" || live === "on") {
      fillWith(
        this._root,
        h("h2", { id: "runs" }, "What runs"),
        h("p", null, "A live look is on: RF stays on while somebody looks."),
        h("p", null, h("a", { class: "button button-main", href: "#/live" }, "Look too, or end it")),
      );
      return;
    }
    const jobs = await this._context.api.get("/api/jobs?state=waiting&limit=100");
    const words =
      jobs.length === 0
        ? "Nothing runs and nothing waits."
        : `Nothing runs. ${jobs.length === 1 ? "One job waits" : `${jobs.length} jobs wait`}.`;
    fillWith(
      this._root,
      h("h2", { id: "runs" }, "What runs"),
      h("p", null, words),
      h("p", null, h("a", { class: "button button-main", href: "#/queue" }, "Queue something")),
    );
  }

  /** @param {any} data a progress event */
  progress(data) {
    if (data.job !== this._id || data.step !== this._index) return;
    this._done(data.done / data.total);
  }

  /** @param {number} part of the present step, 0 to 1 */
  _done(part) {
    this._bar.value = (this._index + part) / this._steps;
  }

  tick() {
    if (this._left === null || this._id === null) return;
    const left = Math.max(0, this._left - (this._waits ? 0 : (performance.now() - this._leftAt) / 1000));
    if (this._waits) {
      say(this._time, left < 1 ? "" : `About ${duration(left)} of measuring after you have answered.`);
    } else {
      say(this._time, left < 1 ? "It ends in a moment." : `About ${duration(left)} left; ends about ${clock(Date.now() + left * 1000)}.`);
    }
  }
}

/**
 * A button that stops a job, after it was asked whether that is meant.
 * @param {any} job
 * @param {import("../app.js").Context} context
 */
function stopButton(job, context) {
  const root = h("div", { class: "row" });
  const first = h("button", { type: "button", class: "button-bad", onclick: ask }, "Stop this job");

  function ask() {
    const yes = h("button", { type: "button", class: "button-bad", onclick: stop }, "Yes, stop it");
    const no = h("button", { type: "button", onclick: () => { fillWith(root, first); first.focus(); } }, "No, go on");
    fillWith(root, h("p", null, "RF goes off and the job ends. What it has captured is kept."), yes, no);
    yes.focus();
  }

  async function stop() {
    try {
      await context.api.post(`/api/jobs/${job.id}/withdraw`);
      context.announce("Stopped. RF is being switched off.");
      fillWith(root, first);
    } catch (error) {
      fillWith(root, errorBox(error));
    }
  }

  fillWith(root, first);
  return root;
}

/** The sweep that is being read, point by point. */
class SweepCard {
  /**
   * @param {HTMLElement} root
   * @param {import("../app.js").Context} context
   */
  constructor(root, context) {
    this._root = root;
    this._context = context;
    this._key = "";
    this._head = h("h2", { id: "sweeps" }, "What it reads");
    this._words = h("p", { class: "quiet" });
    this._place = h("div", { class: "sketch-place" });
    this._sketch = new Sketch(this._place);
    root.append(this._head, this._words, this._place);
  }

  /** @param {any} sweep as /api/now gives it; null where nothing is swept */
  async show(sweep) {
    if (!sweep) return; // the last one stands until another begins
    const key = `${sweep.job} ${sweep.step}`;
    if (key !== this._key) {
      this._key = key;
      this._root.classList.remove("hidden");
      say(this._head, `What it reads: ${sweepWords(sweep)}`);
      say(this._words, "Level at the analyzer as it comes in. Pale: the sweeps of this job before it.");
      this._sketch.begin(sweep.start_hz, sweep.stop_hz, await this._earlier(sweep));
    }
    this._sketch.take(0, sweep.frequency_hz, sweep.level_dbm);
  }

  /**
   * Add points of an event. False where some are missing, so that all have to be read anew.
   * @param {any} data
   */
  take(data) {
    if (`${data.job} ${data.step}` !== this._key || data.first > this._sketch.size) return false;
    this._sketch.take(data.first, data.frequency_hz, data.level_dbm);
    return true;
  }

  close() {
    this._sketch.close();
  }

  /** @param {any} sweep */
  async _earlier(sweep) {
    try {
      const captures = await this._context.api.get(`/api/captures?job=${sweep.job}&limit=20`);
      const same = captures
        .filter((/** @type {any} */ one) => one.route === sweep.route && one.settings.start_hz === sweep.start_hz && one.settings.stop_hz === sweep.stop_hz)
        .slice(0, EARLIER_CURVES);
      const traces = await Promise.all(
        same.map((/** @type {any} */ one) => this._context.api.get(`/api/captures/${one.id}/trace`)),
      );
      return traces.map((all) => {
        const level = all[0];
        return level.frequency_hz.map((/** @type {number} */ x, /** @type {number} */ index) => ({ x, y: Number(level.values[index]) }));
      });
    } catch {
      return []; // they only stand behind
    }
  }
}

/** @param {any} sweep */
function sweepWords(sweep) {
  const what = sweep.antenna || sweep.name;
  return sweep.radiates ? `${what}, ${sweep.radiates}` : `${what}, listening only`;
}

/**
 * @param {HTMLElement} root
 * @param {any[]} jobs
 */
function showLast(root, jobs) {
  const head = h("h2", { id: "last" }, "What came last");
  if (jobs.length === 0) {
    fillWith(root, head, h("p", { class: "quiet" }, "No job has ended yet."));
    return;
  }
  fillWith(root, head, jobs.map(lastJob));
}

/** @param {any} one */
function lastJob(one) {
  const { job } = one;
  const many = new Set(one.results.map((/** @type {any} */ result) => result.antenna)).size > 1;
  const antenna = one.results.find((/** @type {any} */ result) => result.antenna)?.antenna;
  return h(
    "article",
    { class: "last" },
    h(
      "div",
      { class: "row row-spread" },
      h("h3", null, antenna && !many ? `${antenna}: ${job.title}` : job.title),
      h("p", { class: "quiet" }, h("span", { class: stateClass(job.state) }, stateWords(job.state)), job.ended_at ? ` ${clock(job.ended_at)}` : ""),
    ),
    job.state !== "done" && job.message && h("p", null, job.message),
    one.looks.length > 0 && lookList(one.looks),
    one.results.length > 0 && resultTable(one, many),
    one.verdicts.map((/** @type {any} */ verdict) =>
      h("p", null, h("span", { class: outcomeClass(verdict.outcome) }, verdict.text), ` ${verdict.words}: ${verdict.limit}`),
    ),
  );
}

/**
 * The looks of a trim session, a line each; the table below it is of the newest.
 * @param {{number: number, text: string, flags: string}[]} looks
 */
function lookList(looks) {
  return h(
    "ul",
    { class: "plain", "aria-label": "Looks of the session" },
    looks.map((look) => h("li", null, look.text, look.flags && h("span", { class: "flags" }, look.flags))),
  );
}

/**
 * @param {any} one
 * @param {boolean} many whether its results are of several antennas
 */
function resultTable(one, many) {
  const row = (/** @type {any} */ result) =>
    h(
      "tr",
      null,
      many && h("td", null, result.antenna || ""),
      h("th", { scope: "row" }, result.words),
      h("td", null, result.where),
      h("td", { class: "value" }, result.text, result.flags && h("span", { class: "flags" }, result.flags)),
    );
  const heads = [...(many ? ["Antenna"] : []), "Quantity", "At", "Value, 95 % interval"];
  return h(
    "div",
    { class: "table", tabindex: "0", role: "region", "aria-label": `Results of ${one.job.title}` },
    h(
      "table",
      null,
      h("thead", null, h("tr", null, heads.map((text) => h("th", { scope: "col" }, text)))),
      h("tbody", null, one.results.map(row)),
    ),
  );
}

/** @param {string} state */
function stateClass(state) {
  if (state === "done") return "tag tag-good";
  return state === "failed" || state === "missed" ? "tag tag-bad" : "tag";
}

/** @param {string} outcome */
function outcomeClass(outcome) {
  if (outcome === "pass") return "tag tag-good";
  return outcome === "fail" || outcome === "absent" ? "tag tag-bad" : "tag tag-warn";
}

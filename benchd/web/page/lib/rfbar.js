/**
 * The bar at the top that says whether RF is on, in words first. It never says "off" from memory:
 * without an answer of the daemon it says that nobody knows.
 */

import { say } from "./dom.js";
import { clock, duration } from "./format.js";

const ASK_EVERY_MS = 2000;
const SILENT_AFTER_MS = 6000;
const CLASSES = ["rf-off", "rf-on", "rf-doubt", "rf-asking"];

/**
 * @typedef {object} Rf what the daemon says of RF
 * @property {"off-verified" | "on" | "not-verified"} state
 * @property {string} since
 * @property {string} at
 * @property {number} age_s seconds since the sources were last asked
 * @property {string[]} sources
 * @property {string} message
 * @property {string} advice
 * @property {string} radiates frequency and level of what is sent, in words
 * @property {boolean} asking
 */

/**
 * Keep the bar true for as long as the page lives.
 * @param {HTMLElement} bar
 * @param {HTMLElement} words what a screen reader is told when it changes
 * @param {HTMLElement} when the rest, which changes all the time
 * @param {import("../app.js").Context} context
 */
export function keepRfBar(bar, words, when, context) {
  let answered = performance.now();
  let asking = false;
  /** Why the last question was not answered with how RF is; empty while none has failed. */
  let why = "";

  /** @param {string} name */
  function look(name) {
    if (bar.classList.contains(name)) return;
    bar.classList.remove(...CLASSES);
    bar.classList.add(name);
  }

  /** @param {Rf} rf */
  function show(rf) {
    answered = performance.now();
    why = "";
    const [name, sentence, rest] = rfWords(rf);
    look(name);
    say(words, sentence);
    say(when, rest);
  }

  function doubt() {
    const silent = (performance.now() - answered) / 1000;
    if (silent * 1000 < SILENT_AFTER_MS) return;
    look("rf-doubt");
    const reason = context.api.wantsToken
      ? "this page has to be given the token first."
      : why || "benchd takes long to answer; it, or the way to it, is busy.";
    say(words, `Nobody knows whether RF is off: ${reason}`);
    say(when, `Its last word is ${duration(silent)} old. Keep away from open ports and antennas.`);
  }

  async function ask() {
    if (asking) return;
    asking = true;
    try {
      show(await context.api.get("/api/rf"));
    } catch (error) {
      why = whyUnknown(error);
      doubt();
    } finally {
      asking = false;
    }
  }

  context.stream.on("rf-state", show);
  context.stream.on("open", () => void ask());
  context.stream.on("lost", () => void ask());
  setInterval(() => {
    doubt();
    if (document.visibilityState === "visible") void ask();
  }, ASK_EVERY_MS);
  document.addEventListener("visibilitychange", () => void ask());
  void ask();
}

/**
 * Why it is not known how RF is, as the end of a sentence.
 * @param {any} error what a request failed with
 */
function whyUnknown(error) {
  if (!error?.status) return "benchd does not answer.";
  if (error.status === 503) return "benchd has too much to do to answer.";
  return `benchd answers something else: ${error.message}`;
}

/**
 * @param {Rf} rf
 * @returns {[string, string, string]} class of the bar, its sentence, and the rest
 */
export function rfWords(rf) {
  if (rf.state === "on") {
    const what = rf.radiates ? `: ${rf.radiates}` : "";
    return ["rf-on", `RF IS ON${what}`, `since ${clock(rf.since)}. ${rf.advice}`];
  }
  if (rf.state === "not-verified") {
    if (rf.asking) return ["rf-asking", "RF is not verified off yet", `${rf.message}. ${rf.advice}`];
    return ["rf-doubt", "RF is NOT verified off", `${rf.message.replace(/^RF is NOT verified off: /, "")}. ${rf.advice}`];
  }
  const who = rf.sources.length > 0 ? rf.sources.join(", ") : "every source";
  const others = rf.advice ? `. ${rf.message} ${rf.advice}` : "";
  return ["rf-off", "RF is off", `verified: ${who} said so when asked, ${age(rf.age_s)}${others}`];
}

/** @param {number} seconds */
function age(seconds) {
  return seconds < 1.5 ? "just now" : `${duration(seconds)} ago`;
}

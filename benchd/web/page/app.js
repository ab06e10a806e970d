/** The page's frame: which views there are, going from one to another, the token, and RF above all. */

import { Api } from "./lib/api.js";
import { errorBox, fillWith, h, say } from "./lib/dom.js";
import { setZone } from "./lib/format.js";
import { keepRfBar } from "./lib/rfbar.js";
import { Stream } from "./lib/stream.js";

/**
 * @typedef {object} Context what a view may use
 * @property {Api} api
 * @property {Stream} stream
 * @property {(text: string, bad?: boolean) => void} announce shows a note for some seconds, and
 *   has a screen reader speak it
 *
 * @typedef {object} Params
 * @property {string} name the view's name in the address: `antenna` of `#/antenna/dipole r3`
 * @property {string} item what follows it, `dipole r3`; empty if nothing does
 * @property {URLSearchParams} query what stands after `?`
 *
 * @typedef {object} View
 * @property {string} name first part of the address after `#/`
 * @property {string} label its word in the navigation; a view without one is reached by links
 * @property {string} [under] the view that is marked in the navigation in its place
 * @property {() => Promise<{title: string,
 *   show: (root: HTMLElement, context: Context, params: Params) => Promise<(() => void) | void>}>} load
 */

/** @type {View[]} Every view is a module of its own; one that is added stands here too. */
const VIEWS = [
  { name: "now", label: "Now", load: () => import("./views/now.js") },
  { name: "queue", label: "Queue", load: () => import("./views/queue.js") },
  { name: "trim", label: "Trim", load: () => import("./views/trim.js") },
  { name: "antennas", label: "Antennas", load: () => import("./views/antennas.js") },
  { name: "antenna", label: "", under: "antennas", load: () => import("./views/antenna.js") },
  { name: "overlay", label: "", under: "antennas", load: () => import("./views/overlay.js") },
  { name: "bench", label: "Bench", load: () => import("./views/bench.js") },
  { name: "live", label: "Live", load: () => import("./views/live.js") },
];

const NOTE_MS = 8000;

/** @param {string} id */
function part(id) {
  return /** @type {HTMLElement} */ (document.getElementById(id));
}

/**
 * @param {string} text
 * @param {boolean} [bad]
 */
function announce(text, bad = false) {
  const note = h("p", { class: bad ? "note note-bad" : "note" }, text);
  part("notes").append(note);
  setTimeout(() => note.remove(), NOTE_MS);
}

/**
 * Ask for the token in a form over the page. Nothing else can be done before, since every request
 * needs it.
 * @param {boolean} refused whether one was sent and was wrong
 * @returns {Promise<string>}
 */
function askToken(refused) {
  return new Promise((resolve) => {
    const field = h("input", {
      id: "token",
      type: "password",
      autocomplete: "current-password",
      spellcheck: "false",
      "aria-describedby": "token-fault",
    });
    const fault = h("p", { id: "token-fault", class: "field-fault", role: "alert" });
    if (refused) say(fault, "benchd does not take that token. Enter it again.");
    const form = h(
      "form",
      {
        class: "token-form",
        onsubmit: (/** @type {Event} */ event) => {
          event.preventDefault();
          const token = field.value.trim();
          if (!/^[\x21-\x7e]+$/.test(token)) {
            say(fault, "A token has no spaces and only plain letters, digits and signs.");
            field.focus();
            return;
          }
          dialog.close();
          dialog.remove();
          resolve(token);
        },
      },
      h("h2", { id: "token-title" }, "This bench asks for its token"),
      h(
        "p",
        null,
        "It is the text that was given to benchd serve as BENCHD_TOKEN, or on the first line of its " +
          "--token-file. It is kept in this browser, so it has to be entered only once.",
      ),
      h("label", { for: "token" }, "Token"),
      field,
      fault,
      h("button", { class: "button button-main", type: "submit" }, "Go on"),
    );
    const dialog = h("dialog", { "aria-labelledby": "token-title" }, form);
    dialog.addEventListener("cancel", (/** @type {Event} */ event) => event.preventDefault());
    document.body.append(dialog);
    dialog.showModal();
    field.focus();
  });
}

/** @returns {Params} what the address asks for */
function asked() {
  const [path, query = ""] = location.hash.replace(/^#\/?/, "").split(/\?(.*)/s);
  const [name, ...rest] = path.split("/");
  let item = rest.join("/");
  try {
    item = decodeURIComponent(item);
  } catch {
    // Not encoded as an address should be: take it as it stands.
  }
  return { name: name || "now", item, query: new URLSearchParams(query) };
}

/** @param {Context} context */
function keepViews(context) {
  const main = part("main");
  /** @type {(() => void) | void} */
  let leave;
  let turn = 0;

  async function go() {
    const params = asked();
    const view = VIEWS.find((one) => one.name === params.name);
    turn += 1;
    const mine = turn;
    markNav(view?.under ?? params.name);
    if (leave) leave();
    leave = undefined;
    const root = h("div", { class: `view view-${params.name}` });
    fillWith(main, root);
    if (!view) {
      fillWith(root, h("h1", null, "There is no such view"), h("p", null, h("a", { href: "#/now" }, "Go to Now")));
      return;
    }
    try {
      const module = await view.load();
      if (mine !== turn) return;
      document.title = `${module.title} · benchd`;
      const left = await module.show(root, context, params);
      if (mine === turn) leave = left;
      else if (left) left();
    } catch (error) {
      if (mine === turn) fillWith(root, h("h1", null, view.label || "benchd"), errorBox(error));
    }
  }

  addEventListener("hashchange", () => {
    void go();
    main.focus();
    scrollTo(0, 0);
  });
  void go();
}

/** @param {string} name */
function markNav(name) {
  const links = VIEWS.filter((view) => view.label).map((view) =>
    h(
      "a",
      { href: `#/${view.name}`, "aria-current": view.name === name ? "page" : null },
      view.label,
    ),
  );
  fillWith(part("nav"), links);
}

/** @param {Context} context */
async function keepTitle(context) {
  const bench = await context.api.get("/api/bench");
  setZone(bench.timezone);
  say(part("bench-title"), bench.title || bench.bench);
}

/** @param {Stream} stream */
function keepLine(stream) {
  stream.on("open", () => say(part("line"), ""));
  stream.on("lost", () => say(part("line"), "No connection to benchd. Trying again."));
}

async function start() {
  part("skip").addEventListener("click", () => part("main").focus());
  const api = new Api(askToken);
  const stream = new Stream(api);
  const context = { api, stream, announce };
  keepLine(stream);
  keepRfBar(part("rf"), part("rf-words"), part("rf-when"), context);
  markNav(asked().name);
  void stream.run();
  try {
    await keepTitle(context);
  } catch {
    const stop = stream.on("open", () => {
      stop();
      keepTitle(context).catch(() => {});
    });
  }
  keepViews(context);
}

void start();

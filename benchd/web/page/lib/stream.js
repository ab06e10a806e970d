/**
 * The daemon's events as they happen, read through `fetch` so that a token can go with the request.
 *
 * A lost connection is made again by itself and goes on after the last event that was seen. After a
 * restart of the daemon some events may be missed: whoever shows a state reads it anew at `open`.
 */

const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 5000;
const SILENCE_MS = 40_000; // the daemon sends a line every 15 s

export class Stream {
  /** @param {import("./api.js").Api} api */
  constructor(api) {
    this._api = api;
    /** @type {Map<string, Set<(data: any, kind: string) => void>>} */
    this._listeners = new Map();
    this._lastId = "";
    this.isOpen = false;
  }

  /**
   * Call `listener` with the data of every event of one kind; returns how to end that.
   *
   * Kinds are those of the daemon's event list, and three of this page: `open` when the connection
   * stands (also again), `lost` when it is gone (its data says why), and `*` for every event.
   * @param {string} kind
   * @param {(data: any, kind: string) => void} listener
   * @returns {() => void}
   */
  on(kind, listener) {
    const all = this._listeners.get(kind) ?? new Set();
    this._listeners.set(kind, all);
    all.add(listener);
    return () => all.delete(listener);
  }

  /** Connect, and stay connected for as long as the page lives. */
  async run() {
    let wait = FIRST_WAIT_MS;
    for (;;) {
      let why = "the connection ended";
      try {
        await this._read(() => {
          wait = FIRST_WAIT_MS;
        });
      } catch (error) {
        why = error instanceof Error ? error.message : String(error);
      }
      this.isOpen = false;
      this._tell("lost", { message: why });
      await new Promise((resolve) => setTimeout(resolve, wait));
      wait = Math.min(wait * 2, LONGEST_WAIT_MS);
    }
  }

  /** @param {() => void} opened */
  async _read(opened) {
    const stop = new AbortController();
    let silence = setTimeout(() => stop.abort(), SILENCE_MS);
    try {
      /** @type {Record<string, string>} */
      const headers = this._lastId ? { "last-event-id": this._lastId } : {};
      const response = await this._api.fetch("/api/events", { headers, signal: stop.signal });
      if (!response.ok || !response.body) {
        const said = await response.json().catch(() => ({}));
        throw new Error(said.message || `HTTP ${response.status}`);
      }
      await readEvents(
        response.body,
        (event) => {
          if (event.id) this._lastId = event.id;
          this._tell(event.kind, event.data);
          for (const listener of [...(this._listeners.get("*") ?? [])]) listener(event.data, event.kind);
        },
        () => {
          clearTimeout(silence);
          silence = setTimeout(() => stop.abort(), SILENCE_MS);
          if (this.isOpen) return;
          this.isOpen = true;
          opened();
          this._tell("open", {});
        },
      );
    } finally {
      clearTimeout(silence);
      stop.abort();
    }
  }

  /**
   * @param {string} kind
   * @param {any} data
   */
  _tell(kind, data) {
    for (const listener of [...(this._listeners.get(kind) ?? [])]) listener(data, kind);
  }
}

/** @typedef {{id: string, kind: string, data: any}} Sent one event as the daemon sent it */

/**
 * Read events from a body to its end.
 * @param {ReadableStream<Uint8Array>} body
 * @param {(event: Sent) => void} take is called with each event
 * @param {() => void} [heard] is called whenever anything came
 */
export async function readEvents(body, take, heard = () => {}) {
  const reader = body.pipeThrough(new TextDecoderStream()).getReader();
  let rest = "";
  for (;;) {
    const { done, value } = await reader.read();
    if (done) return;
    heard();
    const blocks = (rest + value).split("\n\n");
    rest = blocks.pop() ?? "";
    for (const block of blocks) {
      const event = read(block);
      if (event) take(event);
    }
  }
}

/**
 * @param {string} block one event as sent, without the empty line at its end
 * @returns {Sent | null} null for a comment
 */
function read(block) {
  let [id, kind, data] = ["", "", ""];
  for (const line of block.split("\n")) {
    const at = line.indexOf(": ");
    const [field, value] = [line.slice(0, at), line.slice(at + 2)];
    if (field === "id") id = value;
    else if (field === "event") kind = value;
    else if (field === "data") data += value;
  }
  return kind ? { id, kind, data: JSON.parse(data) } : null;
}

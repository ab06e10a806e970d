/**
 * One viewer of the live look. RF is on while viewers say "here", so this says it only while the
 * page is in sight: a tab in the background looks at nothing, and RF goes off.
 */

import { readEvents } from "./stream.js";

const HERE_EVERY_MS = 2000;

export class LiveViewer {
  /**
   * @param {import("./api.js").Api} api
   * @param {{viewer: string, tick: number}} look as start or join answered it, with this viewer's id
   * @param {(kind: string, data: any) => void} told is called with what the stream tells, and with
   *   `lost` (data: an error) where the look can no longer be seen
   */
  constructor(api, look, told) {
    this._api = api;
    this._id = look.viewer;
    /** The newest tick that the daemon told; it says from when a "here" counts. */
    this._tick = look.tick;
    this._told = told;
    this._over = false;
    this._stop = new AbortController();
    this._ping = setInterval(() => void this._here(), HERE_EVERY_MS);
    this._hide = () => this.leave();
    addEventListener("pagehide", this._hide);
    void this._read();
  }

  /** Look no more. With the last viewer RF goes off. Works while the page is being closed, too. */
  leave() {
    if (!this._end()) return;
    const path = `/api/live?viewer=${encodeURIComponent(this._id)}`;
    this._api.fetch(path, { method: "DELETE", keepalive: true }).catch(() => {});
  }

  /** @returns {boolean} false if it had ended before */
  _end() {
    if (this._over) return false;
    this._over = true;
    clearInterval(this._ping);
    removeEventListener("pagehide", this._hide);
    this._stop.abort();
    return true;
  }

  async _here() {
    if (document.visibilityState !== "visible") return;
    try {
      this._hear(await this._api.post("/api/live/here", { viewer: this._id, seen: this._tick }));
    } catch (error) {
      // Silent for too long, perhaps in the background: this viewer has gone.
      if (this._end()) this._told("lost", error);
    }
  }

  /** @param {{tick?: number}} data what the daemon told */
  _hear(data) {
    if (data.tick !== undefined) this._tick = Math.max(this._tick, data.tick);
  }

  async _read() {
    let error = new Error("benchd has ended the stream.");
    let ended = false;
    try {
      const response = await this._api.fetch("/api/live/stream", { signal: this._stop.signal });
      if (!response.ok || !response.body) {
        throw new Error((await response.json().catch(() => ({}))).message || `HTTP ${response.status}`);
      }
      await readEvents(response.body, ({ kind, data }) => {
        ended = ended || kind === "ended";
        this._hear(data);
        if (!this._over) this._told(kind, data);
      });
    } catch (caught) {
      if (caught instanceof Error) error = caught;
    }
    if (this._end() && !ended) this._told("lost", error);
  }
}

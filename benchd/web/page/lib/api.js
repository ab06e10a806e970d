/**
 * Requests to the daemon. The token, where one is needed, is asked for once and kept in this
 * browser; it travels in a header and never in an address.
 */

const TOKEN_KEY = "benchd-token";

/** What the daemon, or the way to it, answered instead of what was asked for. */
export class ApiError extends Error {
  /**
   * @param {{message?: string, advice?: string, where?: string, family?: string,
   *   problems?: any[]}} document
   * @param {number} status HTTP status; 0 where there was no answer
   */
  constructor(document, status) {
    super(document.message || "The daemon's answer cannot be read.");
    this.advice = document.advice || "";
    this.where = document.where || "";
    this.family = document.family || "";
    this.problems = document.problems || [];
    this.status = status;
  }
}

export class Api {
  /** @param {(refused: boolean) => Promise<string>} askToken asks the person for the token */
  constructor(askToken) {
    this._askToken = askToken;
    /** @type {Promise<void> | null} */
    this._asking = null;
    this._token = stored();
  }

  /** Whether every request waits until a person has entered the token. */
  get wantsToken() {
    return this._asking !== null;
  }

  /**
   * Read. Waits while a token has to be entered.
   * @param {string} path
   * @returns {Promise<any>}
   */
  async get(path) {
    return this._json(await this.fetch(path));
  }

  /**
   * Give an order.
   * @param {string} path
   * @param {any} [body]
   * @returns {Promise<any>}
   */
  async post(path, body) {
    const more = body === undefined ? {} : { body: JSON.stringify(body) };
    /** @type {Record<string, string>} */
    const headers = body === undefined ? {} : { "content-type": "application/json" };
    return this._json(await this.fetch(path, { method: "POST", headers, ...more }));
  }

  /**
   * `fetch` with the token. Asks for it where the daemon wants another one.
   * @param {string} path
   * @param {RequestInit} [options]
   * @returns {Promise<Response>}
   */
  async fetch(path, options = {}) {
    for (;;) {
      const sent = this._token;
      const headers = { ...(options.headers ?? {}) };
      if (sent) Object.assign(headers, { authorization: `Bearer ${sent}` });
      let response;
      try {
        response = await fetch(path, { cache: "no-store", ...options, headers });
      } catch (error) {
        if (options.signal?.aborted) throw error;
        throw new ApiError(
          {
            message: "benchd does not answer.",
            advice: "Is it running? This page tries again by itself.",
            family: "no-answer",
          },
          0,
        );
      }
      if (response.status !== 401) return response;
      if (sent === this._token) await this._newToken(sent !== "");
    }
  }

  /**
   * Ask for a token once, however many requests wait for it.
   * @param {boolean} refused
   */
  async _newToken(refused) {
    this._asking ??= this._askToken(refused)
      .then((token) => {
        this._token = token;
        try {
          localStorage.setItem(TOKEN_KEY, token);
        } catch {
          // A browser that keeps nothing asks again the next time.
        }
      })
      .finally(() => {
        this._asking = null;
      });
    await this._asking;
  }

  /** @param {Response} response */
  async _json(response) {
    let document;
    try {
      document = await response.json();
    } catch {
      throw new ApiError({ message: `benchd's answer (HTTP ${response.status}) cannot be read.` }, response.status);
    }
    // Health answers 503 where somebody is to be woken, and is a whole answer all the same.
    if (!response.ok && !("status" in document)) throw new ApiError(document, response.status);
    return document;
  }
}

function stored() {
  try {
    return localStorage.getItem(TOKEN_KEY) ?? "";
  } catch {
    return "";
  }
}

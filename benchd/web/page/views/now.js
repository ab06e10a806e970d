/** Now: what runs, and what the last results were. */

import { h } from "../lib/dom.js";

export const title = "Now";

/**
 * @param {HTMLElement} root
 * @param {import("../app.js").Context} context
 */
export async function show(root, context) {
  root.append(h("h1", null, "Now"));
  const jobs = await context.api.get("/api/jobs?state=running&state=needs-hands&limit=1");
  root.append(h("p", { class: "quiet" }, jobs.length > 0 ? jobs[0].title : "Nothing runs."));
}

/**
 * Building elements. Text always becomes a text node and never markup, so that a name from a file
 * or an instrument cannot bring a script with it.
 */

/** @typedef {Node | string | number | null | undefined | false} Child */

/**
 * Make an element.
 *
 * attrs: `class`, `dataset` (an object), `onclick` and the like (functions), `value` and `checked`
 * (set as properties); any other is an attribute. `true` sets it empty; false, null and undefined
 * leave it out.
 *
 * @param {string} tag
 * @param {Record<string, any> | null} [attrs]
 * @param {...(Child | Child[])} children
 * @returns {any}
 */
export function h(tag, attrs, ...children) {
  return fill(document.createElement(tag), attrs, children);
}

/**
 * As `h`, for the elements of a drawing.
 * @param {string} tag
 * @param {Record<string, any> | null} [attrs]
 * @param {...(Child | Child[])} children
 * @returns {any}
 */
export function svg(tag, attrs, ...children) {
  return fill(document.createElementNS("http://www.w3.org/2000/svg", tag), attrs, children);
}

/**
 * @param {any} element
 * @param {Record<string, any> | null | undefined} attrs
 * @param {any[]} children
 */
function fill(element, attrs, children) {
  for (const [name, value] of Object.entries(attrs ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on") && typeof value === "function") {
      element.addEventListener(name.slice(2), value);
    } else if (name === "dataset") {
      Object.assign(element.dataset, value);
    } else if (name === "value" || name === "checked") {
      element[name] = value;
    } else {
      element.setAttribute(name, value === true ? "" : String(value));
    }
  }
  element.append(...nodes(children));
  return element;
}

/** @param {any[]} children */
function nodes(children) {
  return children
    .flat(Infinity)
    .filter((child) => child !== null && child !== undefined && child !== false)
    .map((child) => (child instanceof Node ? child : document.createTextNode(String(child))));
}

/**
 * Replace what an element holds.
 * @param {Element} root
 * @param {...(Child | Child[])} children
 */
export function fillWith(root, ...children) {
  root.replaceChildren(...nodes(children));
}

/**
 * Change an element's text only where it differs, so that nothing is announced twice.
 * @param {Element} element
 * @param {string} text
 */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/**
 * An error as a box: what happened, where, and what to do.
 * @param {any} error an ApiError, or any other error
 */
export function errorBox(error) {
  const problems = Array.isArray(error.problems) && error.problems.length > 1 ? error.problems : [];
  return h(
    "div",
    { class: "box box-bad", role: "alert" },
    h("p", { class: "box-title" }, error.message || String(error)),
    problems.length > 0 &&
      h("ul", null, problems.map((/** @type {any} */ one) => h("li", null, `${one.path ? `${one.path}: ` : ""}${one.message}`))),
    error.advice && h("p", null, error.advice),
  );
}

// Elements from a name, attributes and children; `null` attributes and children are left out.

const SVG = "http://www.w3.org/2000/svg";

function filled(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return element;
}

export const html = (name, attributes, ...children) => filled(document.createElement(name), attributes, children);

export const svg = (name, attributes, ...children) => filled(document.createElementNS(SVG, name), attributes, children);

export const byId = (id) => document.getElementById(id);

// "within the give-or-take…" becomes "Within the give-or-take…"
export const sentence = (text) => {
  const upper = text.charAt(0).toUpperCase() + text.slice(1);
  return /[.!?…]$/.test(upper) ? upper : `${upper}.`;
};

// Numbers and their units do not part at a line's end.
export const withNumbers = (text) => text.replace(/(\d) (mm|in|dpi|%)(?![a-z])/g, "$1\u00a0$2");

export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

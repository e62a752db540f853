// What scripts say, in the language of the page. English is written in the scripts; for another language the page hands over
// the texts that it has (templates/base.html), and how its decimals are written.

const handed = document.getElementById("texts");
const { said = {}, told: known = {}, decimal = "." } = handed ? JSON.parse(handed.textContent) : {};
const GAP = /\{(\w+)\}/g;
let patterns = null;

function filled(text, values) {
  return text.replace(GAP, (gap, name) => String(values[name] ?? gap));
}

// Returns a sentence of a script, with values put in for the names in braces.
export function t(english, values = {}) {
  return filled(said[english] ?? english, values);
}

// Returns the decimals of a number, given as text, as the language writes them.
export function figures(text) {
  return decimal === "." ? text : text.replace(/(\d)\.(\d)/g, `$1${decimal}$2`);
}

function pattern([english, other]) {
  const pieces = english.split(GAP);
  const source = pieces.map((piece, n) => (n % 2 ? "(.*?)" : piece.replace(/[.*+?^${}()|[\]\\]/g, "\\$&"))).join("");
  return { english: new RegExp(`^${source}$`), names: pieces.filter((_, n) => n % 2), other };
}

// Returns a text that came from the service in English, in the language of the page where it is known.
export function told(text) {
  if (!handed || !text) return text;
  if (known[text]) return known[text];
  patterns ??= Object.entries(known).filter(([english]) => english.includes("{")).map(pattern);
  for (const { english, names, other } of patterns) {
    const found = english.exec(text);
    if (found) return filled(other, Object.fromEntries(names.map((name, n) => [name, told(found[n + 1])])));
  }
  return figures(text);
}

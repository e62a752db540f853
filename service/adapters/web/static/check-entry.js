// What was typed into the form for measuring by hand, as what the API takes: the twin of check_form.py, which reads the
// same form where there are no scripts; a test holds both to each other. Pure: no page, no clock, no network.

import { MM_PER_INCH } from "./check.js";

const NUMBER = /^[+-]?(\d+([.,]\d*)?|[.,]\d+)$/;
const FRACTION = /^(?:(\d+)[ -]+)?(\d+)\/(\d+)$/;
const PLACES = ["length_1", "length_2", "length_3"];

// A number with a decimal point or comma; NaN for what is none.
export function numberOf(text) {
  const plain = text.trim().replace("\u2212", "-");
  return NUMBER.test(plain) ? Number(plain.replace(",", ".")) : NaN;
}

// A length in mm: of inches also as 24 5/16. NaN for what is none.
export function lengthMmOf(text, unit) {
  if (unit !== "inch") return numberOf(text);
  const fraction = FRACTION.exec(text.trim());
  if (fraction === null) return numberOf(text) * MM_PER_INCH;
  const [whole, over, under] = [Number(fraction[1] ?? 0), Number(fraction[2]), Number(fraction[3])];
  return under > 0 ? (whole + over / under) * MM_PER_INCH : NaN;
}

function given(typed, name) {
  return (typed[name] ?? "").trim();
}

// `typed`: names of fields to their texts. Returns `body` of what the API takes, and `wrong`: field to the key of what is
// wrong with it ("needed", "number", "length", "count"); without anything wrong the body is complete.
export function measurementOf(typed) {
  const wrong = {};
  const body = {};
  const method = given(typed, "method");
  if (["rule", "tape", "calliper"].includes(method)) body.method = method;
  else wrong.method = "method";
  const pitches = numberOf(given(typed, "pitches"));
  if (Number.isInteger(pitches) && pitches > 0) body.pitches = pitches;
  else wrong.pitches = given(typed, "pitches") ? "count" : "needed";
  const tight = given(typed, "tight");
  if (tight === "yes" || tight === "no") body.tight = tight === "yes";
  else wrong.tight = "tight";
  const unit = given(typed, "unit");
  const notes = [given(typed, "note").replaceAll("\r\n", "\n")];
  const names = method === "calliper" ? ["outside", "inside"] : PLACES;
  const read = readLengths(typed, names, unit, wrong);
  if (method === "calliper") {
    for (const name of names) if (name in read) body[`${name}_mm`] = read[name];
  } else {
    const lengths = Object.entries(read).sort((a, b) => b[1] - a[1]);
    if (lengths.length) body.length_mm = lengths[0][1];
    const others = lengths.slice(1).map(([name]) => given(typed, name));
    if (others.length) notes.push(`Other places: ${others.join("; ")} ${unit === "inch" ? "in" : "mm"}`);
  }
  if (unit === "inch") notes.push(`Read in inches: ${names.map((name) => given(typed, name)).filter(Boolean).join("; ")}`);
  const warm = given(typed, "temp_c");
  if (warm && Number.isNaN(numberOf(warm))) wrong.temp_c = "number";
  else body.temp_c = warm ? numberOf(warm) : null;
  body.cranked = Boolean(given(typed, "cranked"));
  body.counted_again = Boolean(given(typed, "counted_again"));
  body.note = notes.filter(Boolean).join("\n");
  return { body, wrong };
}

function readLengths(typed, names, unit, wrong) {
  const read = {};
  for (const name of names) {
    const text = given(typed, name);
    const mm = lengthMmOf(text, unit);
    if (text && mm > 0) read[name] = mm;
    else if (text) wrong[name] = "length";
    else if (name === "length_1" || names.length === 2) wrong[name] = "needed";
  }
  return read;
}

// The joint to joint length of a complete body, mm.
export function lengthOf(body) {
  return body.method === "calliper" ? (body.outside_mm + body.inside_mm) / 2 : body.length_mm;
}

// By which rule a length measured by hand becomes an elongation, while there is no connection to ask.
//
// The same rule as service/core/hand.py (`hand_elongation`, `default_length_u_mm`, `remaining_mm`, `count_doubt`), whose
// words tell where each term comes from (DEVELOPERS.md, "By hand"); a test holds both to each other. What the service
// answers counts. Pure: no page, no clock, no network.

const STEEL_EXPANSION_PER_K = 11.7e-6;
const RULE_TEMP_C = 20;
const ROOM_RANGE_K = 15;
const SENT_TEMPERATURE_U_K = 2 / Math.sqrt(3);
const TENSION_U_PCT = 0.02;
const LINK_SPREAD_NEW_PCT = 0.1;
const LINK_SPREAD_WORN = 0.15;
const CALLIPER_U_MM = 0.1;
const READ = { rule: { onceMm: 0.5, laidMm: 1000 }, tape: { onceMm: 1, laidMm: 5000 } };
const MISCOUNTS = [-1, 1, -2, 2];
const ELONGATION_MIN_PCT = -0.3;
const ELONGATION_MAX_PCT = 4;
const RISE_PCT_PER_DAY = 0.02;
const RAW_LEAST_PCT = -30;
const RAW_MOST_PCT = 40;
const MS_PER_DAY = 86400000;
export const MM_PER_INCH = 25.4;

// Standard uncertainty of a length, mm, where nobody gave it.
export function defaultLengthUMm(method, lengthMm) {
  if (method === "calliper") return CALLIPER_U_MM / Math.sqrt(2);
  const { onceMm, laidMm } = READ[method];
  return onceMm * Math.sqrt(Math.max(1, Math.ceil(lengthMm / laidMm)));
}

function rawPct(lengthMm, pitches, pitchMm) {
  return 100 * (lengthMm / (pitches * pitchMm) - 1);
}

// `value`: method, pitches, lengthMm, tight, tempC (null: not given). `chain`: pitchMm, pitchesInLoop (null: not known),
// tempRefC. Elongation and standard uncertainty, per cent.
export function handElongation(value, chain) {
  const { pitches } = value;
  const nominalMm = pitches * chain.pitchMm;
  const sent = value.tempC !== null;
  const warmK = sent ? value.tempC - RULE_TEMP_C : 0;
  const warmUK = Math.hypot(ROOM_RANGE_K / Math.sqrt(3), sent ? SENT_TEMPERATURE_U_K : 0);
  const raw = rawPct(value.lengthMm, pitches, chain.pitchMm);
  const pct = raw + 100 * STEEL_EXPANSION_PER_K * (chain.tempRefC - RULE_TEMP_C - warmK);
  const spreadPct = Math.hypot(LINK_SPREAD_NEW_PCT, LINK_SPREAD_WORN * pct);
  const unseen = chain.pitchesInLoop === null ? 1 : Math.max(0, 1 - pitches / chain.pitchesInLoop);
  const uPct = Math.hypot(
    (100 * defaultLengthUMm(value.method, value.lengthMm)) / nominalMm, // reading
    pitches % 2 ? Math.abs(pct) / pitches : 0, // odd
    100 * STEEL_EXPANSION_PER_K * warmUK, // temperature
    TENSION_U_PCT,
    spreadPct * Math.sqrt(unseen / pitches), // sample
  );
  return { pct, uPct, reliable: value.tight };
}

// By how much the measured span may still grow until the limit, mm; below 0 once it is over it.
export function remainingMm(value, chain, found) {
  return ((chain.limitPct - found.pct) / 100) * value.pitches * chain.pitchMm;
}

// Whether no measured length can mean this: inches for millimetres, another chain, a count far off.
export function cannotBe(value, chain) {
  const raw = rawPct(value.lengthMm, value.pitches, chain.pitchMm);
  return !(raw >= RAW_LEAST_PCT && raw <= RAW_MOST_PCT);
}

// What to ask about the count, null where there is nothing to ask: the elongation that it gives, and another count that
// fits better with its elongation (null where none does).
// `known`: pct, uPct, ms of the newest other elongation of this chain, or null. `ms`: when it was measured.
export function countDoubt(value, chain, known, ms) {
  if (!value.tight) return null;
  // As the rule has it: at 20 degrees, as if the rest of the loop had not been seen.
  const found = handElongation(value, { ...chain, tempRefC: RULE_TEMP_C, pitchesInLoop: null });
  const over = (n) => rawPct(value.lengthMm, n, chain.pitchMm);
  const others = MISCOUNTS.map((by) => value.pitches + by).filter((n) => n > 0);
  const asked = (fits) => ({
    pct: found.pct,
    other: fits.length ? fits[0] : null,
    otherPct: fits.length ? over(fits[0]) : null,
  });
  if (known !== null) {
    const apartPct = (RISE_PCT_PER_DAY * Math.abs(ms - known.ms)) / MS_PER_DAY;
    const uPct = Math.hypot(found.uPct, known.uPct);
    if (Math.abs(found.pct - known.pct) <= 3 * uPct + apartPct) return null;
    const shiftPct = found.pct - over(value.pitches);
    const fits = others.filter((n) => Math.abs(over(n) + shiftPct - known.pct) <= 2 * uPct + apartPct);
    if (fits.length) return asked(fits);
  }
  const least = ELONGATION_MIN_PCT - 2 * found.uPct;
  const most = ELONGATION_MAX_PCT + 2 * found.uPct;
  if (found.pct >= least && found.pct <= most) return null;
  return asked(others.filter((n) => over(n) >= least && over(n) <= most));
}

// Decimals that show an expanded uncertainty with two digits, 1 to 3 (JCGM 100:2008, 7.2.6, as in words.py).
export function decimals(expandedPct) {
  if (!(expandedPct > 0)) return 3;
  return Math.min(3, Math.max(1, 1 - Math.floor(Math.log10(expandedPct))));
}

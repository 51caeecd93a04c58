/**
 * Words, units and times. Everything here is pure. Temperatures come in as m°C, durations and stamps as µs.
 *
 * A number and its unit are held together by a no-break space (the typeface's own is thin already, and it has no
 * narrower one); minus is a minus sign; nothing is rounded away below what the sensors resolve (0.1 degrees).
 */

export const THIN = "\u00a0";
export const MINUS = "\u2212";
/** What a schedule's shortest time is counted from where no chamber's air is known; the api says the same. */
export const ROOM_MC = 25000;
const US_PER_S = 1e6;
const US_PER_MIN = 60e6;
const US_PER_H = 3600e6;

/** "C" or "F" to what stands behind a number. */
export const degrees = (unit) => `°${unit}`;

const fixed = (value, digits) => {
  const text = Math.abs(value).toFixed(digits);
  return value < 0 && Number(text) !== 0 ? MINUS + text : text;
};

/** A temperature without its unit: 104700 -> "104.7". */
export function temperature(mc, unit = "C", digits = 1) {
  const c = mc / 1000;
  return fixed(unit === "F" ? c * 1.8 + 32 : c, digits);
}

/** A difference of temperatures without its unit or sign rule: 600 -> "0.6". */
export function difference(mc, unit = "C", digits = 1) {
  return fixed((mc / 1000) * (unit === "F" ? 1.8 : 1), digits);
}

/** With unit: "104.7 °C". */
export const warm = (mc, unit = "C", digits = 1) => `${temperature(mc, unit, digits)}${THIN}${degrees(unit)}`;

/** A whole number where it is one: 128000 -> "128 °C", 128500 -> "128.5 °C". */
export function warmShort(mc, unit = "C") {
  const value = unit === "F" ? (mc / 1000) * 1.8 + 32 : mc / 1000;
  return `${fixed(value, Math.abs(value - Math.round(value)) < 0.05 ? 0 : 1)}${THIN}${degrees(unit)}`;
}

/** "±0.6 °C". */
export const plusMinus = (mc, unit = "C", digits = 1) => `±${difference(mc, unit, digits)}${THIN}${degrees(unit)}`;

/** A signed difference with its unit: "+0.3 °C", "−0.3 °C", "0.0 °C". */
export function signed(mc, unit = "C") {
  const text = difference(mc, unit);
  return `${mc > 0 && Number(text) !== 0 ? "+" : ""}${text}${THIN}${degrees(unit)}`;
}

/** "20 °C/h" from m°C an hour. */
export function rate(mcPerH, unit = "C") {
  const value = (mcPerH / 1000) * (unit === "F" ? 1.8 : 1);
  return `${Number(value.toFixed(1))}${THIN}${degrees(unit)}/h`;
}

/** Parts in 10,000 as "24 %". */
export const percent = (e4) => `${Math.round(e4 / 100)}${THIN}%`;

/** A wait: "3 h 12 min", "12 min", "40 s". */
export function wait(us) {
  const s = Math.max(0, Math.round(us / US_PER_S));
  if (s < 60) return `${s}${THIN}s`;
  const min = Math.round(us / US_PER_MIN);
  if (min < 60) return `${min}${THIN}min`;
  const rest = min % 60;
  return `${Math.floor(min / 60)}${THIN}h${rest ? `${THIN}${rest}${THIN}min` : ""}`;
}

/** Time counted against a whole: "4 h 48", "0 h 27", "8 h". */
export function counted(us) {
  const min = Math.floor(us / US_PER_MIN + 1e-6);
  const rest = min % 60;
  return rest ? `${Math.floor(min / 60)}${THIN}h${THIN}${String(rest).padStart(2, "0")}` : `${min / 60}${THIN}h`;
}

/** Hours as people write them: "8 h", "0.5 h"; what is no quarter of one as it was counted, "1 h 35". */
export const hours = (us) => (us % (US_PER_H / 4) ? counted(us) : `${Number((us / US_PER_H).toFixed(2))}${THIN}h`);

/** An age in wall time: "0.8 s", "47 s", "3 min", "2 h". */
export function age(ms) {
  if (ms === null || !Number.isFinite(ms)) return "not known";
  const s = Math.max(0, ms / 1000);
  if (s < 10) return `${s.toFixed(1)}${THIN}s`;
  if (s < 120) return `${Math.round(s)}${THIN}s`;
  if (s < 7200) return `${Math.round(s / 60)}${THIN}min`;
  return `${Math.round(s / 3600)}${THIN}h`;
}

/** How old what is shown is; and that it was asked for, where no stream told it. */
export const oldWords = (ms, now) => `${age(ms)} old${now?.asked ? ", by request" : ""}`;

const two = (number) => String(number).padStart(2, "0");
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
const DAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];

/** The clock on this device's wall: "04:40". */
export function clock(utcUs) {
  const at = new Date(utcUs / 1000);
  return `${two(at.getHours())}:${two(at.getMinutes())}`;
}

/** With seconds, where order matters: "03:12:08"; with `tenths` "03:12:08.1". */
export function clockSeconds(utcUs, tenths = false) {
  const at = new Date(utcUs / 1000);
  const rest = tenths ? `.${Math.floor(at.getMilliseconds() / 100)}` : "";
  return `${clock(utcUs)}:${two(at.getSeconds())}${rest}`;
}

/** "Tue 10 Nov"; with its year where that is not the year of `nowUs`, by this device's clock. */
export function day(utcUs, nowUs = Date.now() * 1000) {
  const at = new Date(utcUs / 1000);
  const year = at.getFullYear() === new Date(nowUs / 1000).getFullYear() ? "" : ` ${at.getFullYear()}`;
  return `${DAYS[at.getDay()]} ${at.getDate()} ${MONTHS[at.getMonth()]}${year}`;
}

const sameDay = (a, b) => new Date(a / 1000).toDateString() === new Date(b / 1000).toDateString();

/** From when to when, days named once: "Tue 10 Nov, 16:18 to 22:04", "Tue 10 Nov 16:18 to Wed 11 Nov 08:30". */
export function fromTo(fromUs, toUs) {
  if (toUs === null || toUs === undefined) return `${day(fromUs)}, since ${clock(fromUs)}`;
  if (sameDay(fromUs, toUs)) return `${day(fromUs)}, ${clock(fromUs)} to ${clock(toUs)}`;
  return `${day(fromUs)} ${clock(fromUs)} to ${day(toUs)} ${clock(toUs)}`;
}

/**
 * A sentence that ends with a wait gets the clock too: "Cooling starts in 3 h 12 min." -> "…, at 04:40." With `nowUs` the
 * wait is written by `wait`, as everywhere else on the page: one wait never has two numbers.
 */
export function withClock(sentence, utcUs, nowUs = null) {
  const said = /\bin (less than a minute|[\d][^.]*(?:h|min|s))\.?$/u.exec(sentence);
  if (!utcUs || !said) return sentence;
  const words = nowUs === null ? said[1] : wait(utcUs - nowUs);
  return `${sentence.slice(0, said.index)}in ${words}, at ${clock(utcUs)}.`;
}

/** "SIMULATED", and how fast, wherever the word stands; "" for a real chamber. */
export function simulatedWords(now) {
  if (!now?.chamber?.simulated) return "";
  return now.speed > 1 ? `SIMULATED, up to ${now.speed} times real time` : "SIMULATED";
}

/** The value of a guard beside its unit. m°C and µs are shown as °C and s; a closed contact (unit "") has no number. */
export function watched(value, unitText, unit = "C") {
  if (value === null || value === undefined || unitText === "") return "";
  if (unitText === "°C") return warm(value, unit);
  if (unitText === "K") return `${difference(value, unit)}${THIN}${degrees(unit)}`; // a difference is no temperature
  if (unitText === "°C/min") return `${difference(value, unit)}${THIN}${degrees(unit)}/min`;
  if (unitText === "s") return value < 10e6 && value % 1e6 ? `${(value / 1e6).toFixed(1)}${THIN}s` : wait(value); // 4.8 s is no 5 s
  if (value === 1 && unitText.endsWith("s")) return `1${THIN}${unitText.slice(0, -1)}`;
  return `${value}${THIN}${unitText}`;
}

/** Spell the segment: "ramp 20 °C/h", "soak 105 ±2 °C, 8 h in band", "cooling 20 °C/h". */
export function segmentWords(segment, unit = "C", short = false) {
  if (segment.kind === "soak") {
    const held = `soak ${temperature(segment.target_mc, unit, 0)} ${plusMinus(segment.band_mc, unit, unit === "F" ? 1 : 0)}`;
    return short ? `soak ${hours(segment.soak_us)}` : `${held}, ${hours(segment.soak_us)} in band`;
  }
  const name = segment.kind === "cool" ? "cooling" : "ramp";
  return short ? name : `${name} ${rate(segment.rate_mc_per_h, unit)}`;
}

/** The levels a run may be watched at, by their names on the wire. */
export const LEVELS = { measure_only: "measure only", at_the_chamber: "at the chamber", in_the_building: "in the building, awake", unattended: "unattended" };
export const levelWords = (level) => LEVELS[level] ?? Object.values(LEVELS)[level] ?? String(level);

const UNITS = "°[CF]|%|K|W|V|A|mA|ms|s|min|h|kB";
const APART = new RegExp(`(\\d) (?=(?:${UNITS})(?![\\p{L}\\d]))`, "gu");

/** How the record calls whoever uses the chamber's own computer without an account, and what a sentence calls them. */
export const AT_HOME = "local, not signed in";
export const SOMEBODY = "somebody at this computer";

/** Somebody else's sentence with every number held to its unit, as this page's own are, and nobody called by the record's name. */
export const together = (text) => String(text ?? "").replace(APART, `$1${THIN}`).replaceAll(AT_HOME, SOMEBODY);

/** First letter large. */
export const capital = (text) => (text ? text[0].toUpperCase() + text.slice(1) : "");

/** First letter small. */
export const uncapital = (text) => (text ? text[0].toLowerCase() + text.slice(1) : "");

/** "1 alarm", "2 alarms". */
export const many = (count, word) => `${count} ${word}${count === 1 ? "" : "s"}`;

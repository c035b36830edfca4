// Numbers, times and places as text.

const PREFIXES = [[1e9, "G"], [1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"], [1e-12, "p"]];
const TAKES_PREFIX = new Set(["V", "A", "Hz", "ohm", "s", "F", "W", "V/rtHz"]);
const MINUS = "\u2212";

export function unitText(unit) {
  return { deg: "°", ohm: "Ω", "V/rtHz": "V/√Hz" }[unit] ?? unit ?? "";
}

// {factor, unit}: shown number = value / factor.
export function scaleFor(unit, ...values) {
  const size = Math.max(0, ...values.filter((v) => Number.isFinite(v)).map(Math.abs));
  if (!TAKES_PREFIX.has(unit) || size === 0) return { factor: 1, unit: unitText(unit) };
  const [factor, prefix] = PREFIXES.find(([f]) => size >= f * 0.9995) ?? PREFIXES.at(-1);
  return { factor, unit: prefix + unitText(unit) };
}

export function fixed(number, decimals) {
  const text = Math.abs(number).toFixed(decimals);
  return number < 0 && Number(text) !== 0 ? MINUS + text : text;
}

// Decimals that show U with two significant digits; four significant digits of the value without U.
export function decimalsFor(value, u) {
  const of = u > 0 && Number.isFinite(u) ? u : Math.abs(value) / 100;
  if (!(of > 0)) return 2;
  return Math.min(6, Math.max(0, 1 - Math.floor(Math.log10(of) + 1e-9)));
}

function joined(text, unit) {
  return unit === "" || unit === "°" ? text + unit : `${text}\u00a0${unit}`;
}

// "−0.312 dB", "4.981 V"
export function valueText(value, unit, u) {
  if (unit === "yes/no") return value >= 0.5 ? "yes" : "no";
  const scale = scaleFor(unit, value);
  return joined(fixed(value / scale.factor, decimalsFor(value / scale.factor, u / scale.factor)), scale.unit);
}

// The short form of a limit: no digits that say nothing.
export function plainText(value, unit, digits = 7) {
  const scale = scaleFor(unit, value);
  return joined(String(Number((value / scale.factor).toPrecision(digits))).replace("-", MINUS), scale.unit);
}

// A reading of the service as {value, u}: "better than" and "no reading" in words.
export function readingText(reading) {
  if (reading.value === undefined || reading.value === null) {
    return { value: "no reading", u: "", why: reading.detail || reading.reason || "" };
  }
  const u = reading.expanded_u ?? 0;
  const value = valueText(reading.value, reading.unit, u);
  const open = reading.open_above && reading.low !== undefined;
  return {
    value: open ? `better than ${valueText(reading.low, reading.unit, u)}` : value,
    u: u > 0 && !open ? valueText(u, reading.unit, u) : "",
    why: reading.detail ?? "",
  };
}

export function limitText(limit, unit) {
  if (!limit) return "";
  const { lower, upper } = limit;
  const has = (v) => v !== undefined && v !== null;
  if (unit === "yes/no") return "yes";
  if (has(lower) && has(upper)) return `${plainText(lower, unit, 4)} to ${plainText(upper, unit, 4)}`;
  if (has(lower)) return `at least ${plainText(lower, unit, 4)}`;
  return has(upper) ? `at most ${plainText(upper, unit, 4)}` : "";
}

// "2 h 05 min", "3 min 20 s", "45 s"
export function durationText(seconds) {
  if (!Number.isFinite(seconds) || seconds < 0) return "";
  const s = Math.round(seconds);
  if (s < 60) return `${s}\u00a0s`;
  if (s < 3600) return `${Math.floor(s / 60)}\u00a0min ${s % 60}\u00a0s`;
  return `${Math.floor(s / 3600)}\u00a0h ${String(Math.floor((s % 3600) / 60)).padStart(2, "0")}\u00a0min`;
}

// Times of the service (UTC) by the clock of this screen: the day only when it is not today.
export function timeText(iso, seconds = false) {
  const when = new Date(iso);
  if (Number.isNaN(when.getTime())) return "";
  const time = when.toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", second: seconds ? "2-digit" : undefined });
  if (when.toDateString() === new Date().toDateString()) return time;
  return `${dayText(when)} ${time}`;
}

export function dayText(date) {
  const d = date instanceof Date ? date : new Date(date);
  if (Number.isNaN(d.getTime())) return "";
  return `${d.getFullYear()}-${String(d.getMonth() + 1).padStart(2, "0")}-${String(d.getDate()).padStart(2, "0")}`;
}

const COORDINATES = { rf_hz: ["RF", "Hz"], lo_hz: ["LO", "Hz"], offset_hz: ["RF minus LO", "Hz"], level_dbm: ["Level", "dBm"], repeat: ["Round", ""] };

export function coordinate(key) {
  const [title, unit] = COORDINATES[key] ?? [key.replaceAll("_", " "), ""];
  return { title, unit };
}

// "5 kHz above LO, −40 dBm": what tells one curve from another.
export function seriesText(at) {
  return Object.entries(at)
    .map(([key, value]) => {
      if (key === "offset_hz") return `${plainText(Math.abs(value), "Hz")} ${value < 0 ? "below" : "above"} LO`;
      const { title, unit } = coordinate(key);
      return key === "level_dbm" ? plainText(value, unit) : `${title} ${plainText(value, unit)}`;
    })
    .join(", ");
}

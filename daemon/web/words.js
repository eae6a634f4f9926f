// Numbers and times in words: as many digits as the uncertainty warrants, the same rule as in the report.

/** How many decimals a value with standard uncertainty u deserves (Review of Particle Physics, rounding rule). */
export function decimalsFor(u) {
  if (!(u > 0) || !Number.isFinite(u)) { return 1; }
  const exponent = Math.floor(Math.log10(u));
  const leading = Math.round(u / 10 ** (exponent - 2));
  if (leading >= 950) { return -exponent; }
  return leading < 355 ? 1 - exponent : -exponent;
}

export function fixed(value, decimals, signed = false) {
  const unit = 10 ** -decimals;
  const rounded = decimals < 0 ? Math.round(value / unit) * unit : value;
  const text = rounded.toFixed(Math.max(decimals, 0));
  const plain = Number(text) === 0 ? text.replace("-", "") : text;
  return signed && Number(plain) > 0 ? `+${plain}` : plain;
}

/** "93.4 ± 0.8", "at most 12" or "not known". */
export function quantity(number, signed = false) {
  if (!number) { return "not known"; }
  if (number.value === null || number.u === null) { return `at most ${short(number.high95)}`; }
  if (!(number.u > 0)) { return short(number.value); }
  const decimals = decimalsFor(number.u);
  return `${fixed(number.value, decimals, signed)} ± ${fixed(number.u, decimals)}`;
}

export function interval(number, signed = false) {
  if (!number) { return ""; }
  const decimals = number.u > 0 ? decimalsFor(number.u) : Math.max(0, 2 - Math.floor(Math.log10(Math.abs(number.high95) || 1)));
  return `${fixed(number.low95, decimals, signed)} to ${fixed(number.high95, decimals, signed)}`;
}

export function short(value) {
  if (value === 0) { return "0"; }
  return fixed(value, Math.max(0, 2 - Math.floor(Math.log10(Math.abs(value)))));
}

export function duration(seconds) {
  if (seconds < 90) { return `${Math.round(seconds)} s`; }
  const minutes = Math.round(seconds / 60);
  return minutes < 90 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

export function counted(count, noun) { return `${count} ${noun}${count === 1 ? "" : "s"}`; }

const two = (number) => String(number).padStart(2, "0");

export function clock(date) { return `${two(date.getHours())}:${two(date.getMinutes())}:${two(date.getSeconds())}`; }

/** Local date and minute of an ISO time. */
export function day(text) {
  const date = new Date(text);
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())} ${two(date.getHours())}:${two(date.getMinutes())}`;
}

/** A time for a figure's axis: local, to the second. */
export function onAxis(milliseconds) {
  const date = new Date(milliseconds);
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())} ${clock(date)}`;
}

/** A routine's name for people. */
export function plainName(name) { return name.replaceAll("_", " "); }

export function capital(words) { return words ? words[0].toUpperCase() + words.slice(1) : words; }

/** Text for plotly, which reads a little HTML in labels. */
export function safe(words) {
  return String(words).replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;");
}

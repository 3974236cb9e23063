// What the bench tells, as it happens. A connection that drops is opened again, and goes on where it was.

const SILENT_S = 6; // the bench says something every two seconds

export class Stream extends EventTarget {
  // Events: "state" (how all stands), "news" (what is new), "age" (seconds since the last word).
  constructor(key = "") {
    super();
    this.key = key;
    this.last = "";
    this.heard = Date.now();
    this.open();
    setInterval(() => this.watch(), 500);
    // A tablet that wakes up must not wait for its timers.
    document.addEventListener("visibilitychange", () => document.hidden || this.watch());
  }

  get age_s() {
    return Math.max(0, (Date.now() - this.heard) / 1000);
  }

  open() {
    const words = new URLSearchParams();
    if (this.key) words.set("key", this.key);
    if (this.last) words.set("last", this.last);
    this.opened = Date.now();
    this.source = new EventSource("/events?" + words);
    for (const kind of ["state", "news", "beat"]) {
      this.source.addEventListener(kind, (event) => this.hear(kind, event));
    }
  }

  hear(kind, event) {
    this.heard = Date.now();
    if (event.lastEventId) this.last = event.lastEventId;
    const data = JSON.parse(event.data);
    if (kind !== "beat") this.dispatchEvent(new CustomEvent(kind, { detail: data }));
    this.dispatchEvent(new CustomEvent("age", { detail: this.age_s }));
  }

  watch() {
    const waited = (Date.now() - Math.max(this.heard, this.opened)) / 1000;
    const given_up = this.source.readyState === EventSource.CLOSED && waited > 1;
    if (given_up || waited > SILENT_S) {
      this.source.close();
      this.open();
    }
    this.dispatchEvent(new CustomEvent("age", { detail: this.age_s }));
  }
}

export const STALE_S = 4;

// Values of a gauge's display step: 0.01 shows two decimals.
export function shown(value, resolution, language = navigator.language) {
  const decimals = resolution > 0 ? Math.min(6, Math.max(0, Math.ceil(-Math.log10(resolution) - 1e-9))) : null;
  const format = decimals === null
    ? { maximumSignificantDigits: 4 }
    : { minimumFractionDigits: decimals, maximumFractionDigits: decimals };
  return new Intl.NumberFormat(language, format).format(value);
}

export const UNITS = { N: "N", GU: "GU", 1: "strokes", degC: "°C", "%": "%", g: "g", "W/m2": "W/m²" };

export function sameStep(one, other) {
  return Boolean(one && other) && ["test", "panel", "phase", "stage", "zone"].every((key) => one[key] === other[key]);
}

// The gauge that what is armed works with.
export function armedGauge(gauges, armed) {
  if (!armed) return null;
  if (armed.gauge) return gauges.get(armed.gauge) ?? null;
  return [...gauges.values()].find((one) => one.trial === armed.trial && sameStep(one.step, armed.step)) ?? null;
}

export function made(tag, words = {}, ...children) {
  const one = document.createElement(tag);
  for (const [name, value] of Object.entries(words)) {
    if (value === false || value === null || value === undefined) continue;
    if (name.startsWith("on")) one.addEventListener(name.slice(2), value);
    else one.setAttribute(name, value === true ? "" : value);
  }
  one.append(...children.filter((child) => child !== null));
  return one;
}

// Whether a reading or refusal belongs to the recording that began at `start`.
export function ofRecording(about, start) {
  return Math.abs(Date.parse(about.t_utc) - about.t_mono_ns / 1e6 - Date.parse(start)) < 1000;
}

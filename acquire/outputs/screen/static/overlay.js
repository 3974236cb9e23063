// Live value, count and trace over a camera's picture. Nothing else, and nothing that could be pressed.

import { STALE_S, Stream, UNITS, armedGauge, ofRecording, sameStep, shown } from "/static/stream.js";
import { Trace } from "/static/trace.js";

const by = (id) => document.getElementById(id);
const size = Number(document.body.dataset.size) / 100;
document.documentElement.style.setProperty("--size", size);

const gauges = new Map();
const latest = new Map();
const trace = new Trace(by("trace"), { seconds: 8, axes: false, line: 3 * size, font: 16 * size });
let armed = null;
let last = null;

const stream = new Stream(new URLSearchParams(location.search).get("key") ?? "");
stream.addEventListener("state", ({ detail }) => {
  gauges.clear();
  for (const one of detail.gauges) gauges.set(one.gauge, one);
  for (const [name, value] of Object.entries(detail.latest)) latest.set(name, value);
  arm(detail.desk.armed);
  show();
});
stream.addEventListener("news", ({ detail }) => {
  for (const one of detail.told) if (one.kind === "gauge") gauges.set(one.state.gauge, one.state);
  arm(detail.desk.armed);
  const gauge = armedGauge(gauges, armed);
  for (const one of detail.traces) {
    if (one.values.length) latest.set(one.gauge, one.values[one.values.length - 1]);
    if (one.gauge !== gauge?.gauge) continue;
    if (one.start_utc !== trace.start) trace.clear(one.start_utc);
    trace.add(one.t_s, one.values);
  }
  for (const one of detail.told) if (one.gauge === gauge?.gauge) hear(one);
  show();
});
stream.addEventListener("age", ({ detail }) => {
  by("stale").hidden = detail < STALE_S;
  if (detail >= STALE_S) by("stale").textContent = `data ${Math.round(detail)} s old`;
});

function arm(next) {
  if (next?.text !== armed?.text) {
    last = null;
    trace.clear("");
  }
  armed = next;
}

function hear({ kind, about }) {
  if (!["reading", "extra", "refused"].includes(kind) || !about) return;
  const refused = kind === "refused";
  const text = refused ? "refused" : shown(about.value, about.resolution);
  if (ofRecording(about, trace.start)) trace.mark(about.details, about.value, text, refused);
  if (!refused && about.trial === armed.trial && sameStep(about.step, armed.step)) last = about;
}

function show() {
  const gauge = armedGauge(gauges, armed);
  const [n, of] = gauge?.progress ?? [null, null];
  by("overlay").hidden = !armed;
  by("count").textContent = n === null ? "" : `${n} of ${of}`;
  by("trace").hidden = gauge?.quantity !== "force";
  if (gauge?.quantity === "count") {
    by("value").textContent = n ?? "–";
    by("unit").textContent = UNITS[1];
    return;
  }
  const live = gauge && latest.has(gauge.gauge) ? shown(latest.get(gauge.gauge), 0.01) : "–";
  by("value").textContent = gauge?.quantity === "force" || !last ? live : shown(last.value, last.resolution);
  by("last").textContent = last ? `· last ${shown(last.value, last.resolution)}` : "";
  by("unit").textContent = gauge ? (UNITS[gauge.unit] ?? gauge.unit) : "";
}

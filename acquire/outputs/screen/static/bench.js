// The bench view: what is armed, what was taken, what comes next. It shows and says what the bench tells.

import { Keys, ACTIONS, name as keyName } from "/static/keys.js";
import { STALE_S, Stream, UNITS, armedGauge, made, ofRecording, sameStep, shown } from "/static/stream.js";
import { Trace } from "/static/trace.js";
import { Voice } from "/static/voice.js";
import { reason, words } from "/static/words.js";
import { showGauges, showRoom } from "/static/gauges.js";
import { showTrials } from "/static/trials.js";

const by = (id) => document.getElementById(id);
const gauges = new Map();
const latest = new Map();
const voice = new Voice();
const trace = new Trace(by("trace"), { font: innerWidth > 1400 ? 20 : 15 });
let desk = { armed: null, failed: null };
let now = null; // what follows from the journal
let todo = null; // what could be armed
let last = null; // the newest reading, extra or refusal of what is armed
let workedOn = null; // trial and step that were armed last
const FRESH_MS = 10_000; // what was taken longer ago, while this page was away, is shown and not said

// ---- What the bench tells ------------------------------------------------------------------------------

const stream = new Stream();
stream.addEventListener("state", ({ detail }) => {
  gauges.clear();
  for (const one of detail.gauges) gauges.set(one.gauge, one);
  for (const [gauge, value] of Object.entries(detail.latest)) latest.set(gauge, value);
  take(detail.desk);
  refresh();
});
stream.addEventListener("news", ({ detail }) => {
  for (const one of detail.told) if (one.kind === "gauge") gauges.set(one.state.gauge, one.state);
  take(detail.desk);
  draw(detail.traces);
  const notes = detail.told.filter((one) => one.kind !== "gauge");
  for (const one of notes) note(one);
  if (!detail.caught_up || notes.some((one) => isFresh(one, detail.t_utc))) sound(notes);
  show();
  if (notes.some((one) => one.kind !== "strokes") || detail.told.length) refresh();
});
stream.addEventListener("age", ({ detail }) => {
  const stale = detail >= STALE_S;
  by("stale").hidden = !stale;
  document.body.classList.toggle("old", stale);
  state(by("link"), stale ? "bad" : "good", stale ? "no word from the bench" : "live");
  if (stale) by("stale").textContent = `Data ${Math.round(detail)} s old: no word from the bench`;
});

function isFresh(one, t_utc) {
  return Boolean(one.about?.t_utc) && Date.parse(t_utc) - Date.parse(one.about.t_utc) < FRESH_MS;
}

function take(next) {
  const changed = JSON.stringify(next) !== JSON.stringify(desk);
  if (!changed) return;
  const [before, after] = [desk.armed, next.armed];
  if (before && after && before.text === after.text && before.paused !== after.paused) {
    voice.say(after.paused ? words.paused : words.goes_on);
  }
  if (after && before?.text !== after.text) {
    last = null;
    now = null;
    trace.clear("");
    by("said").textContent = "";
    voice.say(words.armed(after.step ? words.step(after.step) : words.check(after.gauge)));
  }
  if (before && !after) {
    by("idle-said").className = by("said").className;
    by("idle-said").textContent = by("said").textContent;
  }
  if (after?.step) workedOn = after;
  desk = next;
  refresh();
}

function draw(traces) {
  const gauge = armedGauge(gauges, desk.armed);
  for (const one of traces) {
    if (one.values.length) latest.set(one.gauge, one.values[one.values.length - 1]);
    if (one.gauge !== gauge?.gauge) continue;
    if (one.start_utc !== trace.start) trace.clear(one.start_utc);
    trace.add(one.t_s, one.values);
  }
  trace.unit = gauge ? (UNITS[gauge.unit] ?? gauge.unit) : "";
}

function note(one) {
  const gauge = armedGauge(gauges, desk.armed);
  if (!gauge || one.gauge !== gauge.gauge) {
    if (["lost", "trouble"].includes(one.kind)) tell(one.kind, `${one.gauge}: ${one.text}`);
    return;
  }
  const about = one.about;
  if (["reading", "extra", "refused"].includes(one.kind) && about) {
    const refused = one.kind === "refused";
    const text = refused ? "refused" : shown(about.value, about.resolution);
    if (ofRecording(about, trace.start)) trace.mark(about.details, about.value, text, refused);
    if (about.trial === desk.armed.trial && sameStep(about.step, desk.armed.step)) last = { ...about, kind: one.kind };
  }
  if (one.kind === "strokes" && about) last = { ...about, kind: "strokes" };
  tell(one.kind, one.text);
}

const SAID = { refused: "bad", lost: "bad", trouble: "warn", extra: "warn", amended: "warn", full: "good", reading: "good" };

function tell(kind, text) {
  const said = desk.armed ? by("said") : by("idle-said");
  if (kind === "climate") return;
  if (kind === "strokes") {
    if (said.classList.contains("go")) said.textContent = ""; // what was to be done is being done
    return;
  }
  if (kind === "reading") text = ""; // it stands there in huge digits
  const lead = { refused: "Refused: ", full: "Full: ", lost: "Lost: ", extra: "Extra: " }[kind] ?? "";
  said.className = `said state ${SAID[kind] ?? "go"}`;
  said.textContent = lead + text;
}

function sound(notes) {
  const phrases = [];
  for (const one of notes) {
    const [n, of] = one.progress ?? [];
    const value = one.about?.unit ? aloud(one.about) : "";
    if (one.kind === "reading") {
      voice.tone("taken");
      phrases.push(words.taken(value, n, of));
    } else if (one.kind === "extra") {
      voice.tone("extra");
      phrases.push(words.extra(value));
    } else if (one.kind === "refused") {
      voice.tone("refused");
      phrases.push(`${words.refused}: ${reason(one.text)}`);
    } else if (one.kind === "full") {
      voice.tone("full");
      phrases.push(words.full);
      announceNext();
    } else if (one.kind === "amended" && one.progress) {
      voice.tone("undone");
      phrases.push(words.undone(n, of));
    } else if (one.kind === "check" && one.about) {
      voice.tone(one.about.verdict === "pass" ? "full" : "refused");
      phrases.push(words.checked[one.about.verdict] ?? "");
    } else if (one.kind === "lost") {
      voice.tone("lost");
      phrases.push(words.lost);
    }
  }
  if (phrases.length) voice.say(...phrases);
}

function aloud(about) {
  return `${shown(about.value, about.resolution, words.lang)} ${words.units[about.unit] ?? about.unit}`;
}

async function announceNext() {
  const trial = workedOn?.trial;
  await refreshTodo();
  const mine = todo?.trials.find((one) => one.trial === trial);
  const next = mine && (mine.arm[0] ?? null);
  const what = next ? words.step(next) : mine?.next?.title;
  if (!what) return;
  by("said").textContent += `. Next: ${next?.text ?? what}`;
  voice.also(words.next(what));
}

// ---- What follows from the journal -----------------------------------------------------------------------

// Each question has its own turn: what comes next may take the bench a while, how things stand must not.
function inTurn(question) {
  let asking = false;
  let again = false;
  return async function turn() {
    if (asking) {
      again = true;
      return;
    }
    asking = true;
    try {
      await question();
    } catch (error) {
      by("answer").textContent = error.message;
    } finally {
      asking = false;
    }
    show();
    if (again) {
      again = false;
      turn();
    }
  };
}

const refreshNow = inTurn(async () => { now = await ask("/now.json"); });
const refreshNext = inTurn(refreshTodo);

function refresh() {
  refreshNow();
  if (!desk.armed) refreshNext();
}

async function refreshTodo() {
  todo = await ask("/next.json");
}

async function ask(path, options) {
  const answer = await fetch(path, options).catch(() => {
    throw new Error("The bench did not hear that. Is it running? Try again.");
  });
  const said = await answer.json().catch(() => ({ error: `the bench answered ${answer.status}` }));
  if (!answer.ok) throw new Error(said.hint ? `${said.error}: ${said.hint}` : said.error);
  return said;
}

// A check can fall due, and a cure end, while nothing happens.
setInterval(() => document.hidden || refresh(), 20_000);

// ---- What is shown ---------------------------------------------------------------------------------------

function state(one, look, text) {
  one.className = `state ${look}` + (one.id === "became" ? " became" : "");
  if (one.textContent !== text) one.textContent = text;
}

function show() {
  const armed = desk.armed;
  by("failed").hidden = !desk.failed;
  by("failed").textContent = desk.failed ? `Acquisition does not run: ${desk.failed}. It is tried again.` : "";
  by("armed").hidden = by("acts").hidden = !armed;
  by("idle").hidden = Boolean(armed) || !todo;
  by("listen").hidden = voice.ready || voice.level === "off";
  if (armed) showArmed(armed);
  else if (todo) showTrials(by("trials"), todo, workedOn?.trial, arm);
  if (now) {
    showGauges(by("gauges"), now, gauges);
    by("room-part").hidden = !now.climate.length;
    showRoom(by("room"), now.climate);
  }
}

function showArmed(armed) {
  const gauge = armedGauge(gauges, armed);
  const ours = now?.step?.trial === armed.trial && sameStep(now?.step?.step, armed.step);
  const step = ours ? now.step : null;
  const [n, of] = gauge?.progress ?? (step && step.wanted !== null ? [step.taken, step.wanted] : [null, null]);
  by("trial").textContent = armed.step ? [armed.trial, step?.product].filter(Boolean).join(" · ") : "check";
  by("caution").hidden = !step?.caution;
  by("caution").textContent = step?.caution ?? "";
  by("step").textContent = armed.step ? title(armed.step) : armed.text;
  by("pause").firstElementChild.textContent = armed.paused ? "Go on" : "Pause";
  by("undo").hidden = by("extra").hidden = !armed.step || armed.step.test === "wash endurance";
  document.body.classList.toggle("paused", armed.paused);
  const count = gauge?.quantity === "count";
  by("count").textContent = n === null ? "" : count ? `of ${of} strokes` : `${n} of ${of}`;
  by("bar").hidden = !count || n === null;
  if (count && n !== null) Object.assign(by("bar"), { max: of, value: n });
  showValue(armed, step, count ? n : null, gauge);
  by("plot").hidden = gauge?.quantity !== "force";
  by("live").textContent = gauge && latest.has(gauge.gauge) && gauge.quantity === "force"
    ? `now ${shown(latest.get(gauge.gauge), 0.01)} ${UNITS[gauge.unit]}` : "";
  by("marks").hidden = count;
  showMarks(step, count ? null : n, of);
  showRefused(step);
}

function title(step) {
  const parts = [step.test, step.phase, step.panel];
  if (step.zone) parts.push(`${step.zone} zone`);
  if (step.stage !== null) parts.push(`stage ${step.stage}`);
  const text = parts.join(" · ");
  return text[0].toUpperCase() + text.slice(1);
}

const BECAME = {
  reading: ["good", "taken"], taken: ["good", "taken"], extra: ["warn", "extra, not counted"],
  "not counted": ["warn", "not counted"], undone: ["warn", "undone"], refused: ["bad", "refused"],
};

function showValue(armed, step, strokes, gauge) {
  const newest = last ?? newestOf(step);
  const became = by("became");
  if (strokes !== null) {
    by("value").textContent = new Intl.NumberFormat().format(strokes);
    by("unit").textContent = "strokes";
    const rate = newest?.details?.rate_per_min;
    state(became, armed.paused ? "warn" : "go", typeof rate === "number" ? `${Math.round(rate)} a minute` : "");
    return;
  }
  if (!armed.step) {
    // On a check the hand follows what the gauge shows.
    const live = gauge && latest.has(gauge.gauge);
    by("value").textContent = live ? shown(latest.get(gauge.gauge), gauge.quantity === "force" ? 0.01 : 0.1) : "–";
    by("unit").textContent = live ? UNITS[gauge.unit] : "";
    state(became, armed.paused ? "warn" : "go", armed.paused ? "paused" : "as the gauge shows it");
    return;
  }
  const value = newest?.kind === "refused" ? newestOf(step) : newest;
  by("value").textContent = typeof value?.value === "number" ? shown(value.value, value.resolution) : "–";
  by("unit").textContent = typeof value?.value === "number" ? (UNITS[value.unit] ?? value.unit ?? "") : "";
  const [look, word] = armed.paused ? ["warn", "paused: nothing is taken"] : BECAME[newest?.became ?? newest?.kind] ?? ["go", "waiting for the first"];
  const doubt = newest?.stamp?.state ?? newest?.state;
  state(became, look, doubt && doubt !== "in tolerance" && !armed.paused ? `${word}, gauge ${doubt}` : word);
}

function newestOf(step) {
  return step?.readings.filter((one) => one.became !== "undone").at(-1) ?? null;
}

const SIGNS = { taken: "✔", extra: "+", "not counted": "▲", undone: "✖" };

function showMarks(step, n, of) {
  const rows = step?.readings ?? [];
  const open = n === null ? 0 : Math.max(0, of - n);
  const key = JSON.stringify([rows, open]);
  if (by("marks").dataset.key === key) return;
  by("marks").dataset.key = key;
  const done = rows.map((one) => made("li", { class: one.became.replace(" ", "-") },
    made("span", { class: "sign", "aria-hidden": "true" }, SIGNS[one.became]),
    made("span", {}, shown(one.value, one.resolution)),
    made("span", { class: one.flagged ? "" : "unseen" }, one.flagged ? "stands out" : one.became)));
  const left = Array.from({ length: Math.min(open, 60) }, () => made("li", { class: "open" },
    made("span", { class: "sign", "aria-hidden": "true" }, "○"), made("span", { class: "unseen" }, "to go")));
  by("marks").replaceChildren(...done, ...left);
}

function showRefused(step) {
  const refusals = step?.refusals ?? [];
  by("refused").hidden = !refusals.length;
  if (by("refused").dataset.n === String(step?.refused_n)) return;
  by("refused").dataset.n = String(step?.refused_n);
  by("refused-n").textContent = `✖ ${step?.refused_n} refused: kept, never scored`;
  by("refusals").replaceChildren(...refusals.toReversed().map((one) => made("li", {},
    `${new Date(one.t_utc).toLocaleTimeString()}: ${one.reasons.join("; ")}`)));
}

// ---- What a person does ----------------------------------------------------------------------------------

async function give(order, body = {}) {
  by("answer").textContent = "";
  try {
    await ask(`/do/${order}`, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
    });
  } catch (error) {
    by("answer").textContent = error.message;
    voice.tone("refused");
  }
}

function arm(step) {
  voice.unlock().then(show);
  return give("arm", step);
}

function act(action, how) {
  if (action === "undo") return give("undo", { reason: `undone at the bench (${how})` });
  if (action === "extra") return give("extra");
  return give(desk.armed?.paused ? "go-on" : "pause");
}

for (const action of ["undo", "extra", "pause"]) by(action).addEventListener("click", () => act(action, "button"));
by("release").addEventListener("click", () => give("release"));
by("listen").addEventListener("click", () => voice.unlock().then(() => {
  show();
  voice.tone("taken");
}));
by("level").value = voice.level;
by("level").addEventListener("change", () => {
  voice.choose(by("level").value);
  voice.unlock().then(show);
});

const keys = new Keys((action, key) => {
  voice.unlock();
  act(action, `key ${key}`);
});
function showKeys() {
  for (const action of Object.keys(ACTIONS)) by(action).querySelector("kbd").textContent = keyName(keys.map[action]);
  by("keys-list").replaceChildren(...Object.entries(ACTIONS).map(([action, text]) => made("li", {},
    made("span", {}, text), made("kbd", {}, keyName(keys.map[action])),
    made("button", { type: "button", "aria-label": `Change the key for: ${text}`, onclick: () => learn(action) }, "Change"))));
}
function learn(action) {
  by("keys-said").textContent = `Press the key or pedal for: ${ACTIONS[action]}. Escape leaves it as it is.`;
  keys.learn(action, (_, said) => {
    by("keys-said").textContent = said;
    showKeys();
    by("keys-list").querySelector(`[aria-label$="${ACTIONS[action]}"]`)?.focus();
  });
}
by("keys-open").addEventListener("click", () => {
  by("keys-said").textContent = "";
  showKeys();
  by("keys").showModal();
});
by("keys-close").addEventListener("click", () => by("keys").close());
by("keys").addEventListener("close", () => keys.forget());
showKeys();

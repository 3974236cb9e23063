// The state of each gauge and of the room.

import { UNITS, made, shown } from "/static/stream.js";

const LOOKS = { "in tolerance": "good", "unchecked today": "warn", overdue: "warn", doubtful: "bad", "out of tolerance": "bad" };
const PORTS = { open: ["good", "connected"], waiting: ["go", "not connected yet"], lost: ["bad", "lost"], trouble: ["warn", "trouble"] };

export function showGauges(list, now, seen) {
  const at = Date.parse(now.t_utc);
  const known = new Set(now.gauges.map((one) => one.gauge));
  const cards = now.gauges.map((one) => card(one, seen.get(one.gauge), at));
  // Those that no reading is scored from have no checks; whether they are there still matters.
  for (const one of seen.values()) if (!known.has(one.gauge)) cards.push(made("li", { class: "card" }, made("h3", {}, one.gauge), port(one)));
  put(list, cards);
}

function card(one, seen, at) {
  const heading = one.channel === null ? one.gauge : `${one.gauge} at ${one.channel}°`;
  return made("li", { class: "card" },
    made("h3", {}, heading),
    made("p", { class: `state ${LOOKS[one.state] ?? "warn"}` }, one.state),
    seen && seen.port !== "open" ? port(seen) : null,
    made("p", { class: "due" }, due(one, at)));
}

function port(seen) {
  const [look, word] = PORTS[seen.port] ?? PORTS.waiting;
  return made("p", { class: `state ${look}`, title: seen.said }, word);
}

function due(one, at) {
  const first = one.check_before_utc ?? one.due_by_rule_utc;
  if (one.state !== "in tolerance" || first === null) return "check it before the next reading";
  const minutes = Math.floor((Date.parse(first) - at) / 60_000);
  if (minutes <= 0) return "check it now";
  return `next check in ${minutes >= 120 ? `${Math.floor(minutes / 60)} h ${minutes % 60} min` : `${minutes} min`}`;
}

export function showRoom(list, climate) {
  put(list, climate.flatMap((one) => [
    made("dt", {}, `${one.where} ${one.quantity}` + (one.channel && one.channel !== one.quantity ? ` (${one.channel})` : "")),
    made("dd", { class: one.outside ? "state warn" : "" },
      `${shown(one.value, 0.1)} ${UNITS[one.unit] ?? one.unit}` + (one.outside ? `, outside: ${one.outside}` : "")),
  ]));
}

// Only what has changed: nobody's focus and no reader's place is lost.
function put(list, items) {
  const key = items.map((one) => one.outerHTML).join("");
  if (list.dataset.key === key) return;
  list.dataset.key = key;
  list.replaceChildren(...items);
}

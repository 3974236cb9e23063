// Open trials, each with what comes next, what that needs, and what can be armed.

import { made } from "/static/stream.js";

export function showTrials(list, todo, first, arm) {
  const trials = [...todo.trials].sort((one, other) => (other.trial === first) - (one.trial === first));
  const key = JSON.stringify(trials);
  if (list.dataset.key === key) return;
  const focus = document.activeElement?.id;
  const unfolded = [...list.querySelectorAll("details[open]")].map((one) => one.id);
  list.dataset.key = key;
  list.replaceChildren(...(trials.length ? trials.map((one) => card(one, arm)) : [nothing()]));
  for (const id of unfolded) document.getElementById(id)?.setAttribute("open", "");
  if (focus) document.getElementById(focus)?.focus();
}

function nothing() {
  return made("p", {}, "No trial is open. ", made("a", { href: "/trials" }, "Open one."));
}

function card(one, arm) {
  const next = one.next;
  const [first, ...others] = one.arm;
  return made("article", { class: "card trial-card", "aria-label": `${one.product}, trial ${one.trial}` },
    made("h2", {}, one.product, " ", made("span", { class: "quiet" }, one.trial)),
    next ? made("p", { class: "next" }, made("strong", {}, "Next: "), next.title) : null,
    ...one.waits.map((wait) => made("p", { class: "state warn" }, `waiting: ${wait.text}` + (wait.until ? ` until ${wait.until}` : ""))),
    next?.instruction ? made("p", {}, next.instruction) : null,
    next?.needs.length ? made("p", {}, made("strong", {}, "At hand: "), next.needs.join("; ")) : null,
    next?.caution ? made("p", { class: "caution" }, next.caution) : null,
    made("div", { class: "acts" },
      first ? button(one, first, arm, "main-act") : null,
      made("a", { class: "button", id: `open/${one.trial}`, href: `/trial/${encodeURIComponent(one.trial)}` }, "Open the trial")),
    others.length ? made("details", { id: `more/${one.trial}` }, made("summary", { id: `fold/${one.trial}` }, `${others.length} more that can be armed now`),
      made("div", { class: "acts" }, ...others.map((other) => button(one, other, arm, "")))) : null);
}

function button(one, step, arm, look) {
  const { text, taken, wanted, ...words } = step;
  const far = taken ? ` (${taken} of ${wanted})` : "";
  const id = ["arm", one.trial, step.test, step.panel, step.phase, step.stage, step.zone].join("/").replaceAll(" ", "-");
  return made("button", { type: "button", class: look, id, onclick: () => arm({ trial: one.trial, ...words }) },
    `Arm: ${text}${far}`);
}

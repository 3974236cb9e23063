// What is typed into a form is kept in this browser until the bench has said that it is written. If the bench
// does not answer, the form is sent again by itself, with the same number: it is written once, however often
// it comes. A photograph cannot be kept across a reload, and is asked for again.

const KEPT = "panelwright-form:";
const KEPT_DAYS = 30;
const AGAIN_S = [1, 2, 4, 8];

function stored(key) {
  try {
    const found = JSON.parse(localStorage.getItem(KEPT + key) ?? "null");
    if (found && Date.now() - found.at < KEPT_DAYS * 86400e3) return found;
    localStorage.removeItem(KEPT + key);
  } catch { /* no storage here: the form works without */ }
  return null;
}

function store(key, what) {
  try {
    if (what === null) localStorage.removeItem(KEPT + key);
    else localStorage.setItem(KEPT + key, JSON.stringify({ ...what, at: Date.now() }));
  } catch { /* as above */ }
}

const typedIn = (form) =>
  [...form.elements].filter((one) => one.name && one.type !== "hidden" && one.type !== "file");

function words(form) {
  const found = {};
  for (const one of typedIn(form)) {
    if (one.type === "checkbox") found[one.name] = one.checked;
    else if (one.type !== "radio") found[one.name] = one.value;
    else if (one.checked) found[one.name] = one.value;
  }
  return found;
}

function fill(form, kept) {
  for (const one of typedIn(form)) {
    if (!(one.name in kept)) continue;
    if (one.type === "checkbox") one.checked = kept[one.name];
    else if (one.type === "radio") one.checked = one.value === kept[one.name];
    else one.value = kept[one.name];
  }
  // What is filled in must not stay out of sight.
  for (const one of form.querySelectorAll("details"))
    if ([...one.querySelectorAll("input, textarea")].some((field) => field.value)) one.open = true;
  form.closest("details")?.setAttribute("open", "");
}

class Keeper {
  constructor(form) {
    this.form = form;
    this.key = form.dataset.keep;
    this.number = form.elements.namedItem("form");
    this.file = form.querySelector("input[type=file]");
    this.tries = 0;
    this.sending = false;
    this.timer = 0;
    form.noValidate = false;
    form.addEventListener("input", () => this.keep(false));
    form.addEventListener("submit", (event) => this.submit(event));
    addEventListener("online", () => { if (this.timer) this.send(); });
    this.restore();
  }

  keep(waiting) {
    if (!this.key) return;
    const photo = Boolean(this.file?.files.length);
    store(this.key, { number: this.number.value, words: words(this.form), waiting, photo });
  }

  restore() {
    const kept = this.key ? stored(this.key) : null;
    // What the server shows again with its faults is newer than what was kept.
    if (!kept || this.form.querySelector("[data-fault]:not([hidden])")) return;
    fill(this.form, kept.words);
    if (kept.photo) {
      this.number.value = kept.number;
      this.say("What you typed is still here. Choose the photograph again, then send it.");
    } else if (kept.waiting) {
      this.number.value = kept.number;
      this.say("This was not sent yet: it is sent now.");
      this.send();
    } else {
      this.say("What you typed before is still here; it was not sent.");
      this.offerToClear();
    }
  }

  offerToClear() {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = "Clear it";
    button.addEventListener("click", () => {
      store(this.key, null);
      this.form.reset();
      this.say("");
    });
    this.said().append(" ", button);
  }

  submit(event) {
    event.preventDefault();
    if (this.sending) return;
    const most = Number(this.file?.dataset.mostBytes ?? 0);
    if (most && this.file.files[0]?.size > most) {
      this.blame({ photo: [`that photograph is larger than ${most / 1e6} MB`, "take it with a lower resolution"] });
      return;
    }
    this.keep(true);
    this.tries = 0;
    this.send();
  }

  async send() {
    clearTimeout(this.timer);
    this.timer = 0;
    if (this.sending) return;
    this.sending = true;
    this.blame({});
    this.form.setAttribute("aria-busy", "true");
    try {
      const data = new FormData(this.form);
      const body = this.file ? data : new URLSearchParams(data);
      const answer = await fetch(this.form.action, {
        method: "POST", body, headers: { accept: "application/json" }, redirect: "error",
      });
      await this.answered(answer);
    } catch {
      this.later();
    } finally {
      this.sending = false;
      this.form.removeAttribute("aria-busy");
    }
  }

  later() {
    if (!this.key) {
      this.say("The bench does not answer. Try again.");
      return;
    }
    const wait_s = AGAIN_S[Math.min(this.tries, AGAIN_S.length - 1)];
    this.tries += 1;
    this.say("The bench does not answer. What you typed is kept here, and sent again by itself.");
    this.timer = setTimeout(() => this.send(), wait_s * 1000);
  }

  async answered(answer) {
    const isData = answer.headers.get("content-type")?.includes("json");
    const said = isData ? await answer.json() : { text: await answer.text() };
    if (answer.ok && said.location) {
      if (this.key) store(this.key, null);
      this.say(`Written down: ${said.said}.`);
      this.goOn(new URL(said.location, location.href));
      return;
    }
    this.keep(false);
    if (said.faults) this.blame(said.faults);
    else this.blame({ "": [(said.error ?? said.text ?? "").trim() || `the bench says ${answer.status}`, said.hint ?? ""] });
  }

  goOn(to) {
    if (to.pathname !== location.pathname) {
      location.assign(to);
      return;
    }
    history.replaceState(null, "", to);
    location.reload();
  }

  blame(faults) {
    this.say("");
    let first = null;
    const places = [...this.form.querySelectorAll("[data-fault]")];
    const known = new Set(places.map((place) => place.dataset.fault));
    for (const place of places) {
      const unplaced = Object.keys(faults).find((name) => !known.has(name));
      const found = faults[place.dataset.fault] ?? (place.dataset.fault === "" && unplaced ? faults[unplaced] : null);
      place.textContent = found ? found[0] : "";
      if (found?.[1]) {
        const hint = document.createElement("span");
        hint.className = "hint";
        hint.textContent = `${found[1][0].toUpperCase()}${found[1].slice(1)}.`;
        place.append(hint);
      }
      place.hidden = !found;
      for (const one of this.form.querySelectorAll(`[name="${CSS.escape(place.dataset.fault)}"]`)) {
        if (!found) one.removeAttribute("aria-invalid");
        else one.setAttribute("aria-invalid", "true");
        if (found) first ??= one;
      }
    }
    first?.focus();
  }

  said() { return this.form.querySelector("[data-said]"); }

  say(text) { this.said().textContent = text; }
}

for (const form of document.querySelectorAll("form.kept")) new Keeper(form);

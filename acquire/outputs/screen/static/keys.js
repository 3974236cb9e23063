// Which key does what. A pedal is a keyboard with few keys; a key that is given to nothing does nothing.

const KEPT = "panelwright keys";
const FIRST = { undo: "u", extra: "e", pause: "p" };
const NOT_FREE = ["Tab", "Escape", "Shift", "Control", "Alt", "Meta", "CapsLock", "Dead", "Process", "Unidentified"];
const BOUNCE_MS = 350; // a pedal's contact may close twice

export const ACTIONS = { undo: "Undo the last", extra: "One extra", pause: "Pause, or go on" };

export class Keys {
  constructor(act) {
    this.act = act;
    this.listening = null;
    this.pressed = {};
    this.map = { ...FIRST };
    try {
      const kept = JSON.parse(localStorage.getItem(KEPT) ?? "{}");
      for (const name of Object.keys(FIRST)) if (typeof kept[name] === "string") this.map[name] = kept[name];
    } catch {
      // What another program left there is passed over.
    }
    document.addEventListener("keydown", (event) => this.hear(event), true);
  }

  // The next key that is pressed is given to this action; `told` hears what came of it.
  learn(action, told) {
    this.listening = { action, told };
  }

  forget() {
    this.listening = null;
  }

  hear(event) {
    if (this.listening) return this.take(event);
    if (event.repeat || event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
    if (document.querySelector("dialog[open]")) return;
    const target = event.target;
    if (target.closest("input, textarea, select, [contenteditable]")) return;
    if ([" ", "Enter"].includes(event.key) && target.closest("a, button, summary")) return;
    const action = Object.keys(this.map).find((name) => this.map[name] === normal(event.key));
    if (!action) return;
    event.preventDefault();
    if (event.timeStamp - (this.pressed[action] ?? -Infinity) < BOUNCE_MS) return;
    this.pressed[action] = event.timeStamp;
    this.act(action, name(this.map[action]));
  }

  take(event) {
    const { action, told } = this.listening;
    if (["Escape", "Tab"].includes(event.key)) {
      this.listening = null;
      told(null, "Nothing was changed.");
      return;
    }
    if (["Shift", "Control", "Alt", "Meta"].includes(event.key)) return;
    event.preventDefault();
    event.stopPropagation();
    const key = normal(event.key);
    const other = Object.keys(this.map).find((one) => one !== action && this.map[one] === key);
    if (NOT_FREE.includes(event.key)) return told(null, "That key cannot be used; press another.");
    if (other) return told(null, `${name(key)} is taken by “${ACTIONS[other]}”; press another.`);
    this.listening = null;
    this.map[action] = key;
    localStorage.setItem(KEPT, JSON.stringify(this.map));
    told(key, `${name(key)} now does: ${ACTIONS[action]}.`);
  }
}

const normal = (key) => (key.length === 1 ? key.toLowerCase() : key);

export function name(key) {
  return { " ": "Space", ArrowLeft: "←", ArrowRight: "→", ArrowUp: "↑", ArrowDown: "↓" }[key]
    ?? (key.length === 1 ? key.toUpperCase() : key.replace(/([a-z])([A-Z])/g, "$1 $2"));
}

// Tones and speech. A browser plays nothing until somebody has touched the page: arming does, or "turn sound on".

import { words } from "/static/words.js";

// Told apart by pitch and by rhythm: [Hz, start in s, length in s].
const TONES = {
  taken: [[880, 0, 0.14]],
  extra: [[880, 0, 0.09], [660, 0.13, 0.09]],
  refused: [[220, 0, 0.2], [220, 0.28, 0.2]],
  full: [[660, 0, 0.12], [880, 0.15, 0.12], [1320, 0.3, 0.3]],
  undone: [[660, 0, 0.12], [440, 0.15, 0.2]],
  lost: [[165, 0, 0.7]],
};
const KEPT = "panelwright sound";

export class Voice {
  constructor() {
    const kept = localStorage.getItem(KEPT);
    this.level = ["full", "tones", "off"].includes(kept) ? kept : "full";
    this.audio = null;
  }

  choose(level) {
    this.level = level;
    localStorage.setItem(KEPT, level);
    if (level !== "full") speechSynthesis.cancel();
  }

  // To be called from a click or a key press.
  async unlock() {
    this.audio ??= new AudioContext();
    if (this.audio.state !== "running") await this.audio.resume();
  }

  get ready() {
    return this.audio?.state === "running";
  }

  tone(kind) {
    if (this.level === "off" || !this.ready) return;
    for (const [pitch, start, length] of TONES[kind] ?? []) {
      const [sound, loud] = [this.audio.createOscillator(), this.audio.createGain()];
      const at = this.audio.currentTime + start;
      sound.type = kind === "refused" || kind === "lost" ? "square" : "sine";
      sound.frequency.value = pitch;
      // Faded, so that it does not click.
      loud.gain.setValueAtTime(0, at);
      loud.gain.linearRampToValueAtTime(sound.type === "square" ? 0.15 : 0.4, at + 0.01);
      loud.gain.setValueAtTime(sound.type === "square" ? 0.15 : 0.4, at + length - 0.03);
      loud.gain.linearRampToValueAtTime(0, at + length);
      sound.connect(loud).connect(this.audio.destination);
      sound.start(at);
      sound.stop(at + length);
    }
  }

  // The newest matters most: what is still being said is cut short.
  say(...texts) {
    if (this.level !== "full" || !this.ready || !texts.length) return;
    speechSynthesis.cancel();
    for (const text of texts) this.also(text);
  }

  also(text) {
    if (this.level !== "full" || !this.ready) return;
    const one = new SpeechSynthesisUtterance(text);
    one.lang = words.lang;
    speechSynthesis.speak(one);
  }
}

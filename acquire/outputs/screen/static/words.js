// What is said aloud, in the browser's language where there is a table for it, else in English.

const EN = {
  lang: "en-GB",
  units: { N: "newton", GU: "gloss units", 1: "strokes" },
  taken: (value, n, of) => `${value}. ${n} of ${of}`,
  extra: (value) => `${value}. Extra`,
  full: "Step full",
  next: (what) => `Next: ${what}`,
  refused: "Refused",
  undone: (n, of) => `Undone. ${n} of ${of}`,
  paused: "Paused",
  goes_on: "Goes on",
  lost: "Gauge lost",
  armed: (what) => `Armed: ${what}`,
  check: (gauge) => `check of ${gauge}`,
  checked: { pass: "Check passed", fail: "Check failed", undecided: "Check could not tell" },
  step: (one) => `${one.test}, ${one.phase}, ${one.panel}` + (one.stage === null ? "" : `, stage ${one.stage}`),
  reasons: [],
};

const DE = {
  lang: "de-DE",
  units: { N: "Newton", GU: "Glanzeinheiten", 1: "Hübe" },
  taken: (value, n, of) => `${value}. ${n} von ${of}`,
  extra: (value) => `${value}. Zusätzlich`,
  full: "Schritt voll",
  next: (what) => `Als Nächstes: ${what}`,
  refused: "Abgelehnt",
  undone: (n, of) => `Zurückgenommen. ${n} von ${of}`,
  paused: "Angehalten",
  goes_on: "Weiter",
  lost: "Messgerät weg",
  armed: (what) => `Bereit: ${what}`,
  check: (gauge) => `Prüfung von ${gauge}`,
  checked: { pass: "Prüfung bestanden", fail: "Prüfung nicht bestanden", undecided: "Prüfung ohne Ergebnis" },
  step: (one) => [
    { slip: "Gleitprüfung", gloss: "Glanz", "wash endurance": "Waschen", "UV screening": "U V" }[one.test] ?? one.test,
    { bare: "unbehandelt", treated: "behandelt" }[one.phase], one.panel,
    ...(one.stage === null ? [] : [`Stufe ${one.stage}`]),
  ].join(", "),
  reasons: [
    ["too fast", "zu schnell"], ["too slow", "zu langsam"], ["started without rest", "ohne Ruhe begonnen"],
    ["never released", "nicht losgelassen"], ["saturated", "Messbereich überschritten"],
    ["interrupted", "unterbrochen"], ["jerked", "geruckt"],
  ],
};

export const words = navigator.language.toLowerCase().startsWith("de") ? DE : EN;

// The first few words of a reason: the whole of it stands on the screen.
export function reason(text) {
  const known = words.reasons.find(([start]) => text.startsWith(start));
  return known ? known[1] : text.split(/[;:(]/)[0].trim();
}

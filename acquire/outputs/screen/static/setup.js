// While the bench listens to an unknown gauge, tells how far it is; then shows what was understood.

const AGAIN_MS = 700;
const attempt = document.getElementById("attempt");
const said = document.getElementById("attempt-said");

async function look() {
  try {
    const answer = await fetch("/setup/listening.json");
    const found = await answer.json();
    if (!found?.running) {
      location.reload();
      return;
    }
    const words = `Listening: ${found.said.at(-1) ?? "begun"}`;
    if (said.textContent !== words) said.textContent = words;
  } catch {
    said.textContent = "The bench does not answer; it is asked again.";
  }
  setTimeout(look, AGAIN_MS);
}

if (attempt?.dataset.running === "yes") {
  document.getElementById("attempt-again").hidden = true;
  setTimeout(look, AGAIN_MS);
}

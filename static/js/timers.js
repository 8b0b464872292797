// A sound and a notice when a run ends, on every page of whoever works at the bench. Each end is
// told once per tablet, also when several of its pages are open; a silent office gets notices only.

const TOLD = "timers-told";
const WANTED = "timers-wanted";
const LATEST = 10 * 60 * 1000; // what ended long before the page opened is not news
let audio = null;

function told(name) {
  const known = JSON.parse(localStorage.getItem(TOLD) ?? "[]");
  if (known.includes(name)) return true;
  known.push(name);
  localStorage.setItem(TOLD, JSON.stringify(known.slice(-60)));
  return false;
}

function sound() {
  if (!audio || audio.state !== "running") return;
  for (const [start, pitch] of [[0, 660], [0.28, 880], [0.56, 660], [0.84, 880]]) {
    const tone = audio.createOscillator();
    const loudness = audio.createGain();
    tone.frequency.value = pitch;
    loudness.gain.setValueAtTime(0.0001, audio.currentTime + start);
    loudness.gain.exponentialRampToValueAtTime(0.25, audio.currentTime + start + 0.03);
    loudness.gain.exponentialRampToValueAtTime(0.0001, audio.currentTime + start + 0.24);
    tone.connect(loudness).connect(audio.destination);
    tone.start(audio.currentTime + start);
    tone.stop(audio.currentTime + start + 0.25);
  }
}

function announce(text) {
  const toasts = document.getElementById("toasts");
  const toast = document.createElement("div");
  toast.className = "toast";
  toast.textContent = text;
  toasts?.append(toast);
  setTimeout(() => toast.remove(), 20000);
  if ("Notification" in window && Notification.permission === "granted") {
    try { new Notification(text); } catch { /* some browsers allow it from workers only */ }
  }
}

function check() {
  const silent = document.getElementById("timers")?.dataset.silent === "yes";
  for (const element of document.querySelectorAll("[data-alarm]")) {
    const over = Date.now() - Date.parse(element.dataset.until);
    if (over < 0 || over > LATEST || told(element.dataset.alarm)) continue;
    announce(element.dataset.says);
    if (!silent && localStorage.getItem(WANTED) !== "no") sound();
  }
}
setInterval(check, 1000);

// Browsers let a page sound only after a touch; any touch will do.
function wake() {
  if (localStorage.getItem(WANTED) === "no") return;
  try {
    audio ??= new AudioContext();
    audio.resume();
  } catch {
    audio = null;
  }
}
document.addEventListener("pointerdown", wake, { passive: true });
document.addEventListener("keydown", wake, { passive: true });

function show() {
  const button = document.getElementById("notices");
  if (!button) return;
  const on = localStorage.getItem(WANTED) === "yes";
  button.hidden = false;
  button.setAttribute("aria-pressed", String(on));
  button.querySelector("span").textContent = on ? "Sound and notices are on" : "Turn sound and notices on";
}

document.addEventListener("click", async (event) => {
  if (!event.target.closest?.("#notices")) return;
  const on = localStorage.getItem(WANTED) === "yes";
  localStorage.setItem(WANTED, on ? "no" : "yes");
  show();
  if (!on) {
    wake();
    if ("Notification" in window && Notification.permission === "default") {
      await Notification.requestPermission();
    }
  }
});
document.addEventListener("htmx:afterSettle", show);
show();

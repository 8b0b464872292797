// Keeps pages live: notices a lost connection, fades messages, and counts timers.
//
// A live part is an element with hx-get and hx-trigger="every 2s"; the server answers
// 204 when nothing changed, so an unchanged page is not touched.

import { awaitSignIn, presence, written } from "./presence.js";

const offline = document.getElementById("offline");
let failures = 0;

function connection(ok) {
  failures = ok ? 0 : failures + 1;
  if (offline) offline.hidden = failures < 2;
}

document.addEventListener("htmx:sendError", () => connection(false));
document.addEventListener("htmx:timeout", () => connection(false));
document.addEventListener("htmx:responseError", (event) => {
  const status = event.detail.xhr.status;
  if (status === 0 || status >= 500) connection(false);
});
document.addEventListener("htmx:afterOnLoad", () => connection(true));
window.addEventListener("offline", () => { failures = 2; connection(false); });

// Signed out: the page gives way to the sign-in, unless something written on it would be lost.
document.addEventListener("htmx:beforeOnLoad", (event) => {
  const to = event.detail.xhr.getResponseHeader("HX-Redirect") ?? "";
  const content = document.getElementById("content");
  if (!to.startsWith("/login/") || !(written(content) || content.querySelector("#queue li"))) return;
  event.preventDefault();
  presence().then((found) => { if (!found.here) awaitSignIn(found); });
});

// A person who is typing in a live part keeps what is typed.
document.addEventListener("htmx:beforeSwap", (event) => {
  const target = event.detail.target;
  const active = document.activeElement;
  const typing = active && target.contains(active) && active.matches("input, textarea, select");
  if (typing && target.hasAttribute("data-live")) event.detail.shouldSwap = false;
});

// A button that is being pressed stays until the press has done its work: replaced between
// finger down and finger up, it would never hear of it.
const PRESS = 400; // from finger up to the click
let pressed = null;
document.addEventListener("pointerdown", (event) => { pressed = event.target; }, { capture: true });
for (const end of ["pointerup", "pointercancel"]) {
  document.addEventListener(end, () => {
    const mine = pressed;
    setTimeout(() => { if (pressed === mine) pressed = null; }, PRESS);
  }, { capture: true });
}
document.addEventListener("htmx:beforeSwap", (event) => {
  const { target, requestConfig } = event.detail;
  if (pressed && requestConfig.elt === target && target.contains(pressed)) event.detail.shouldSwap = false;
});

// Keep the keyboard's place when a live part is replaced: on the same button, or, when that is
// gone, on the first one of the same line of a list.
let focused = null;
let line = null;
let unfolded = []; // what a person has unfolded stays so
document.addEventListener("htmx:beforeSwap", (event) => {
  const { target } = event.detail;
  const active = document.activeElement;
  const inside = active && target.contains(active);
  focused = inside ? address(active) : null;
  line = inside && active.id ? active.closest("li[id]")?.id : null;
  unfolded = [...target.querySelectorAll("details[id][open]")].map((part) => part.id);
});
function address(element) {
  if (element.id) return `#${CSS.escape(element.id)}`;
  const href = element.getAttribute("href");
  if (href) return `main a[href="${CSS.escape(href)}"]`;
  const part = element.matches("summary") && element.parentElement.id;
  return part ? `#${CSS.escape(part)} > summary` : null;
}
document.addEventListener("htmx:afterSwap", () => {
  for (const id of unfolded) document.getElementById(id)?.setAttribute("open", "");
});
document.addEventListener("htmx:afterSettle", () => {
  const same = focused && document.querySelector(focused);
  const next = line && document.getElementById(line)?.querySelector("button, a.button");
  (same || next)?.focus({ preventScroll: true });
  focused = line = null;
  count();
});

for (const toast of document.querySelectorAll("[data-fades]")) {
  setTimeout(() => toast.remove(), 8000);
}

// Where the main menu is wider than the screen, the entry of this page is in view.
const rail = document.querySelector(".rail");
const entry = rail?.querySelector("[aria-current]");
if (entry && rail.scrollWidth > rail.clientWidth) {
  rail.scrollLeft = entry.offsetLeft - (rail.clientWidth - entry.offsetWidth) / 2;
}

function words(seconds) {
  const whole = Math.round(Math.abs(seconds));
  const minutes = Math.floor(whole / 60);
  if (minutes >= 60) return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")}`;
  return `${minutes}:${String(whole % 60).padStart(2, "0")}`;
}

// <time data-until="ISO 8601"> counts down, then says how long it has been over.
function count() {
  const now = Date.now();
  for (const element of document.querySelectorAll("[data-until]")) {
    const left = (Date.parse(element.dataset.until) - now) / 1000;
    element.textContent = left >= 0 ? words(left) : `over by ${words(left)}`;
    element.classList.toggle("over", left < 0);
  }
}
count();
setInterval(count, 1000);

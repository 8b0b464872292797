// A form is sent only while the office's server answers and its person is signed in, and once
// however often it is pressed.
//
// Without a connection the browser would show its own error page in place of ours, and what was
// scanned or written would be gone. Until the server answers again it waits here, in sight.

import { awaitSignIn, presence, written } from "./presence.js";

const PAUSE = 1500;
const GONE = 20000; // a form whose answer is a file leaves the page as it is

let underway = null; // what is being sent or waits

const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

function notice(form, stop) {
  const scanned = form.querySelector("[name=text]")?.value;
  const words = document.createElement("span");
  words.textContent = `No connection. ${scanned ? `“${scanned}”` : "That"} is not recorded yet; `
    + "it is sent by itself when the connection is back.";
  const button = document.createElement("button");
  button.type = "button";
  button.className = "button";
  button.textContent = "Do not send it";
  button.addEventListener("click", stop);
  const box = document.createElement("div");
  box.className = "offline unsent";
  box.setAttribute("role", "alert");
  box.append(words, button); // not focused: the Enter of the next scan would press it
  document.getElementById("content").prepend(box);
  return box;
}

// A form drawn again holds what was written before as its own. A code is scanned again in a moment.
function filled(form) {
  if (form.id === "scan-form") return false;
  const fields = [...form.querySelectorAll("textarea, input:is([type=text], :not([type]))")];
  return written(form) || fields.some((field) => field.value);
}

async function hold(mine) {
  let box = null;
  const stop = () => {
    underway = null;
    mine.form.inert = false;
    box.remove();
    document.dispatchEvent(new CustomEvent("unsent"));
  };
  mine.form.inert = true; // another scan must not write into this one
  let found = await presence();
  while (underway === mine && !found.up) {
    box ??= notice(mine.form, stop);
    await wait(PAUSE);
    found = await presence();
  }
  if (underway !== mine) return;
  box?.remove();
  mine.form.inert = false;
  if (!found.here && filled(mine.form)) {
    underway = null;
    awaitSignIn(found);
    document.dispatchEvent(new CustomEvent("unsent"));
  }
}

async function onSubmit(event) {
  const { target: form, submitter } = event;
  const live = form.hasAttribute("hx-post") || submitter?.hasAttribute("hx-post");
  if (event.defaultPrevented || form.method !== "post" || live) return;
  if (underway?.form === form && underway.go) {
    underway.go = false;
    return; // this one goes out
  }
  event.preventDefault();
  event.stopPropagation();
  if (underway) return; // pressed again
  const mine = { form, go: false };
  underway = mine;
  await hold(mine);
  if (underway !== mine) return;
  mine.go = true;
  form.requestSubmit(submitter);
  setTimeout(() => { if (underway === mine) underway = null; }, GONE);
}

document.addEventListener("submit", onSubmit, { capture: true });
window.addEventListener("pageshow", () => { underway = null; });

// What is being sent stays on the page until it is out.
document.addEventListener("htmx:beforeSwap", (event) => {
  if (underway && event.detail.target.contains(underway.form)) event.detail.shouldSwap = false;
});

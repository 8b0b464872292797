// A form is sent only while the office's server answers, and once however often it is pressed.
//
// Without a connection the browser would show its own error page in place of ours, and what was
// scanned or written would be gone. Until the server answers again it waits here, in sight.

const server = document.querySelector("link[rel=icon]")?.href; // the smallest file there is
const PATIENCE = 4000;
const PAUSE = 1500;
const GONE = 20000; // a form whose answer is a file leaves the page as it is

let underway = null; // what is being sent or waits

async function answers() {
  const control = new AbortController();
  const clock = setTimeout(() => control.abort(), PATIENCE);
  try {
    // Whatever it says of the file itself; above 500 something in between speaks for it.
    return (await fetch(server, { cache: "no-store", signal: control.signal })).status < 500;
  } catch {
    return false;
  } finally {
    clearTimeout(clock);
  }
}

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

async function hold(mine) {
  let box = null;
  const stop = () => {
    underway = null;
    mine.form.inert = false;
    box.remove();
    document.dispatchEvent(new CustomEvent("unsent"));
  };
  mine.form.inert = true; // another scan must not write into this one
  while (underway === mine && !(await answers())) {
    box ??= notice(mine.form, stop);
    await wait(PAUSE);
  }
  if (underway !== mine) return;
  box?.remove();
  mine.form.inert = false;
}

async function onSubmit(event) {
  const { target: form, submitter } = event;
  const live = form.hasAttribute("hx-post") || submitter?.hasAttribute("hx-post");
  if (event.defaultPrevented || form.method !== "post" || live || !server) return;
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

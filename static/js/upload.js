// Sends scans in parts, so that a dropped connection costs a part and not the file.
//
// The key of an upload is kept for the file (name, size, date) while the page is open:
// "Go on" after a lost connection asks the server how much has arrived and sends the rest.

import { awaitSignIn, presence } from "./presence.js";

const PART = 1 << 20;
const drops = document.getElementById("drops");
const queue = document.getElementById("queue");
const keys = new Map();
let sending = 0;

function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}

function guess(name) {
  const word = name.toLowerCase();
  if (/upper|maxilla|superior|(^|[^a-z])(max|sup|u)([^a-z]|$)/.test(word)) return "upper";
  if (/lower|mandib|inferior|(^|[^a-z])(mand|inf|l)([^a-z]|$)/.test(word)) return "lower";
  return "";
}

async function ask(address, options = {}) {
  const headers = { "X-CSRFToken": drops.dataset.csrf, ...(options.headers || {}) };
  const answer = await fetch(address, { ...options, headers, credentials: "same-origin" });
  if (answer.redirected || answer.status === 403) {
    const found = await presence();
    if (found.up && !found.here) {
      awaitSignIn(found);
      throw Object.assign(new Error("signed out"), { signedOut: true });
    }
  }
  return answer;
}

const sentence = (words) => `${words.charAt(0).toUpperCase()}${words.slice(1)}.`.replace(/\.\.$/, ".");
const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));

async function send(file, arch, line) {
  const id = `${file.name}|${file.size}|${file.lastModified}|${arch}`;
  if (!keys.has(id)) keys.set(id, newKey());
  const key = keys.get(id);
  const part = drops.dataset.upload.replace("KEY", key);
  const done = drops.dataset.done.replace("KEY", key);
  const { signal } = line.control;
  let sent = (await (await ask(part, { signal })).json()).arrived;
  let tries = 0;
  for (;;) {
    try {
      while (sent < file.size) {
        const body = file.slice(sent, sent + PART);
        const answer = await ask(`${part}?offset=${sent}`, { method: "POST", body, signal });
        const words = await answer.json();
        if (answer.status === 400) throw Object.assign(new Error(words.problem), { final: true });
        if (!answer.ok && answer.status !== 409) throw new Error(`status ${answer.status}`);
        sent = words.arrived;
        tries = 0;
        line.progress(sent / file.size);
      }
      const units = document.getElementById("units").value;
      line.whole();
      const answer = await ask(done, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ arch, size: file.size, units, visit: drops.dataset.visit }),
      });
      const words = await answer.json();
      if (answer.status === 400) throw Object.assign(new Error(words.problem), { final: true });
      if (answer.status === 409) { sent = words.arrived; continue; }
      if (!answer.ok) throw new Error(`status ${answer.status}`);
      keys.delete(id);
      return words;
    } catch (error) {
      if (error.final || error.signedOut || signal.aborted || tries >= 6) throw error;
      tries += 1;
      line.say(`Connection lost; trying again (${tries}) …`);
      await wait(Math.min(1000 * 2 ** tries, 8000));
    }
  }
}

function addLine(file, arch) {
  const item = document.createElement("li");
  item.className = "row";
  const name = document.createElement("strong");
  name.textContent = file.name;
  const bar = document.createElement("progress");
  bar.max = 1;
  bar.value = 0;
  bar.setAttribute("aria-label", `Sending ${file.name}`);
  const words = document.createElement("span");
  words.className = "quiet";
  const control = new AbortController();
  const stop = document.createElement("button");
  stop.type = "button";
  stop.className = "button";
  stop.textContent = "Stop";
  stop.setAttribute("aria-label", `Stop sending ${file.name}`);
  stop.addEventListener("click", () => control.abort());
  item.append(name, bar, words);
  queue.append(item);
  const line = {
    item,
    control,
    began() { item.append(stop); },
    whole() { stop.remove(); }, // from here on the server decides
    progress(share) {
      bar.value = share;
      words.textContent = `${Math.round(share * 100)} %`;
    },
    say(text) { words.textContent = text; },
    end(text, ok) {
      bar.remove();
      stop.remove();
      words.textContent = text;
      words.className = ok ? "chip good" : "chip bad";
    },
  };
  if (arch) start(file, arch, line);
  else askArch(file, line);
  return line;
}

function askArch(file, line) {
  line.say("Which arch is it?");
  for (const arch of ["upper", "lower"]) {
    const button = document.createElement("button");
    button.type = "button";
    button.className = "button";
    button.textContent = arch === "upper" ? "Upper" : "Lower";
    button.addEventListener("click", () => {
      for (const other of line.item.querySelectorAll("button")) other.remove();
      start(file, arch, line);
    });
    line.item.append(button);
  }
  line.item.querySelector("button").focus();
}

async function start(file, arch, line) {
  line.say(`${arch} arch`);
  line.began();
  sending += 1;
  try {
    const words = await send(file, arch, line);
    line.end(words.made ? "Arrived" : "Already here: the same file was taken in before", true);
    document.body.dispatchEvent(new CustomEvent("scans-changed"));
    setTimeout(() => line.item.remove(), 15000);
  } catch (error) {
    const stopped = line.control.signal.aborted;
    if (stopped) line.end("Stopped. Nothing was taken in.", false);
    else if (error.signedOut) line.end("Not sent: you are signed out.", false);
    else line.end(error.final ? sentence(error.message) : "Not sent: no connection.", false);
    const button = document.createElement("button");
    button.type = "button";
    button.className = "button";
    button.textContent = error.final ? "Put away" : "Go on";
    button.addEventListener("click", () => {
      line.item.remove();
      if (!error.final) addLine(file, arch); // what was refused would be refused again
    });
    line.item.append(button);
  } finally {
    sending -= 1;
  }
}

// A page left in the middle would lose what is on its way: the browser asks first.
window.addEventListener("beforeunload", (event) => { if (sending) event.preventDefault(); });

function take(files, arch) {
  const list = Array.from(files);
  for (const file of list) addLine(file, arch && list.length === 1 ? arch : guess(file.name) || (list.length === 1 ? arch : ""));
}

if (drops) {
  for (const input of drops.querySelectorAll("input[type=file]")) {
    input.addEventListener("change", () => {
      take(input.files, input.dataset.arch);
      input.value = "";
    });
  }
  const card = drops.closest("section");
  for (const kind of ["dragenter", "dragover"]) {
    card.addEventListener(kind, (event) => {
      event.preventDefault();
      for (const zone of drops.children) zone.classList.toggle("over", zone.contains(event.target));
    });
  }
  card.addEventListener("dragleave", (event) => {
    if (!card.contains(event.relatedTarget)) for (const zone of drops.children) zone.classList.remove("over");
  });
  card.addEventListener("drop", (event) => {
    event.preventDefault();
    const zone = event.target.closest(".drop");
    for (const other of drops.children) other.classList.remove("over");
    take(event.dataTransfer.files, zone ? zone.dataset.arch : "");
  });
}

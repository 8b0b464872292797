// Scans from a keyboard wedge, the camera, or typed by hand, all into one field.
//
// A wedge types fast and ends with Enter. Outside of fields every typed character goes
// to the scan field. Inside another field a burst faster than any hand is taken for a
// scan: the field gets its old text back and the code is sent.

const form = document.getElementById("scan-form");
const field = document.getElementById("scan-text");
const GS = "\u001d";
const HAND_MS = 45; // no hand types whole codes with less time between keys
const SHORTEST = 3; // as in L-7

let burst = "";
let last = 0;
let before = null;
let sent = false;

function typing(element) {
  return element.matches("input:not([type=checkbox], [type=radio], [type=button], [type=file]), textarea, select");
}

function send(text) {
  if (sent || !text.trim()) return;
  sent = true;
  field.value = text;
  form.requestSubmit();
}

document.addEventListener("keydown", (event) => {
  if (!form || event.altKey || event.metaKey || event.isComposing) return;
  const separator = event.ctrlKey && (event.key === "]" || event.code === "BracketRight");
  if (event.ctrlKey && !separator) return;
  const active = document.activeElement ?? document.body;
  const elsewhere = typing(active) && active !== field;
  const now = event.timeStamp;
  const fast = now - last < HAND_MS;

  if (event.key === "Enter") {
    if (dialog?.open && fast && burst.length >= SHORTEST) {
      event.preventDefault(); // it would press the dialog's button
      close();
      send(burst);
      burst = "";
      return;
    }
    if (elsewhere && fast && burst.length >= SHORTEST) {
      event.preventDefault();
      if (before !== null) active.value = before;
      send(burst);
    }
    burst = "";
    return;
  }
  const character = separator ? GS : event.key;
  if (character.length !== 1) return;
  if (!fast) {
    burst = "";
    before = elsewhere ? active.value : null;
  }
  burst += character;
  last = now;
  if (separator) {
    // The separator of GS1 codes cannot be typed into a field; put it there.
    event.preventDefault();
    if (!elsewhere) insert(GS);
    return;
  }
  if (elsewhere || active === field) return;
  if (character === " " && active.matches("button, a, summary, input")) return;
  field.focus({ preventScroll: true });
});

function insert(text) {
  field.focus({ preventScroll: true });
  field.setRangeText(text, field.selectionStart, field.selectionEnd, "end");
}

form?.addEventListener("submit", () => { sent = true; });
document.addEventListener("unsent", () => {
  sent = false;
  if (field) field.value = "";
});
window.addEventListener("pageshow", () => {
  sent = false;
  if (field) field.value = "";
});

// The tablet's camera, where the browser reads codes itself.
const open = document.getElementById("camera-open");
const dialog = document.getElementById("camera");
const view = document.getElementById("camera-view");
const words = document.getElementById("camera-words");
let stream = null;

async function formats() {
  if (!("BarcodeDetector" in window) || !navigator.mediaDevices?.getUserMedia) return [];
  const known = await window.BarcodeDetector.getSupportedFormats();
  return ["qr_code", "data_matrix", "code_128", "ean_13"].filter((name) => known.includes(name));
}

async function look(detector) {
  if (!stream) return;
  try {
    const [found] = await detector.detect(view);
    if (found?.rawValue) {
      close();
      send(found.rawValue);
      return;
    }
  } catch {
    // The first frames may not be there yet.
  }
  setTimeout(() => look(detector), 150);
}

function close() {
  for (const track of stream?.getTracks() ?? []) track.stop();
  stream = null;
  dialog.close();
}

formats().then((names) => {
  if (!open || !names.length) return;
  open.hidden = false;
  open.addEventListener("click", async () => {
    dialog.showModal();
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
      view.srcObject = stream;
      await view.play();
      look(new window.BarcodeDetector({ formats: names }));
    } catch {
      words.textContent = "The camera cannot be used. Allow it in the browser, or type the code.";
    }
  });
  document.getElementById("camera-close").addEventListener("click", close);
  dialog.addEventListener("cancel", close);
}).catch(() => {});

document.querySelector(".way [aria-current]")?.scrollIntoView({ inline: "center", block: "nearest" });
document.getElementById("print-page")?.addEventListener("click", () => window.print());

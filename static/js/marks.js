// Where the gum edge really runs: a few taps on the arch, or Enter on the middle of the picture.
// Works on the view that viewer.js opens; the form is replaced live and looked up anew.

const FAR = 6; // pixels a tap may wander; what goes farther turns the arch

const form = () => document.getElementById("margin-form");
const root = document.getElementById("viewer");
let view = null;
let marking = false;
let points = [];
let down = null;

function known() {
  const text = form()?.dataset.marks;
  return (text ? JSON.parse(text) : []).map(([x, y, z]) => ({ x, y, z }));
}

function show() {
  view.dots(marking ? points : known());
  root.classList.toggle("marking", marking);
  const found = form();
  if (!found) return;
  found.querySelector("[name=points]").value = points.length
    ? JSON.stringify(points.map((p) => [p.x, p.y, p.z].map((c) => Number(c.toFixed(3)))))
    : "";
  const start = found.querySelector("#mark-margin");
  start.hidden = false;
  start.setAttribute("aria-pressed", String(marking));
  found.querySelector("#mark-undo").hidden = !points.length;
  found.querySelector("#mark-send").textContent = points.length
    ? `Send ${points.length} mark${points.length === 1 ? "" : "s"}`
    : found.dataset.words;
  found.querySelector("#mark-words").hidden = !marking;
}

function add(point) {
  const words = document.getElementById("mark-words");
  if (!point) {
    words.textContent = words.dataset.missed;
    return;
  }
  words.textContent = words.dataset.how;
  points.push(point);
  show();
}

document.addEventListener("arch-open", (event) => {
  view = event.detail;
  const picture = view.renderer.domElement;
  picture.addEventListener("pointerdown", (press) => { down = [press.clientX, press.clientY]; });
  picture.addEventListener("pointerup", (press) => {
    if (!marking || !down || Math.hypot(press.clientX - down[0], press.clientY - down[1]) > FAR) return;
    add(view.pick(press));
  });
  view.element.addEventListener("keydown", (press) => {
    if (!marking) return;
    if (press.key === "Enter" || press.key === " ") {
      press.preventDefault();
      add(view.pick());
    } else if (press.key === "Backspace") {
      press.preventDefault();
      points.pop();
      show();
    }
  });
  show();
});

document.addEventListener("click", (event) => {
  if (!view) return;
  if (event.target.closest("#mark-margin")) {
    marking = !marking;
    points = marking ? known() : []; // what was marked before stays, unless it is taken away
    show();
    if (!marking) return;
    view.element.focus({ preventScroll: true });
    if (root.getBoundingClientRect().top < 0) root.scrollIntoView({ block: "start" });
  } else if (event.target.closest("#mark-undo")) {
    points.pop();
    show();
  }
});

// What was sent is on record now; what was not stays under way when the list is replaced.
document.addEventListener("htmx:beforeSwap", (event) => {
  const { requestConfig, xhr } = event.detail;
  if (requestConfig?.elt?.id !== "margin-form" || xhr.status !== 200) return;
  points = [];
  marking = false;
});
document.addEventListener("htmx:afterSettle", () => { if (view) show(); });

// The bench timeline: drag a block, or move it with Alt and the arrow keys; the planner is
// asked what that would break before anything is done.

const NS = "http://www.w3.org/2000/svg";
const GRID = 5; // minutes
const FAR = 6; // pixels before a press becomes a drag

const panel = document.getElementById("block");
let ghost = null; // the move being made: { link, lane, minutes, rect }

const say = (text) => {
  const words = document.getElementById("moving");
  if (words) words.textContent = text;
};
// The office's wall clock, whatever the tablet's own zone is: the block tells it.
function clock(link, minutes) {
  const [hour, minute] = link.dataset.start.slice(11, 16).split(":").map(Number);
  const total = (((hour * 60 + minute + minutes) % 1440) + 1440) % 1440;
  return `${String(Math.floor(total / 60)).padStart(2, "0")}:${String(total % 60).padStart(2, "0")}`;
}
const picture = (link) => link.ownerSVGElement;
const block = (link) => link.querySelector("rect.block");
const laneOf = (link) => link.closest("[data-lane]");
const moment = () => new Date(Date.parse(ghost.link.dataset.start) + ghost.minutes * 60000);

function begin(link) {
  const rect = block(link).cloneNode(false);
  rect.setAttribute("class", "ghost");
  picture(link).append(rect);
  ghost = { link, lane: laneOf(link), minutes: 0, rect };
  say("");
}

function draw() {
  const { link, lane, minutes, rect } = ghost;
  const scale = Number(picture(link).dataset.perMinute);
  rect.setAttribute("x", Number(block(link).getAttribute("x")) + minutes * scale);
  rect.setAttribute("y", Number(lane.dataset.y) + 6);
  say(`${lane.dataset.name}, ${clock(link, minutes)}. Enter asks the planner, Escape leaves it.`);
}

function drop() {
  ghost?.rect.remove();
  ghost = null;
}

// Machines of the same kind take each other's work; people's work only moves in time.
function lanes(link) {
  const own = laneOf(link);
  if (!own.dataset.lane.startsWith("m")) return [own];
  return [...picture(link).querySelectorAll("[data-lane]")].filter(
    (lane) => lane.dataset.kind === own.dataset.kind,
  );
}

function ask() {
  const { link, lane, minutes } = ghost;
  const address = new URL(link.getAttribute("href"), location.href);
  if (lane !== laneOf(link)) address.searchParams.set("machine", lane.dataset.lane.slice(1));
  if (minutes) {
    address.searchParams.set("when", minutes > 0 ? "at" : "first");
    address.searchParams.set("at", moment().toISOString());
  }
  drop();
  say("Asking the planner …");
  window.htmx.ajax("GET", address.pathname + address.search, { target: "#block", swap: "innerHTML" });
}

const movable = (event) => event.target.closest?.("[data-movable]");

let press = null;
document.addEventListener("pointerdown", (event) => {
  const link = movable(event);
  if (!link || event.button !== 0) return;
  press = { link, x: event.clientX, y: event.clientY, id: event.pointerId, touch: event.pointerType === "touch" };
});

document.addEventListener("pointermove", (event) => {
  if (!press || event.pointerId !== press.id) return;
  const dx = event.clientX - press.x;
  const dy = event.clientY - press.y;
  if (!ghost) {
    if (Math.hypot(dx, dy) < FAR) return;
    if (event.pointerType === "touch" && Math.abs(dy) > Math.abs(dx)) {
      press = null; // a finger that sets out up or down scrolls the page
      return;
    }
    begin(press.link);
  }
  const svg = picture(press.link);
  const unit = svg.viewBox.baseVal.width / svg.getBoundingClientRect().width;
  ghost.minutes = Math.round((dx * unit) / Number(svg.dataset.perMinute) / GRID) * GRID;
  const y = Number(laneOf(press.link).dataset.y) + dy * unit;
  ghost.lane = lanes(press.link).reduce((best, lane) =>
    Math.abs(Number(lane.dataset.y) - y) < Math.abs(Number(best.dataset.y) - y) ? lane : best,
  );
  draw();
});

// Once a finger drags a block, the browser does not take the gesture for scrolling.
document.addEventListener("touchmove", (event) => {
  if (press && ghost && event.cancelable) event.preventDefault();
}, { passive: false });

let swallow = false;
document.addEventListener("pointerup", () => {
  if (press && ghost) {
    swallow = true; // the click that follows a drag opens nothing
    setTimeout(() => { swallow = false; }, 0);
    if (ghost.minutes || ghost.lane !== laneOf(ghost.link)) ask();
    else drop();
  }
  press = null;
});
document.addEventListener("pointercancel", () => { press = null; drop(); });
document.addEventListener("click", (event) => {
  if (!swallow) return;
  event.preventDefault();
  event.stopPropagation();
}, true);
// A finger that rests before it drags wants no menu of the link.
document.addEventListener("contextmenu", (event) => { if (press?.touch) event.preventDefault(); });
document.addEventListener("dragstart", (event) => { if (movable(event)) event.preventDefault(); });

document.addEventListener("keydown", (event) => {
  const link = movable(event);
  if (!link) return;
  if (event.altKey && event.key.startsWith("Arrow")) {
    event.preventDefault();
    if (ghost?.link !== link) { drop(); begin(link); }
    const rows = lanes(link);
    const at = rows.indexOf(ghost.lane);
    const side = { ArrowUp: -1, ArrowDown: 1 }[event.key] || 0;
    ghost.minutes += { ArrowLeft: -GRID, ArrowRight: GRID }[event.key] || 0;
    ghost.lane = rows[Math.min(Math.max(at + side, 0), rows.length - 1)];
    draw();
  } else if (ghost && event.key === "Enter") {
    event.preventDefault();
    event.stopPropagation();
    ask();
  } else if (ghost && event.key === "Escape") {
    drop();
    say("Left as it is.");
  }
}, true);

// A picture that is being worked on is not replaced under the hand.
document.addEventListener("htmx:beforeSwap", (event) => {
  if ((ghost || press) && event.detail.target.id === "timeline") event.detail.shouldSwap = false;
});
document.addEventListener("htmx:afterSwap", (event) => {
  if (event.detail.target !== panel) return;
  panel.hidden = false;
  say("");
  panel.scrollIntoView({ block: "nearest" });
});

window.addEventListener("beforeprint", () => {
  for (const folded of document.querySelectorAll("#timeline details")) folded.open = true;
});
document.querySelector("[data-print]")?.addEventListener("click", () => window.print());

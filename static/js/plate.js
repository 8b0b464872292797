// A plate to arrange by hand: drag, arrow keys, turns; what stands too near is shown at once.
// The server judges the gaps and keeps the arrangement.

import { nearest, placed as standing } from "./gaps.js";
import { Steps } from "./steps.js";

const NS = "http://www.w3.org/2000/svg";
const MOVES = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
const TURNS = { r: -5, l: 5 };
const TAP_PX = 4; // a hand that only touches shakes so much

let said = ["", "small"]; // what was said last, and what is chosen, also after the board is drawn anew
let chosenName = null;

function make(name, attributes) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

async function send(board, body) {
  try {
    const answer = await fetch(board.dataset.save, {
      method: "POST",
      credentials: "same-origin",
      headers: { "X-CSRFToken": board.dataset.csrf, "Content-Type": "application/json" },
      body: JSON.stringify(body),
    });
    return await answer.json();
  } catch {
    return { problem: "There is no connection. Once it is back, move a model again." };
  }
}

function build() {
  const board = document.getElementById("board");
  const source = document.getElementById("plate-data");
  if (!board?.dataset.free || !source || board.dataset.built) return;
  const data = JSON.parse(source.textContent);
  if (!data.plate) return;
  board.dataset.built = "yes";
  const [width, depth] = data.plate;
  const words = document.getElementById("board-words");
  const tools = document.getElementById("board-tools");
  const button = (what) => tools.querySelector(`[data-do="${what}"]`);
  const svg = make("svg", { viewBox: `-4 -4 ${width + 8} ${depth + 8}`, role: "group", "aria-label": "Plate, seen from above" });
  svg.append(make("rect", { x: 0, y: 0, width, height: depth, class: "glass" }));
  const marks = make("g", { class: "marks", "aria-hidden": "true" });
  const labels = make("g", { "aria-hidden": "true" });
  const models = data.placed.map((placed) => {
    const { name } = placed;
    const group = make("g", { tabindex: 0, role: "button", id: `on-plate-${name}`, class: "model", "aria-describedby": "board-help" });
    const points = data.outlines[name] || [];
    group.append(make("polygon", { points: points.map(([x, y]) => `${x},${y}`).join(" ") }));
    const label = make("text", { class: "code", "text-anchor": "middle", "dominant-baseline": "central" });
    label.textContent = name;
    svg.append(group);
    labels.append(label);
    return { placed, group, label, points };
  });
  svg.append(labels, marks);
  board.replaceChildren(svg);
  const steps = new Steps(board.dataset.load, data.placed);
  let chosen = models.find(({ placed }) => placed.name === chosenName) ?? null;

  const say = (text, look = "small") => {
    said = [text, look];
    [words.textContent, words.className] = said;
  };
  say(...said);

  const show = ({ placed, group, label, points }) => {
    // The plate's y runs away from the viewer, the screen's y runs down.
    group.setAttribute("transform", `translate(${placed.x} ${depth - placed.y}) scale(1 -1) rotate(${placed.turn_deg})`);
    const at = standing(points, placed);
    const [x, y] = standing([data.spots[placed.name] ?? points[0] ?? [0, 0]], placed)[0];
    label.setAttribute("x", x);
    label.setAttribute("y", depth - y);
    const left = Math.min(...at.map(([u]) => u));
    const front = Math.min(...at.map(([, v]) => v));
    const turned = Math.round(((placed.turn_deg % 360) + 360) % 360);
    group.setAttribute("aria-label", `Model ${placed.name}, ${left.toFixed(0)} mm from the left, ${front.toFixed(0)} mm from the front, turned ${turned}°`);
  };

  // What stands too near, as far as the page can tell: names, and lines with the distance.
  const check = () => {
    const shapes = models.map(({ points, placed }) => standing(points, placed));
    const near = new Set();
    const lines = [];
    shapes.forEach((shape, k) => {
      if (shape.some(([x, y]) => x < -0.01 || y < -0.01 || x > width + 0.01 || y > depth + 0.01)) near.add(k);
      for (let j = 0; j < k; j += 1) {
        const found = nearest(shape, shapes[j], data.gap);
        if (found.distance >= data.gap - 0.05) continue;
        near.add(k).add(j);
        lines.push(found);
      }
    });
    models.forEach(({ group }, k) => group.classList.toggle("near", near.has(k)));
    marks.replaceChildren(...lines.flatMap(({ distance, from: [x, y], to: [u, v] }) => {
      const line = make("line", { x1: x, y1: depth - y, x2: u, y2: depth - v });
      const text = make("text", { x: (x + u) / 2 + 2, y: depth - (y + v) / 2 - 2 });
      text.textContent = distance > 0 ? `${distance.toFixed(1)} mm` : "overlap";
      return [line, text];
    }));
  };

  const choose = (model) => {
    chosen = model;
    chosenName = model?.placed.name ?? null;
    for (const each of models) {
      each.group.setAttribute("aria-pressed", String(each === model));
      each.group.classList.toggle("chosen", each === model);
    }
    tools.querySelector("[data-chosen]").textContent = chosenName ?? "Touch a model to choose it";
    for (const what of ["left-far", "left", "right", "right-far", "off"]) button(what).disabled = !model;
  };
  const offer = () => {
    button("undo").disabled = !steps.past.length;
    button("redo").disabled = !steps.future.length;
  };
  const now = () => models.map(({ placed }) => ({ ...placed }));

  let timer = null;
  const keep = async (body) => {
    board.dataset.busy = "yes";
    say("Being saved …");
    const result = await send(board, body);
    if (result.saved) say("Saved.");
    else say(`Not saved: ${result.problem} The print file holds the places saved before.`, "note bad");
    button("apart").hidden = !result.near;
    delete board.dataset.busy;
    return result;
  };
  const save = () => {
    clearTimeout(timer);
    board.dataset.busy = "yes";
    timer = setTimeout(() => keep({ placements: now() }), 400);
  };
  const changed = (model) => {
    show(model);
    check();
    steps.add(now());
    offer();
    save();
  };
  const turn = (model, degrees) => {
    // About its own middle, so that it stays where it is.
    const middle = (points) => [0, 1].map((axis) => (Math.min(...points.map((p) => p[axis])) + Math.max(...points.map((p) => p[axis]))) / 2);
    const [x, y] = middle(model.points);
    const { placed } = model;
    const [before] = standing([[x, y]], placed);
    placed.turn_deg += degrees;
    const [after] = standing([[x, y]], placed);
    placed.x += before[0] - after[0];
    placed.y += before[1] - after[1];
    changed(model);
  };

  const back = async (places) => {
    offer();
    clearTimeout(timer);
    const names = new Set(places.map(({ name }) => name));
    const here = new Set(models.map(({ placed }) => placed.name));
    for (const model of models) {
      const place = places.find(({ name }) => name === model.placed.name);
      if (place) Object.assign(model.placed, place);
      show(model);
    }
    check();
    // A model taken off comes back, one put back goes again; the next poll draws it.
    await keep({
      placements: places,
      back: [...names].filter((name) => !here.has(name)),
      out: [...here].filter((name) => !names.has(name)),
    });
  };

  tools.hidden = false;
  tools.onclick = async (event) => {
    const what = event.target.closest("[data-do]")?.dataset.do;
    if (what === "undo") await back(steps.undo());
    if (what === "redo") await back(steps.redo());
    if (what === "left-far") turn(chosen, 45);
    if (what === "left") turn(chosen, 5);
    if (what === "right") turn(chosen, -5);
    if (what === "right-far") turn(chosen, -45);
    if (what === "apart") await keep({ placements: now(), apart: true });
    if (what === "off") {
      const rest = now().filter(({ name }) => name !== chosenName);
      steps.add(rest);
      clearTimeout(timer);
      const result = await keep({ placements: rest, out: [chosenName] });
      if (result.saved) say(`${chosenName} is off the plate. Undo puts it back.`);
      else steps.undo();
    }
    offer();
  };

  for (const model of models) {
    const { group } = model;
    let from = null;
    let moved = false;
    group.addEventListener("focus", () => choose(model));
    group.addEventListener("pointerdown", (event) => {
      from = [event.clientX, event.clientY];
      moved = false;
      group.setPointerCapture(event.pointerId);
      choose(model);
      board.dataset.busy = "yes";
    });
    group.addEventListener("pointermove", (event) => {
      if (!from) return;
      const by = [event.clientX - from[0], event.clientY - from[1]];
      if (!moved && Math.hypot(...by) < TAP_PX) return;
      moved = true;
      const scale = 1 / svg.getScreenCTM().a;
      model.placed.x += by[0] * scale;
      model.placed.y -= by[1] * scale;
      from = [event.clientX, event.clientY];
      show(model);
      check();
    });
    for (const end of ["pointerup", "pointercancel"]) {
      group.addEventListener(end, () => {
        if (from && moved) changed(model);
        else if (from) delete board.dataset.busy;
        from = null;
      });
    }
    group.addEventListener("keydown", (event) => {
      const move = MOVES[event.key];
      const degrees = TURNS[event.key.toLowerCase()];
      if (event.ctrlKey || event.metaKey || event.altKey || (!move && !degrees)) return;
      event.preventDefault();
      event.stopPropagation();
      if (degrees) {
        turn(model, degrees);
        return;
      }
      const step = event.shiftKey ? 5 : 1;
      model.placed.x += move[0] * step;
      model.placed.y += move[1] * step;
      changed(model);
    });
    show(model);
  }
  board.onkeydown = (event) => {
    if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z") return;
    event.preventDefault();
    button(event.shiftKey ? "redo" : "undo").click();
  };
  check();
  choose(chosen);
  offer();
}

// What is being moved is not drawn anew under the hand.
document.addEventListener("htmx:beforeSwap", (event) => {
  if (event.detail.target.querySelector?.("#board[data-busy]")) event.detail.shouldSwap = false;
});
build();
// Before live.js gives the focus back, which it does once the part has settled.
document.addEventListener("htmx:afterSwap", build);

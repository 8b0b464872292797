// A plate to arrange by hand: drag, arrow keys, R and L to turn. The server judges the gaps.

let said = ["", "small"]; // what the server answered last, also after the board is drawn anew

const NS = "http://www.w3.org/2000/svg";

function make(name, attributes) {
  const element = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  return element;
}

async function send(board, placements) {
  try {
    const answer = await fetch(board.dataset.save, {
      method: "POST",
      credentials: "same-origin",
      headers: { "X-CSRFToken": board.dataset.csrf, "Content-Type": "application/json" },
      body: JSON.stringify({ placements }),
    });
    return await answer.json();
  } catch {
    return { problem: "Not saved: there is no connection. Once it is back, move a model again." };
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
  const svg = make("svg", { viewBox: `-4 -4 ${width + 8} ${depth + 8}`, role: "group", "aria-label": "Plate, seen from above" });
  svg.append(make("rect", { x: 0, y: 0, width, height: depth, class: "glass" }));
  const models = data.placed.map((placed) => {
    const group = make("g", { tabindex: 0, role: "button", id: `on-plate-${placed.name}`, "aria-label": `Model ${placed.name}`, class: "model" });
    const points = data.outlines[placed.name] || [];
    group.append(make("polygon", { points: points.map(([x, y]) => `${x},${y}`).join(" ") }));
    const label = make("text", { class: "code", "text-anchor": "middle" });
    label.textContent = placed.name;
    svg.append(group);
    group.append(label);
    return { placed, group, label, points };
  });
  const show = ({ placed, group, label, points }) => {
    // The plate's y runs away from the viewer, the screen's y runs down.
    group.setAttribute("transform", `translate(${placed.x} ${depth - placed.y}) scale(1 -1) rotate(${placed.turn_deg})`);
    const middle = points.reduce((sum, [x, y]) => [sum[0] + x / points.length, sum[1] + y / points.length], [0, 0]);
    label.setAttribute("transform", `translate(${middle[0]} ${middle[1]}) rotate(${-placed.turn_deg}) scale(1 -1)`);
  };
  models.forEach(show);
  board.replaceChildren(svg);
  [words.textContent, words.className] = said;

  let timer = null;
  const save = () => {
    clearTimeout(timer);
    board.dataset.busy = "yes";
    timer = setTimeout(async () => {
      const result = await send(board, models.map(({ placed }) => placed));
      said = result.saved ? ["Saved.", "small"] : [result.problem, "note bad"];
      [words.textContent, words.className] = said;
      for (const { placed, group } of models) {
        group.classList.toggle("near", !result.saved && result.problem.includes(placed.name));
      }
      delete board.dataset.busy;
    }, 400);
  };
  const scale = () => (width + 8) / svg.getBoundingClientRect().width;
  for (const model of models) {
    let from = null;
    model.group.addEventListener("pointerdown", (event) => {
      from = [event.clientX, event.clientY];
      model.group.setPointerCapture(event.pointerId);
      board.dataset.busy = "yes";
    });
    model.group.addEventListener("pointermove", (event) => {
      if (!from) return;
      const s = scale();
      model.placed.x += (event.clientX - from[0]) * s;
      model.placed.y -= (event.clientY - from[1]) * s;
      from = [event.clientX, event.clientY];
      show(model);
    });
    for (const end of ["pointerup", "pointercancel"]) {
      model.group.addEventListener(end, () => {
        if (!from) return;
        from = null;
        save();
      });
    }
    model.group.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 5 : 1;
      const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, step], ArrowDown: [0, -step] }[event.key];
      const turn = { r: -5, R: -5, l: 5, L: 5 }[event.key];
      if (!move && !turn) return;
      event.preventDefault();
      event.stopPropagation();
      if (move) {
        model.placed.x += move[0];
        model.placed.y += move[1];
      } else {
        model.placed.turn_deg += turn;
      }
      show(model);
      save();
    });
  }
}

// What is being moved is not drawn anew under the hand.
document.addEventListener("htmx:beforeSwap", (event) => {
  if (event.detail.target.querySelector?.("#board[data-busy]")) event.detail.shouldSwap = false;
});
build();
// Before live.js gives the focus back, which it does once the part has settled.
document.addEventListener("htmx:afterSwap", build);

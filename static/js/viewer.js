// Shows an arch to turn, with lines and numbered findings over it.
//
// Needs #viewer with data-mesh (a GLB, mm) and what lies over it in the same coordinates
// (JSON: frame, lines by layer, cut_mm below the frame's origin), from data-overlays or, where
// the page carries it, from #view-data. Without WebGL the still picture stays where it is.

import {
  BufferAttribute, BufferGeometry, CatmullRomCurve3, Color, DirectionalLight, DoubleSide, GLTFLoader,
  HemisphereLight, Mesh, MeshBasicMaterial, MeshStandardMaterial, OrbitControls, PerspectiveCamera,
  PlaneGeometry, Raycaster, Scene, TubeGeometry, Vector2, Vector3, WebGLRenderer, Matrix4, Group,
  Points, PointsMaterial,
} from "/static/vendor/three/three.bundle.min.js";

const root = document.getElementById("viewer");
const stage = root?.querySelector(".stage");
// Depth in mm, in the bands of the surveying gauges; lightness falls with depth, so the
// scale also reads without colour.
const BANDS = [
  [0.02, new Color("#d9cfbd")], [0.25, new Color("#a8c6d8")], [0.5, new Color("#5b8fc0")],
  [0.75, new Color("#3a4f9e")], [Infinity, new Color("#2a1750")],
];
const PLAIN = new Color("#e8ddc8");
const FILLED = new Color("#3f7fb5"); // block-out of a model
const LINE_COLOURS = { margin: "#0b6b3a", short: "#b3261e", holes: "#b3261e", border: "#6d6250", embrasures: "#7a4d00", gaps: "#7a4d00", trim: "#1d5c63" };

const ROOM = 0.88;
const LINE_MM = 0.13; // half the width of a drawn line: a line of one pixel is lost on a tablet
const SPOT_MM = 3; // how far around a place its surface tells where it faces

export class ArchView {
  constructor(element) {
    this.element = element;
    this.layers = new Map();
    this.pins = [];
    this.sides = [];
    this.ready = false;
  }

  async open(meshAddress, overlayAddress) {
    let renderer;
    try {
      renderer = new WebGLRenderer({ antialias: true, powerPreference: "low-power" });
    } catch {
      return false;
    }
    const [gltf, overlays] = await Promise.all([
      new GLTFLoader().loadAsync(meshAddress),
      typeof overlayAddress === "string" && overlayAddress
        ? fetch(overlayAddress).then((r) => (r.ok ? r.json() : {}))
        : overlayAddress || {},
    ]);
    this.renderer = renderer;
    renderer.setPixelRatio(Math.min(window.devicePixelRatio, 2));
    this.scene = new Scene();
    this.scene.background = new Color("#e9e5dc");
    this.camera = new PerspectiveCamera(28, 4 / 3, 1, 2000);
    this.scene.add(new HemisphereLight("#ffffff", "#8d8577", 1.6));
    this.sun = new DirectionalLight("#ffffff", 1.9);
    this.scene.add(this.sun);
    this.overlays = overlays;
    this.setMesh(gltf.scene);
    for (const old of this.element.querySelectorAll(".still, .empty")) old.remove();
    this.element.append(renderer.domElement);
    renderer.domElement.setAttribute("aria-hidden", "true");
    this.controls = new OrbitControls(this.camera, renderer.domElement);
    this.controls.enableDamping = false;
    this.controls.addEventListener("change", () => this.draw());
    new ResizeObserver(() => this.resize()).observe(this.element);
    this.element.addEventListener("keydown", (event) => this.key(event));
    this.frameUp();
    this.drawLines();
    this.letters();
    this.resize();
    this.look("occlusal");
    this.ready = true;
    return true;
  }

  setMesh(group) {
    const found = [];
    group.traverse((node) => { if (node.isMesh) found.push(node); });
    if (this.mesh) this.scene.remove(this.mesh);
    this.mesh = found[0];
    this.mesh.removeFromParent();
    const geometry = this.mesh.geometry;
    if (!geometry.getAttribute("normal")) geometry.computeVertexNormals();
    this.depth = geometry.getAttribute("_undercut");
    this.filled = geometry.getAttribute("_filled");
    const count = geometry.getAttribute("position").count;
    geometry.setAttribute("color", new BufferAttribute(new Float32Array(count * 3), 3));
    this.mesh.material = new MeshStandardMaterial({
      vertexColors: true, roughness: 0.55, metalness: 0.0, side: DoubleSide,
    });
    this.scene.add(this.mesh);
    geometry.computeBoundingSphere();
    this.centre = geometry.boundingSphere.center.clone();
    this.radius = geometry.boundingSphere.radius;
    this.paint();
  }

  paint() {
    const undercut = this.shows("undercut");
    const filled = this.filled && this.shows("filled");
    const colour = this.mesh.geometry.getAttribute("color");
    for (let i = 0; i < colour.count; i += 1) {
      let c = PLAIN;
      if (undercut && this.depth) {
        const depth = this.depth.getX(i);
        c = BANDS.find(([limit]) => depth <= limit)[1];
      } else if (filled && this.filled.getX(i) > 0.5) {
        c = FILLED;
      }
      colour.setXYZ(i, c.r, c.g, c.b);
    }
    colour.needsUpdate = true;
    const legend = document.querySelector("[data-legend=undercut]");
    if (legend) legend.hidden = !undercut;
    this.draw();
  }

  frameUp() {
    const f = this.overlays.frame || {};
    this.axes = {
      right: new Vector3(...(f.right || [1, 0, 0])),
      anterior: new Vector3(...(f.anterior || [0, -1, 0])),
      occlusal: new Vector3(...(f.occlusal || [0, 0, 1])),
    };
    this.origin = f.origin ? new Vector3(...f.origin) : this.centre.clone();
  }

  line(points, layer, closed) {
    const curve = new CatmullRomCurve3(points.map((p) => new Vector3(...p)), closed, "chordal");
    const tube = new TubeGeometry(curve, points.length * 2, LINE_MM, 5, closed);
    return new Mesh(tube, new MeshBasicMaterial({ color: LINE_COLOURS[layer] || "#1d5c63" }));
  }

  layer(name) {
    if (!this.layers.has(name)) {
      const group = new Group();
      this.layers.set(name, group);
      this.scene.add(group);
    }
    return this.layers.get(name);
  }

  drawLines() {
    // Lines lie a little above the surface so that they are not half sunk in it.
    const lift = 0.05;
    for (const item of this.overlays.lines || []) {
      const points = item.points.map((p, i) => {
        const n = item.normals?.[i] || [this.axes.occlusal.x, this.axes.occlusal.y, this.axes.occlusal.z];
        return [p[0] + n[0] * lift, p[1] + n[1] * lift, p[2] + n[2] * lift];
      });
      if (points.length > 1) this.layer(item.layer).add(this.line(points, item.kind || item.layer, item.closed));
    }
    if (document.querySelector('[data-layer="occlusal"]')) this.plane("occlusal", 0, "#1747c9");
    if (typeof this.overlays.cut_mm === "number") this.cut(-this.overlays.cut_mm);
    for (const name of this.layers.keys()) this.show(name, this.shows(name));
  }

  // A plate across the arch, square to it, ``along`` mm from the frame's origin.
  plane(name, along, colour) {
    const { right, occlusal } = this.axes;
    const across = occlusal.clone().cross(right);
    const [x, y] = [right, across].map((axis) => this.reach(axis));
    const mesh = new Mesh(
      new PlaneGeometry((x[1] - x[0]) * 1.15, (y[1] - y[0]) * 1.15),
      new MeshBasicMaterial({ color: colour, transparent: true, opacity: 0.3, side: DoubleSide, depthWrite: false }),
    );
    mesh.quaternion.setFromRotationMatrix(new Matrix4().makeBasis(right, across, occlusal));
    mesh.position.copy(this.origin).addScaledVector(occlusal, along);
    for (const [axis, ends] of [[right, x], [across, y]]) {
      mesh.position.addScaledVector(axis, (ends[0] + ends[1]) / 2 - this.origin.dot(axis));
    }
    const group = this.layer(name);
    group.clear();
    group.add(mesh);
  }

  // From where to where the arch reaches along a direction.
  reach(axis) {
    const points = this.mesh.geometry.getAttribute("position");
    const point = new Vector3();
    let [low, high] = [Infinity, -Infinity];
    for (let i = 0; i < points.count; i += Math.ceil(points.count / 4000)) {
      const along = point.fromBufferAttribute(points, i).dot(axis);
      low = Math.min(low, along);
      high = Math.max(high, along);
    }
    return [low, high];
  }

  cut(along) {
    this.plane("cut", along, "#1d5c63");
    this.show("cut", this.shows("cut"));
  }

  shows(name) {
    const box = document.querySelector(`[data-layer="${name}"]`);
    // Without a box of its own a layer is shown, but for what would hide the surface.
    return box ? box.checked : !["undercut", "occlusal", "cut"].includes(name);
  }

  show(name, on) {
    if (name === "undercut" || name === "filled") return this.paint();
    if (name === "findings") for (const pin of this.pins) pin.element.hidden = !on;
    const group = this.layers.get(name);
    if (group) group.visible = on;
    return this.draw();
  }

  setPins(list) {
    for (const pin of this.pins) pin.element.remove();
    this.pins = list.map(({ at, number, grade }) => {
      const element = this.sign(`pin ${grade || ""}`, number);
      element.hidden = !this.shows("findings");
      return { at: new Vector3(...at), element, number };
    });
    this.point(this.chosen);
    this.draw();
  }

  // The pin that is spoken of stands out.
  point(number) {
    this.chosen = number;
    for (const pin of this.pins) pin.element.classList.toggle("chosen", pin.number === number);
  }

  // The patient's right and left beside the arch, as far as the frame is known.
  letters() {
    if (!this.overlays.frame?.right) return;
    for (const [letter, way] of [["R", 1], ["L", -1]]) {
      const axis = this.axes.right.clone().multiplyScalar(way);
      const at = this.centre.clone().addScaledVector(axis, this.reach(axis)[1] - this.centre.dot(axis) + 3);
      this.sides.push({ at, element: this.sign("side-letter", letter) });
    }
  }

  sign(name, text) {
    const element = document.createElement("span");
    element.className = name;
    element.textContent = text;
    element.setAttribute("aria-hidden", "true");
    this.element.append(element);
    return element;
  }

  look(side, at) {
    const { right, anterior, occlusal } = this.axes;
    const along = {
      occlusal: [occlusal.clone().addScaledVector(anterior, 0.02), anterior],
      front: [anterior.clone().addScaledVector(occlusal, 0.25), occlusal],
      right: [right.clone().addScaledVector(occlusal, 0.3), occlusal],
      left: [right.clone().negate().addScaledVector(occlusal, 0.3), occlusal],
      tongue: [anterior.clone().negate().addScaledVector(occlusal, 0.8), occlusal],
    }[side];
    this.fit(along[0], along[1], at);
  }

  // As near as the whole arch allows in this view, with room for the pins at its edge.
  fit(direction, up, at) {
    const toward = direction.clone().normalize();
    const side = up.clone().cross(toward).normalize();
    const top = toward.clone().cross(side);
    const points = this.mesh.geometry.getAttribute("position");
    const point = new Vector3();
    const seen = [];
    for (let i = 0; i < points.count; i += Math.ceil(points.count / 4000)) {
      point.fromBufferAttribute(points, i).sub(this.centre);
      seen.push([point.dot(side), point.dot(top), point.dot(toward)]);
    }
    for (const letter of this.sides) {
      point.copy(letter.at).sub(this.centre);
      seen.push([point.dot(side), point.dot(top), point.dot(toward)]);
    }
    const middle = [0, 1].map((k) => {
      const along = seen.map((p) => p[k]);
      return (Math.min(...along) + Math.max(...along)) / 2;
    });
    const high = ROOM * Math.tan((this.camera.fov * Math.PI) / 360);
    const wide = high * this.camera.aspect;
    const distance = Math.max(...seen.map(([x, y, z]) => (
      z + Math.max(Math.abs(x - middle[0]) / wide, Math.abs(y - middle[1]) / high)
    )));
    const target = this.centre.clone().addScaledVector(side, middle[0]).addScaledVector(top, middle[1]);
    this.place(toward, up, at || target, distance);
  }

  // Stand where the surface at a place faces: before the teeth, or behind them for what lies
  // on the tongue's side.
  lookAt(point, side) {
    const { occlusal } = this.axes;
    const level = (v) => v.addScaledVector(occlusal, -v.dot(occlusal));
    const out = level(point.clone().sub(this.centre)).normalize();
    const facing = level(this.facing(point));
    const known = side === "facial" || side === "lingual";
    const toward = side === "lingual" ? out.clone().negate() : out.clone();
    if (facing.length() > 0.3) {
      facing.normalize();
      if (!known) toward.copy(facing);
      else if (facing.dot(toward) > 0.2) toward.copy(facing);
    }
    // From inside, the other half of the arch stands in the way of a flat look.
    toward.addScaledVector(occlusal, side === "lingual" || toward.dot(out) < 0 ? 1.3 : 0.8);
    this.place(toward, occlusal, point, this.radius * 1.7);
  }

  // Mean of the normals around a place, outwards where most of the arch's surface is wound so.
  facing(point) {
    const places = this.mesh.geometry.getAttribute("position");
    const normals = this.mesh.geometry.getAttribute("normal");
    const [v, n, sum] = [new Vector3(), new Vector3(), new Vector3()];
    let wound = 0;
    for (let i = 0; i < places.count; i += 1) {
      v.fromBufferAttribute(places, i);
      n.fromBufferAttribute(normals, i);
      wound += n.dot(this.axes.occlusal);
      if (v.distanceToSquared(point) < SPOT_MM * SPOT_MM) sum.add(n);
    }
    return sum.length() ? sum.normalize().multiplyScalar(wound < 0 ? -1 : 1) : sum;
  }

  place(direction, up, target, distance) {
    this.camera.up.copy(up);
    this.camera.position.copy(target).addScaledVector(direction.clone().normalize(), distance);
    this.controls.target.copy(target);
    this.controls.update();
    this.draw();
  }

  key(event) {
    const step = 0.12;
    const turn = { ArrowLeft: [0, step], ArrowRight: [0, -step], ArrowUp: [step, 0], ArrowDown: [-step, 0] }[event.key];
    const zoom = { "+": 0.87, "=": 0.87, "-": 1.15 }[event.key];
    if (!turn && !zoom) return;
    event.preventDefault();
    const offset = this.camera.position.clone().sub(this.controls.target);
    if (zoom) offset.multiplyScalar(zoom);
    if (turn) {
      const side = offset.clone().cross(this.camera.up).normalize();
      const rotate = new Matrix4().makeRotationAxis(this.camera.up, turn[1]);
      offset.applyMatrix4(rotate);
      const tilted = offset.clone().applyMatrix4(new Matrix4().makeRotationAxis(side, turn[0]));
      if (Math.abs(tilted.clone().normalize().dot(this.camera.up)) < 0.995) offset.copy(tilted);
    }
    this.camera.position.copy(this.controls.target).add(offset);
    this.controls.update();
    this.draw();
  }

  // The surface under a pointer, or in the middle of the picture.
  pick(event) {
    const box = this.renderer.domElement.getBoundingClientRect();
    const where = event
      ? new Vector2(((event.clientX - box.left) / box.width) * 2 - 1, -((event.clientY - box.top) / box.height) * 2 + 1)
      : new Vector2(0, 0);
    const ray = new Raycaster();
    ray.setFromCamera(where, this.camera);
    return ray.intersectObject(this.mesh)[0]?.point || null;
  }

  dots(points) {
    const group = this.layer("marks");
    group.clear();
    if (points.length) {
      const geometry = new BufferGeometry();
      geometry.setAttribute("position", new BufferAttribute(new Float32Array(points.flatMap((p) => [p.x, p.y, p.z])), 3));
      group.add(new Points(geometry, new PointsMaterial({ color: "#b3261e", size: 9, sizeAttenuation: false, depthTest: false })));
    }
    this.draw();
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.element;
    if (!width || !height) return;
    this.renderer.setSize(width, height, false);
    this.camera.aspect = width / height;
    this.camera.updateProjectionMatrix();
    this.draw();
  }

  draw() {
    if (!this.camera || this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.sun.position.copy(this.camera.position).addScaledVector(this.camera.up, this.radius);
      this.renderer.render(this.scene, this.camera);
      this.movePins();
    });
  }

  movePins() {
    const { clientWidth: width, clientHeight: height } = this.element;
    const away = this.camera.position.clone().sub(this.centre).normalize();
    for (const pin of [...this.pins, ...this.sides]) {
      const p = pin.at.clone().project(this.camera);
      const x = ((p.x + 1) / 2) * width;
      const y = ((1 - p.y) / 2) * height;
      pin.element.animate([{ transform: `translate(${x}px, ${y}px)` }], { duration: 1, fill: "forwards" });
      const out = pin.at.clone().sub(this.centre);
      pin.element.classList.toggle("behind", out.dot(away) < -this.radius * 0.15);
    }
    // Beside a close look they would stand nowhere.
    const close = this.camera.position.distanceTo(this.centre) < this.radius * 2.6;
    for (const side of this.sides) side.element.hidden = close;
  }
}

function place(button) {
  const at = button?.dataset.at?.split(",").map(Number) || [];
  return at.length === 3 && at.every(Number.isFinite) ? at : null;
}

// What is folded away has no number on the arch.
const findings = () => [...document.querySelectorAll(".finding[data-at]")].filter((b) => place(b) && b.checkVisibility());
const numberOf = (button) => button.querySelector(".mark").textContent;

function pinsFromPage() {
  return findings().map((button) => ({
    at: place(button), number: numberOf(button), grade: button.closest("li").className,
  }));
}

// One finding at a time, named under the picture, so that it can be read where it is looked at.
function walkFindings(view) {
  const caption = root.querySelector(".caption");
  const show = (button) => {
    view.lookAt(new Vector3(...place(button)), button.dataset.side);
    view.point(numberOf(button));
    caption?.querySelector("p").replaceChildren(...[...button.children].map((c) => c.cloneNode(true)));
    const box = root.getBoundingClientRect();
    if (box.top < 0 || stage.getBoundingClientRect().bottom > window.innerHeight) {
      root.scrollIntoView({ block: "start" });
    }
  };
  document.addEventListener("click", (event) => {
    const button = event.target.closest(".finding[data-at]");
    if (place(button)) show(button);
  });
  for (const step of root.querySelectorAll("[data-step]")) {
    step.addEventListener("click", () => {
      const all = findings();
      const now = all.findIndex((button) => numberOf(button) === view.chosen);
      const next = now < 0 && step.dataset.step === "-1" ? all.length - 1 : now + Number(step.dataset.step);
      if (all.length) show(all[(next + all.length) % all.length]);
    });
  }
  document.addEventListener("htmx:afterSettle", () => view.setPins(pinsFromPage()));
  document.addEventListener("toggle", () => view.setPins(pinsFromPage()), { capture: true });
  view.setPins(pinsFromPage());
  if (caption) caption.hidden = !findings().length;
}

// A browser without WebGL keeps the still picture, large enough to read its numbers.
function still() {
  root.classList.add("flat");
  root.closest(".scan-page")?.classList.add("flat");
  for (const part of root.querySelectorAll(".waits")) part.hidden = true;
  const words = root.querySelector(".no-view");
  if (words) words.hidden = false;
}

async function start() {
  if (!root?.dataset.mesh || root.dataset.opened) return;
  root.dataset.opened = "yes";
  const view = new ArchView(stage);
  const inline = document.getElementById("view-data");
  if (!(await view.open(root.dataset.mesh, inline ? JSON.parse(inline.textContent) : root.dataset.overlays))) {
    still();
    return;
  }
  root.archView = view;
  root.dispatchEvent(new CustomEvent("arch-open", { bubbles: true, detail: view }));
  for (const part of root.querySelectorAll(".waits")) part.classList.remove("waits");
  for (const button of root.querySelectorAll("[data-look]")) {
    button.addEventListener("click", () => view.look(button.dataset.look));
  }
  for (const box of root.querySelectorAll("[data-layer]")) {
    box.addEventListener("change", () => view.show(box.dataset.layer, box.checked));
  }
  walkFindings(view);
}

// The inspection may finish while the page is open: reload once there is a mesh to show.
document.addEventListener("htmx:afterSettle", () => {
  const state = document.getElementById("scan-state") || document.getElementById("model-state");
  if (state?.dataset.hasView === "yes" && root && !root.dataset.mesh) window.location.reload();
});

start();

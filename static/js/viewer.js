// Shows an arch to turn, with lines and numbered findings over it.
//
// Needs #viewer with data-mesh (a GLB, file coordinates, mm) and data-overlays (JSON:
// frame, lines by layer). Without WebGL the still picture stays where it is.

import {
  BufferAttribute, BufferGeometry, Color, DirectionalLight, DoubleSide, GLTFLoader,
  HemisphereLight, Line, LineBasicMaterial, LineLoop, Mesh, MeshBasicMaterial, MeshStandardMaterial,
  OrbitControls, PerspectiveCamera, PlaneGeometry, Quaternion, Raycaster, Scene, Vector2, Vector3,
  WebGLRenderer, Matrix4, Group, Points, PointsMaterial,
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
const LINE_COLOURS = { margin: "#0b6b3a", short: "#b3261e", holes: "#b3261e", border: "#6d6250", embrasures: "#7a4d00", gaps: "#7a4d00", trim: "#1d5c63" };

const ROOM = 0.88;

export class ArchView {
  constructor(element) {
    this.element = element;
    this.layers = new Map();
    this.pins = [];
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
      overlayAddress ? fetch(overlayAddress).then((r) => (r.ok ? r.json() : {})) : {},
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
    const count = geometry.getAttribute("position").count;
    geometry.setAttribute("color", new BufferAttribute(new Float32Array(count * 3), 3));
    this.mesh.material = new MeshStandardMaterial({
      vertexColors: true, roughness: 0.55, metalness: 0.0, side: DoubleSide,
    });
    this.scene.add(this.mesh);
    geometry.computeBoundingSphere();
    this.centre = geometry.boundingSphere.center.clone();
    this.radius = geometry.boundingSphere.radius;
    this.paint(this.shows("undercut"));
  }

  paint(undercut) {
    const colour = this.mesh.geometry.getAttribute("color");
    for (let i = 0; i < colour.count; i += 1) {
      let c = PLAIN;
      if (undercut && this.depth) {
        const depth = this.depth.getX(i);
        c = BANDS.find(([limit]) => depth <= limit)[1];
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
    const flat = new Float32Array(points.flat());
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(flat, 3));
    const material = new LineBasicMaterial({ color: LINE_COLOURS[layer] || "#1d5c63", depthTest: true });
    return closed ? new LineLoop(geometry, material) : new Line(geometry, material);
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
    const lift = 0.08;
    for (const item of this.overlays.lines || []) {
      const points = item.points.map((p, i) => {
        const n = item.normals?.[i] || [this.axes.occlusal.x, this.axes.occlusal.y, this.axes.occlusal.z];
        return [p[0] + n[0] * lift, p[1] + n[1] * lift, p[2] + n[2] * lift];
      });
      if (points.length > 1) this.layer(item.layer).add(this.line(points, item.kind || item.layer, item.closed));
    }
    this.plane("occlusal", 0, "#1747c9");
    if (this.overlays.cut_mm) this.plane("cut", -this.overlays.cut_mm, "#1d5c63");
    for (const name of this.layers.keys()) this.show(name, this.shows(name));
  }

  plane(name, along, colour) {
    const size = this.radius * 1.9;
    const mesh = new Mesh(
      new PlaneGeometry(size, size),
      new MeshBasicMaterial({ color: colour, transparent: true, opacity: 0.22, side: DoubleSide, depthWrite: false }),
    );
    mesh.quaternion.copy(new Quaternion().setFromUnitVectors(new Vector3(0, 0, 1), this.axes.occlusal));
    const height = this.origin.clone().sub(this.centre).dot(this.axes.occlusal) + along;
    mesh.position.copy(this.centre).addScaledVector(this.axes.occlusal, height);
    this.layer(name).add(mesh);
  }

  shows(name) {
    const box = document.querySelector(`[data-layer="${name}"]`);
    // Without a box of its own a layer is shown, but for what would hide the surface.
    return box ? box.checked : !["undercut", "occlusal", "cut"].includes(name);
  }

  show(name, on) {
    if (name === "undercut") return this.paint(on);
    if (name === "findings") for (const pin of this.pins) pin.element.hidden = !on;
    const group = this.layers.get(name);
    if (group) group.visible = on;
    return this.draw();
  }

  setPins(list) {
    for (const pin of this.pins) pin.element.remove();
    this.pins = list.map(({ at, number }) => {
      const element = document.createElement("span");
      element.className = "pin";
      element.textContent = number;
      element.setAttribute("aria-hidden", "true");
      element.hidden = !this.shows("findings");
      this.element.append(element);
      return { at: new Vector3(...at), element };
    });
    this.draw();
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

  lookAt(point) {
    const out = point.clone().sub(this.centre);
    out.addScaledVector(this.axes.occlusal, -out.dot(this.axes.occlusal)).normalize();
    out.addScaledVector(this.axes.occlusal, 0.9);
    this.place(out, this.axes.occlusal, point, this.radius * 1.9);
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

  pick(event) {
    const box = this.renderer.domElement.getBoundingClientRect();
    const where = new Vector2(
      ((event.clientX - box.left) / box.width) * 2 - 1,
      -((event.clientY - box.top) / box.height) * 2 + 1,
    );
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
    for (const pin of this.pins) {
      const p = pin.at.clone().project(this.camera);
      const x = ((p.x + 1) / 2) * width;
      const y = ((1 - p.y) / 2) * height;
      pin.element.animate([{ transform: `translate(${x}px, ${y}px)` }], { duration: 1, fill: "forwards" });
      const out = pin.at.clone().sub(this.centre);
      pin.element.classList.toggle("behind", out.dot(away) < -this.radius * 0.15);
    }
  }
}

function pinsFromPage() {
  const pins = [];
  for (const button of document.querySelectorAll(".finding[data-at]")) {
    const at = button.dataset.at.split(",").map(Number);
    if (at.length === 3 && at.every(Number.isFinite)) {
      pins.push({ at, number: button.querySelector(".mark").textContent, button });
    }
  }
  return pins;
}

async function start() {
  if (!root?.dataset.mesh || root.dataset.opened) return;
  root.dataset.opened = "yes";
  const view = new ArchView(stage);
  if (!(await view.open(root.dataset.mesh, root.dataset.overlays))) return;
  root.archView = view;
  root.dispatchEvent(new CustomEvent("arch-open", { bubbles: true, detail: view }));
  for (const part of root.querySelectorAll(".viewer-tools, .layers")) part.hidden = false;
  view.setPins(pinsFromPage());
  for (const button of root.querySelectorAll("[data-look]")) {
    button.addEventListener("click", () => view.look(button.dataset.look));
  }
  for (const box of root.querySelectorAll("[data-layer]")) {
    box.addEventListener("change", () => view.show(box.dataset.layer, box.checked));
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest(".finding[data-at]");
    const at = button?.dataset.at.split(",").map(Number);
    if (at?.length === 3 && at.every(Number.isFinite)) view.lookAt(new Vector3(...at));
  });
  document.addEventListener("htmx:afterSettle", () => view.setPins(pinsFromPage()));
  markMargin(view);
}

function markMargin(view) {
  let marking = false;
  let points = [];
  let down = null;
  document.addEventListener("click", (event) => {
    const button = event.target.closest("#mark-margin");
    if (!button) return;
    marking = !marking;
    points = marking ? points : [];
    button.setAttribute("aria-pressed", String(marking));
    button.lastChild.textContent = marking ? " Tap the edge, then send" : " Mark the edge";
  });
  view.renderer.domElement.addEventListener("pointerdown", (event) => { down = [event.clientX, event.clientY]; });
  view.renderer.domElement.addEventListener("pointerup", (event) => {
    // A drag turns the arch; only a tap marks.
    if (!marking || !down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > 6) return;
    const point = view.pick(event);
    if (!point) return;
    points.push(point);
    view.dots(points);
    const field = document.querySelector("#margin-form [name=points]");
    field.value = JSON.stringify(points.map((p) => [p.x, p.y, p.z].map((c) => Number(c.toFixed(3)))));
    const main = document.querySelector("#margin-form .main");
    main.textContent = `Send ${points.length} mark${points.length === 1 ? "" : "s"}`;
  });
}

// The inspection may finish while the page is open: reload once there is a mesh to show.
document.addEventListener("htmx:afterSettle", () => {
  const state = document.getElementById("scan-state") || document.getElementById("model-state");
  if (state?.dataset.hasView === "yes" && root && !root.dataset.mesh) window.location.reload();
});

start();

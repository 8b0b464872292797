// Nudges of a print-ready model: shows the recomputed solid a moment after a change; the scan
// before beside it, in the model's place.

import { GLTFLoader, Matrix4 } from "/static/vendor/three/three.bundle.min.js";

const form = document.getElementById("nudges");
const root = document.getElementById("viewer");
const words = document.getElementById("preview-words");
const before = root?.querySelector("[data-before]");
const data = document.getElementById("view-data");
let place = data ? JSON.parse(data.textContent).transform : null; // from the file to the model
let changed = false; // what is shown is a preview
let timer = null;
let running = null;

async function load(address, options) {
  running?.abort();
  running = new AbortController();
  const answer = await fetch(address, { ...options, signal: running.signal, credentials: "same-origin" });
  if (answer.headers.get("Content-Type")?.includes("json")) {
    const problem = (await answer.json()).problem;
    throw new Error(problem || "Not possible.");
  }
  if (!answer.ok) throw new Error("No answer. Check the connection.");
  const report = JSON.parse(answer.headers.get("X-Model-Report") || "null");
  const gltf = await new GLTFLoader().parseAsync(await answer.arrayBuffer(), "");
  return { scene: gltf.scene, report };
}

function setBefore(on) {
  before?.setAttribute("aria-pressed", String(on));
}

async function preview() {
  words.textContent = "Computing …";
  try {
    const { scene, report } = await load(form.dataset.preview, { method: "POST", body: new FormData(form) });
    const view = root.archView;
    if (view) {
      view.setMesh(scene);
      if (report?.trim) view.cut(report.trim.z_mm);
      if (report?.transform) place = report.transform;
    }
    setBefore(false);
    const parts = [];
    if (report?.volume_ml) parts.push(`${report.volume_ml.toFixed(1)} ml of resin`);
    if (report?.height_spread_mm) parts.push(`front–back ${report.height_spread_mm.after.toFixed(1)} mm`);
    if (report?.trim) parts.push(`${report.trim.tissue_kept_mm.min.toFixed(1)} mm of tissue kept`);
    if (report?.block_out) parts.push(`${Math.round(report.block_out.added_mm3)} mm³ block-out`);
    words.textContent = `Preview: ${parts.join(", ")}. Not stored yet.`;
    changed = true;
  } catch (error) {
    if (error.name !== "AbortError") words.textContent = error.message;
  }
}

form?.addEventListener("input", (event) => {
  const output = form.querySelector(`output[for="${event.target.id}"]`);
  if (output) output.textContent = event.target.value;
  clearTimeout(timer);
  timer = setTimeout(preview, 250);
});

// The scan's own coordinates are the file's; it is turned to where the model stands.
before?.addEventListener("click", async () => {
  const on = before.getAttribute("aria-pressed") !== "true";
  if (!root.archView) return;
  setBefore(on);
  if (!on && changed) {
    await preview();
    return;
  }
  try {
    const { scene } = await load(on ? before.dataset.mesh : root.dataset.mesh, {});
    if (on && place) scene.traverse((node) => {
      if (node.isMesh) node.geometry.applyMatrix4(new Matrix4().set(...place.flat()));
    });
    root.archView.setMesh(scene);
  } catch (error) {
    if (error.name !== "AbortError") setBefore(!on);
  }
});

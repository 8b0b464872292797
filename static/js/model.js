// Nudges of a print-ready model: shows the recomputed solid a moment after a change.

import { GLTFLoader } from "/static/vendor/three/three.bundle.min.js";

const form = document.getElementById("nudges");
const root = document.getElementById("viewer");
const words = document.getElementById("preview-words");
let timer = null;
let running = null;

async function show(address, options) {
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
  root.archView?.setMesh(gltf.scene);
  root.archView?.draw();
  return report;
}

async function preview() {
  words.textContent = "Computing …";
  try {
    const report = await show(form.dataset.preview, { method: "POST", body: new FormData(form) });
    const parts = [];
    if (report?.volume_ml) parts.push(`${report.volume_ml.toFixed(1)} ml`);
    if (report?.height_spread_mm) parts.push(`front–back ${report.height_spread_mm.after.toFixed(1)} mm`);
    if (report?.block_out) parts.push(`${Math.round(report.block_out.added_mm3)} mm³ block-out`);
    words.textContent = `Preview: ${parts.join(", ")}. Not stored yet.`;
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

const before = root?.querySelector("[data-before]");
before?.addEventListener("click", async () => {
  const on = before.getAttribute("aria-pressed") !== "true";
  const address = on ? before.dataset.mesh : root.dataset.mesh;
  if (!address) return;
  before.setAttribute("aria-pressed", String(on));
  await show(address, {});
});

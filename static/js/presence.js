// Whether the person of this page is still signed in, before anything is sent or given up.
//
// A session ends over night, or in another window. What was written until then stays on the page:
// the person signs in beside it and goes on. When somebody else has signed in meanwhile nothing
// is sent in their name.

const PATIENCE = 4000;
const PAUSE = 2000;
const { who: mine = "", presence: address = "" } = document.body.dataset;

// What a form of this page must show the server; it changes with each sign-in.
function renew(token) {
  for (const field of document.querySelectorAll("[name=csrfmiddlewaretoken]")) field.value = token;
  document.body.setAttribute("hx-headers", JSON.stringify({ "X-CSRFToken": token }));
  for (const part of document.querySelectorAll("[data-csrf]")) part.dataset.csrf = token;
}

// Returns { up, here, name }: whether the server answers, whether our person is signed in, and
// who else is.
export async function presence() {
  const control = new AbortController();
  const clock = setTimeout(() => control.abort(), PATIENCE);
  try {
    const answer = await fetch(address, { cache: "no-store", signal: control.signal });
    if (answer.status >= 500) return { up: false };
    const { who, name, token } = await answer.json();
    const here = !mine || who === mine;
    if (mine && here) renew(token);
    return { up: true, here, name };
  } catch {
    return { up: false };
  } finally {
    clearTimeout(clock);
  }
}

function changed(field) {
  if (field.type === "checkbox" || field.type === "radio") return field.checked !== field.defaultChecked;
  if (field.options) return [...field.options].some((o) => o.selected !== o.defaultSelected && (o.selected || field.multiple));
  return field.value !== (field.defaultValue ?? "");
}

// Whether something in `part` was written, chosen or ticked that the server does not know yet.
export function written(part) {
  return [...part.querySelectorAll("input, textarea, select")].some(changed);
}

let box = null;

// Says that nobody, or somebody else, is signed in, until our person is again.
export async function awaitSignIn(found) {
  if (box) return;
  box = document.createElement("div");
  box.className = "offline unsent";
  box.id = "signed-out";
  box.setAttribute("role", "alert");
  const words = document.createElement("span");
  const link = document.createElement("a");
  link.className = "button";
  link.target = "_blank";
  box.append(words, link);
  document.getElementById("content").prepend(box);
  box.scrollIntoView({ block: "nearest" });
  for (let now = found; !now.here; now = await presence()) {
    if (now.up) {
      link.href = now.name ? location.href : "/login/";
      link.textContent = now.name ? "Open the page anew" : "Sign in";
      words.textContent = now.name
        ? `${now.name} is signed in by now. What you wrote is not recorded, and stays here.`
        : "You are signed out. What you wrote is not recorded yet, and stays here: sign in in the new window, come back to this one, and press again.";
    }
    await new Promise((resolve) => setTimeout(resolve, PAUSE));
  }
  words.textContent = "You are signed in again. Go on where you were.";
  link.remove();
  setTimeout(() => { box?.remove(); box = null; }, 6000);
}

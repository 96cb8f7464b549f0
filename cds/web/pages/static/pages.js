// What the pages do beyond forms and links. Everything works without it.
"use strict";

// A card's link carries its decision in the fragment, which no server is sent: taken out of the address, and posted.
const carried = location.hash.match(/^#d=([\w-]+)$/);
if (carried && location.pathname === "/bedside") {
  history.replaceState(null, "", location.pathname);
  const opening = document.createElement("form");
  opening.method = "post";
  opening.action = "/bedside/link";
  opening.append(Object.assign(document.createElement("input"), { type: "hidden", name: "link", value: carried[1] }));
  document.body.append(opening);
  opening.submit();
}

// A link to a field opens what it is folded in, and goes to the entry itself.
document.addEventListener("click", (event) => {
  const link = event.target.closest('a[href^="#f-"]');
  const field = link && document.getElementById(link.hash.slice(1));
  if (!field) return;
  event.preventDefault();
  for (let fold = field.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
  field.scrollIntoView({ block: "center" });
  field.querySelector("input:checked, input, select").focus({ preventScroll: true });
});

// A live region speaks whenever it is written to; so it is written to only when it says something new.
document.addEventListener("htmx:oobBeforeSwap", (event) => {
  const { target, fragment } = event.detail;
  if (target.textContent === fragment.textContent) event.detail.shouldSwap = false;
  if (target.classList.contains("error")) {
    const entry = document.getElementById(target.id.replace(/^e-/, "i-"));
    if (fragment.textContent) entry.setAttribute("aria-invalid", "true");
    else entry.removeAttribute("aria-invalid");
  }
});

// The 6 of 66 is no mistake yet: an answer that a number cannot be used waits until nobody has typed for a moment, or has left
// the field. Where one stands already, or the entry was no number, it is shown at once.
const PAUSE_MS = 800;
let typedAt = 0;
let waiting = 0;
function askAgain() {
  typedAt = 0;
  if (!waiting) return;
  clearTimeout(waiting);
  waiting = 0;
  htmx.trigger("#facts", "again");
}
document.addEventListener("input", (event) => {
  clearTimeout(waiting);
  waiting = 0;
  typedAt = event.target.inputMode === "decimal" ? Date.now() : 0;
});
document.addEventListener("change", askAgain);
document.addEventListener("htmx:beforeSwap", (event) => {
  const { target, xhr } = event.detail;
  const rest = typedAt + PAUSE_MS - Date.now();
  if (target.id !== "answer" || xhr.status !== 422 || rest <= 0 || target.querySelector("[data-part=problems]")) return;
  event.detail.shouldSwap = false;
  waiting = setTimeout(askAgain, rest);
});

// What was unfolded in the answer stays so when the answer is drawn anew; folds are told by what their headings say, but
// for the numbers in them.
let unfolded = [];
function headings(fold) {
  const own = fold.querySelector("summary strong, summary").textContent.replace(/\d+/g, "").trim();
  const outer = fold.parentElement.closest("#answer details");
  return outer ? `${headings(outer)} / ${own}` : own;
}
document.addEventListener("htmx:beforeSwap", (event) => {
  if (event.detail.target.id === "answer") unfolded = [...event.detail.target.querySelectorAll("details[open]")].map(headings);
});
document.addEventListener("htmx:afterSwap", (event) => {
  if (event.detail.target.id !== "answer") return;
  for (const fold of document.querySelectorAll("#answer details")) if (unfolded.includes(headings(fold))) fold.open = true;
});

// Over plain HTTP a browser lends no clipboard.
for (const button of navigator.clipboard ? document.querySelectorAll("[data-copy]") : []) {
  button.hidden = false;
  button.addEventListener("click", async () => {
    await navigator.clipboard.writeText(document.getElementById(button.dataset.copy).textContent);
    button.textContent = "Copied";
  });
}

const print = document.querySelector("[data-print]");
if (print) {
  print.hidden = false;
  print.addEventListener("click", () => window.print());
}

const lost = document.getElementById("lost");
function setLost(hasEnded) {
  document.getElementById("gone").hidden = hasEnded;
  document.getElementById("ended").hidden = !hasEnded;
  lost.hidden = false;
}
document.addEventListener("htmx:sendError", () => setLost(false));
document.addEventListener("htmx:responseError", (event) => setLost(event.detail.xhr.status === 403));
document.addEventListener("htmx:afterSwap", () => { lost.hidden = true; });

// Without a network the last answer stays, to be read only: any way off the page would lose it. It is in the page alone.
const away = document.getElementById("offline");
if (away) {
  addEventListener("offline", () => setAway(true));
  addEventListener("online", () => setAway(false));
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href]");
    if (!away.hidden && link && !link.getAttribute("href").startsWith("#")) event.preventDefault();
  });
  function setAway(isAway) {
    if (isAway) reloadIsKept();
    away.hidden = !isAway;
    if (!isAway) delete document.documentElement.dataset.kept;
    for (const entry of document.getElementById("facts").elements) entry.disabled = isAway;
  }
  const root = document.documentElement;
  if (root.dataset.kept) {
    document.getElementById("kept").textContent = `Kept from ${root.dataset.kept}.`;
    setAway(true);
    // Whether the service is back a browser does not always say: it may see a network where there is no way to us.
    const trying = setInterval(async () => {
      const answer = await fetch("/bedside/keeper.js", { cache: "no-store" }).catch((lost) => lost);
      if (!answer.ok) return;
      clearInterval(trying);
      setAway(false);
    }, 3000);
  }

  // A reload without a network shows this page again: a worker has it in its memory, as long as the page says that it is open.
  function asItStands() {
    const copy = root.cloneNode(true);
    copy.dataset.kept = root.dataset.kept || new Date().toTimeString().slice(0, 5);
    const copies = copy.querySelector("#facts").elements;
    [...document.getElementById("facts").elements].forEach((entry, place) => {
      const twin = copies[place];
      if (entry.type === "radio") twin.toggleAttribute("checked", entry.checked);
      else if (entry.tagName === "SELECT") [...entry.options].forEach((one, i) => twin.options[i].toggleAttribute("selected", one.selected));
      else if (entry.tagName === "INPUT") twin.setAttribute("value", entry.value);
      twin.disabled = false;
    });
    return `<!doctype html>${copy.outerHTML}`;
  }
  // A page that came of a form or of a card's link would be posted again, which needs the service; once it is away, a reload asks
  // for the address that the worker answers.
  function reloadIsKept() {
    if (navigator.serviceWorker && navigator.serviceWorker.controller) history.replaceState(null, "", "/bedside");
  }
  document.addEventListener("htmx:sendError", reloadIsKept);
  function keep() {
    const worker = navigator.serviceWorker.controller;
    if (worker) worker.postMessage(asItStands());
  }
  if (navigator.serviceWorker && location.pathname.startsWith("/bedside")) {
    // Where it is refused (a browser that forbids workers), nothing is kept for a reload, and all else is the same.
    navigator.serviceWorker.register("/bedside/keeper.js", { scope: "/bedside" }).catch((refused) => console.info(refused.message));
    navigator.serviceWorker.addEventListener("controllerchange", keep);
    navigator.serviceWorker.ready.then((registration) => {
      if (!navigator.serviceWorker.controller) registration.active.postMessage("claim");
    });
    document.addEventListener("htmx:afterSettle", keep);
    document.addEventListener("visibilitychange", keep);
    setInterval(keep, 5000);
    keep();
  }
}

// Keeps the last bedside page for a reload without a network: in the memory of this worker only, never on a disk, and no longer
// than the page is open. Posts are never touched, so that they keep their origin.
"use strict";

const POLICY = "";
const FORGET_MS = 15000;
const NOTHING = `<!doctype html><html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>No network</title><h1>No network</h1><p>Nothing was kept. Go by the downtime sheet of your ward, and load this page again later.</p></html>`;

let kept = null;
let forgetting = 0;

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

// A page that was on its way while this worker took charge of the others asks to be taken as well.
self.addEventListener("message", (event) => {
  if (event.data === "claim") { event.waitUntil(self.clients.claim()); return; }
  kept = event.data;
  clearTimeout(forgetting);
  forgetting = setTimeout(() => { kept = null; }, FORGET_MS);
});

self.addEventListener("fetch", (event) => {
  const { mode, method, url } = event.request;
  if (mode !== "navigate" || method !== "GET" || new URL(url).pathname !== "/bedside") return;
  event.respondWith(fetch(event.request).catch(() => new Response(kept || NOTHING, {
    headers: { "Content-Type": "text/html; charset=utf-8", "Content-Security-Policy": POLICY, "Cache-Control": "no-store" },
  })));
});

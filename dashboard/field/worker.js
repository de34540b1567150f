"use strict";
// Keeps the field pages on the phone: the network first, for it may be newer; what is kept when there is none.
// The server fills in what is kept and a name that changes with its content.
const KEPT = "baulk-field-@version";
const FILES = "@files";
const PATIENCE_MS = 2500;
self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((kept) => kept.addAll(FILES)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => {
  event.waitUntil(
    caches.keys()
      .then((names) => Promise.all(names.filter((name) => name.startsWith("baulk-field-") && name !== KEPT).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});
self.addEventListener("fetch", (event) => {
  const path = new URL(event.request.url).pathname;
  if (event.request.method === "GET" && FILES.includes(path)) event.respondWith(newest(path));
});

async function newest(path) {
  const kept = await caches.open(KEPT);
  const asked = fetch(path, { cache: "no-cache", credentials: "same-origin" });
  const late = new Promise((_, fail) => setTimeout(() => fail(new Error("late")), PATIENCE_MS));
  try {
    const answer = await Promise.race([asked, late]);
    if (answer.ok) await kept.put(path, answer.clone());
    return answer; // the door's own page too: whoever has to sign in is asked to
  } catch {
    asked.then((answer) => answer.ok && kept.put(path, answer)).catch(() => {});
    return (await kept.match(path)) ?? asked;
  }
}

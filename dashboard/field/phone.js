// The phone's own memory, and what the field pages share in sending: each entry has an id of its own.

let base;
function opened() {
  base ??= new Promise((done, fail) => {
    const asked = indexedDB.open("baulk-field", 2);
    asked.onupgradeneeded = () => {
      const there = [...asked.result.objectStoreNames];
      const make = (name, how) => there.includes(name) || asked.result.createObjectStore(name, how);
      make("entries", { keyPath: "id" }); // of walks
      make("arrivals", { keyPath: "id" }); // timbers
      make("photos", { keyPath: "id" }); // until they are sent
      make("kept"); // what the server said last, and where the person is
    };
    asked.onsuccess = () => {
      asked.result.onversionchange = () => { asked.result.close(); base = undefined; };
      done(asked.result);
    };
    asked.onerror = () => fail(asked.error);
  });
  return base;
}
export async function within(store, mode, work) {
  const db = await opened();
  return new Promise((done, fail) => {
    const change = db.transaction(store, mode, { durability: "strict" });
    const asked = work(change.objectStore(store));
    change.oncomplete = () => done(asked?.result);
    change.onerror = change.onabort = () => fail(change.error);
  });
}
export const keep = (key, value) => within("kept", "readwrite", (kept) => kept.put(value, key));
export const kept = (key) => within("kept", "readonly", (held) => held.get(key));
export const put = (store, entry) => within(store, "readwrite", (held) => held.put(entry));
export const get = (store, id) => within(store, "readonly", (held) => held.get(id));
export const drop = (store, id) => within(store, "readwrite", (held) => held.delete(id));
export const every = (store) => within(store, "readonly", (held) => held.getAll());

export function uuid() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const b = crypto.getRandomValues(new Uint8Array(16)); // over plain http there is no randomUUID
  return [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
}
export function stays() { // the pages open without signal, and what is not sent outlives a full phone
  navigator.storage?.persist?.();
  navigator.serviceWorker?.register("/field/worker.js").catch(() => {});
}
export function button(text, does) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.onclick = does;
  return made;
}
export function options(select, rows, chosen, empty) {
  const wanted = JSON.stringify([rows, empty]);
  if (select.dataset.rows !== wanted) {
    select.dataset.rows = wanted;
    select.replaceChildren(...[["", empty], ...rows].map(([value, text]) => new Option(text, value)));
  }
  select.value = chosen ?? "";
}

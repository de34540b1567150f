// The walk: what is typed is kept on the phone at once and sent when there is signal; each entry has an id of its
// own, so that sending it twice stores it once.
import * as phone from "./phone.js";
import * as measure from "./measure.js";
import { draw as drawButtEnd } from "./butt_end.js";
import * as camera from "./walk_camera.js";
import * as likely from "./likely.js";

const { keep, kept, uuid, button } = phone, { pct, Digits, LB, MM } = measure;
const put = (entry) => phone.put("entries", entry), drop = (id) => phone.drop("entries", id);
const $ = (id) => document.getElementById(id);
const FACES = [null, "a", "b", "c", "d"];
const NEW_WALK_MS = 8 * 3600e3; // after so long without an entry another walk begins
const FORGET_MS = 14 * 86400e3; // entries that were sent are shown for so long
const RETRY_MS = 15e3;
const FAR_FROM_END_MM = { inch: 914.4, metric: 900 }; // a yard: nearer to an end wood is drier

// ---- what is known

let yard = { stops: [], system: "metric" };
let order = { by: "place", only: "" }; // of the timbers: by place and row, or the longest without a reading first
let entries = []; // in the order in which they were made
let at = 0; // which timber
let kind = "pins";
let typed = "";
let depthTyped = null; // Digits, while the depth is typed
let place = null; // depth and face that are kept from timber to timber, once they were chosen
let editing = null; // the entry that is put right
let asked = null; // the unlikely value that was asked about
let signal = true, mayEnter = true;

const inch = () => yard.system === "inch";
let lined = []; // the timbers in the order in which the person walks: it stands still while numbers are saved
const stops = () => lined;
function line(tag = here()?.tag) { // put them in order, and stay with a timber
  lined = sorted();
  at = Math.max(0, lined.findIndex((one) => one.tag === tag));
}
function sorted() {
  if (!yard.stops.some((one) => one.place === order.only)) order.only = "";
  const found = yard.stops.filter((one) => !order.only || one.place === order.only);
  if (order.by === "place") return found;
  const last = new Map(found.map((one) => [one.tag, one.read_ms?.[kind] ?? 0]));
  for (const one of entries) { // what this phone has read counts, sent or not
    if (!one.undo && one.kind === kind && last.has(one.tag)) last.set(one.tag, Math.max(last.get(one.tag), one.at_ms + (yard.ahead_ms ?? 0)));
  }
  return found.sort((a, b) => last.get(a.tag) - last.get(b.tag)); // never read: first
}
const here = () => stops()[at];
const wished = () => new URLSearchParams(location.search).get("tag"); // by the link that leads here
const spot = () => place ?? { depth_mm: here()?.depth_mm ?? 25, face: here()?.face ?? null };

// ---- in words

const length = (mm) => measure.length(mm, inch());
const mass = (kg) => measure.mass(kg, inch());
const now = () => Date.now() + (yard.ahead_ms ?? 0); // by the server's clock, as far as the phone has seen it
const ago = (ms) => measure.ago(ms, now());
const value = (entry) => likely.value(entry, yard), unlikely = (entry) => likely.unlikely(entry, yard);
function where(entry) {
  if (entry.kind === "weight") return "";
  return ` at ${length(entry.depth_mm)}${entry.face ? `, face ${entry.face}` : ""}`;
}

// ---- the screen

function draw() {
  const stop = here();
  $("notice").hidden = Boolean(stop) || yard.stops.length > 0;
  for (const id of ["save", "before", "after", "depth", "face"]) $(id).disabled = !stop;
  if (stop) drawTimber(stop);
  const pinned = kind === "pins", deep = depthTyped !== null;
  $("pins").setAttribute("aria-pressed", pinned);
  $("weight").setAttribute("aria-pressed", !pinned);
  $("depth").hidden = $("face").hidden = !pinned;
  $("depth").toggleAttribute("data-edited", deep);
  $("depth").textContent = length(spot().depth_mm);
  $("face").textContent = spot().face ? `Face ${spot().face}` : "Any face";
  $("over").disabled = !pinned || deep;
  $("what").textContent = deep ? "Depth of the pin tips" : pinned ? "Meter says" : "Weight";
  $("unit").textContent = deep ? (inch() ? "in" : "mm") : pinned ? "%" : inch() ? "lb" : "kg";
  $("shown").textContent = (deep ? depthTyped.text : typed) || "\u00a0";
  $("fractions").hidden = !(deep && inch());
  $("hint").hidden = deep && inch(); // they stand in its place
  $("save").textContent = deep ? "Save depth" : editing ? "Save the change" : "Save, next";
  drawHint(stop);
  drawState();
}
function drawTimber(stop) {
  $("tag").textContent = stop.tag;
  const count = `${at + 1} of ${stops().length}`;
  const read = entries.some((one) => one.tag === stop.tag && one.walk === walk() && !one.undo);
  $("about").textContent = `${stop.place}, ${count}${read ? ", read" : ""}: ${stop.wood}, ${stop.size}`;
  drawSection(stop);
}
function drawSection(stop) {
  const { depth_mm, face } = spot(), pins = kind === "pins" ? { depth_mm, face } : null;
  drawButtEnd($("section"), { width: stop.width_mm, height: stop.height_mm, pith: stop.pith_mm, pins });
  const far_mm = FAR_FROM_END_MM[yard.system], end_mm = stop.from_end_mm ?? (stop.length_mm / 2 < far_mm ? null : far_mm);
  const from = end_mm === null ? "in the middle of its length"
    : `${length(end_mm)}${stop.from_end_mm == null ? " or more" : ""} from an end`;
  $("where").textContent = pins ? `${face ? `Face ${face}` : "Any face"}, ${length(depth_mm)} deep, ${from}` : "";
  $("section").setAttribute("aria-label", `The butt end. ${$("where").textContent}`);
}
function drawHint(stop) {
  let says = "", last = "";
  if (stop && kind === "pins") {
    const there = likely.expected(stop, spot().depth_mm, spot().face);
    says = there?.low == null ? "No forecast yet to hold it against."
      : there.low > 30 ? "Expected: over 30 %" : `Expected ${pct(there.low)} to ${pct(there.high)} %`;
    if (stop.pins) {
      const least = stop.pins.at_least ? "at least " : "";
      last = `Last ${least}${pct(stop.pins.pct)} %${where({ ...stop.pins, kind: "pins" })}, ${ago(stop.pins.at_ms)}`;
    }
  } else if (stop) {
    says = stop.likely_kg ? `Likely ${mass(stop.likely_kg[0])} to ${mass(stop.likely_kg[1])}` : "Its first weight.";
    if (stop.weight) last = `Last ${mass(stop.weight.kg)}, ${ago(stop.weight.at_ms)}`;
  }
  $("expected").textContent = says || "\u00a0";
  $("last").textContent = last || "\u00a0";
  const doubt = typed && stop && depthTyped === null ? unlikely(made()) : null;
  // a number that is still being typed may be too small, but not too large
  const ask = doubt && ((doubt.other && doubt.large) || asked === typed) ? doubt : null;
  $("ask").hidden = !ask;
  if (!ask) return;
  $("question").textContent = ask.says;
  $("better").hidden = !ask.other;
  $("better").textContent = `${ask.other}?`;
  $("better").dataset.value = ask.other ?? "";
  $("keep").textContent = `Keep ${typed}`;
  $("keep").hidden = asked !== typed;
}
function drawState() {
  const sends = entries.filter((one) => one.state === "waiting"), waiting = sends.filter((one) => !one.undo).length;
  const open = entries.filter((one) => one.state === "asks" || one.state === "refused").length;
  const says = open ? `${open} to look at` : waiting ? `${waiting} waiting to be sent`
    : sends.length ? "Undo waiting to be sent" : entries.length ? "All sent" : "";
  const status = !mayEnter ? `Sign in to send${waiting ? ` ${waiting}` : ""}`
    : !signal && !open && !waiting ? "No signal" : says;
  const pictures = status === "All sent" || !status ? camera.count() : 0;
  const told = pictures ? `${pictures} photograph${pictures > 1 ? "s" : ""} waiting to be sent` : status;
  $("status").textContent = told;
  $("status").hidden = !told;
  $("status").toggleAttribute("data-waiting", Boolean(waiting || open || pictures || !mayEnter));
  const mine = ofWalk().filter((one) => !one.undo), newest = mine.at(-1);
  $("undo").disabled = !newest;
  $("done").textContent = newest
    ? `Saved ${newest.tag}: ${value(newest)}${where(newest)}`
    : "Nothing saved on this walk yet.";
  if ($("list").open) drawList();
}
function drawOrder() {
  const row = (text, chosen, change) => {
    const made = button(text, () => {
      const tag = here()?.tag;
      change();
      keep("order", order);
      line(order.by === "place" ? tag : "");
      drawOrder();
      draw();
    });
    made.setAttribute("aria-pressed", chosen);
    return made;
  };
  $("orders").replaceChildren(
    row("Place and row", order.by === "place", () => { order.by = "place"; }),
    row(`Longest without ${kind === "pins" ? "pins" : "a weight"}`, order.by === "longest", () => { order.by = "longest"; }),
  );
  const places = [...new Set(yard.stops.map((one) => one.place))];
  $("places").replaceChildren(
    row("All places", !order.only, () => { order.only = ""; }),
    ...places.map((name) => row(name, order.only === name, () => { order.only = name; })),
  );
}
function drawList() {
  const rows = ofWalk().slice().reverse().map((one) => {
    const row = document.createElement("li"), name = document.createElement("div");
    const tag = document.createElement("b"), state = document.createElement("small");
    tag.textContent = `${one.tag}  ${value(one)}`;
    const told = one.undo ? "undone" : { waiting: "waiting to be sent", sent: "sent", asks: "unlikely: keep it or edit it",
      refused: "not taken: edit it or undo it" }[one.state];
    state.textContent = `${where(one).replace(" at ", "")}${one.kind === "pins" ? ", " : ""}${told}`;
    name.append(tag, state);
    row.append(name);
    row.classList.toggle("undone", Boolean(one.undo));
    if (!one.undo) row.append(button("Edit", () => edit(one)), button("Undo", () => undo(one)));
    if (one.said && !one.undo) {
      const said = document.createElement("div");
      said.className = "said";
      said.textContent = one.said;
      row.append(said);
      if (one.state === "asks") row.append(button("Keep it", () => insist(one)));
    }
    return row;
  });
  $("entries").replaceChildren(...rows);
  const page = navigator.serviceWorker?.controller
    ? "This page opens without signal, and what is not sent yet stays on this phone, also when the browser is closed."
    : "What is not sent yet stays on this phone. Without signal this page opens anew only if the shop's pages are served "
      + "by https: keep it open meanwhile.";
  const meter = yard.meter ? `Meter: ${yard.meter}. ` : "";
  $("kept").textContent = `${rows.length ? "" : "Nothing yet. "}${meter}${page}`;
}
// ---- typing

function press(key) {
  if (depthTyped !== null) {
    depthTyped.press(key);
  } else if (key === "Backspace") typed = typed === "OL" ? "" : typed.slice(0, -1);
  else if (key === "OL") { if (kind === "pins") typed = "OL"; }
  else if (key === "." && (typed.includes(".") || typed === "OL")) return;
  else if (typed.length < 6) typed = (typed === "OL" ? "" : typed) + key;
  asked = null;
  draw();
}
function made() { // the entry that stands in the field
  const entry = { tag: here().tag, kind, at_ms: Date.now(), sure: false };
  if (kind === "weight") return { ...entry, kg: Number(typed) * (inch() ? LB : 1) };
  return { ...entry, shown: typed, ...spot() };
}

// ---- saving

const walk = () => entries.at(-1)?.walk;
const ofWalk = () => entries.filter((one) => one.walk === walk());

async function save(sure = false) {
  if (depthTyped !== null) return keepDepth();
  if (!here() || !typed || typed === ".") return undefined;
  const entry = made();
  if (kind === "weight" ? !(entry.kg > 0) : entry.shown !== "OL" && !(Number(entry.shown) > 0)) return undefined;
  if (!sure && unlikely(entry)) {
    asked = typed;
    return draw();
  }
  const last = entries.at(-1), old = editing;
  const goesOn = last && (last.state !== "sent" || Date.now() - last.at_ms < NEW_WALK_MS);
  Object.assign(entry, { id: uuid(), walk: old?.walk ?? (goesOn ? last.walk : uuid()), sure, state: "waiting", tries: 0, made_ms: Date.now() });
  if (old) entry.at_ms = old.at_ms + 1;
  try {
    await put(entry);
  } catch (err) {
    return notice(`This phone has no room to keep the reading (${err?.name}). Write it down and free some room.`);
  }
  entries.push(entry);
  typed = "";
  asked = null;
  if (old) {
    editing = null;
    at = old.back;
    await undo(old.entry, false);
  } else {
    at = next(at);
  }
  await keep("at", here()?.tag);
  draw();
  return send();
}
function next(from) { // the next timber that has no entry on this walk
  const read = new Set(ofWalk().filter((one) => !one.undo && one.kind === kind).map((one) => one.tag));
  for (let step = 1; step < stops().length; step++) {
    const then = (from + step) % stops().length;
    if (!read.has(stops()[then].tag)) return then;
  }
  return (from + 1) % stops().length;
}
async function undo(entry, told = true) {
  if (!entry.tries) {
    entries = entries.filter((one) => one !== entry);
    await drop(entry.id);
  } else { // it may have arrived although no answer came: the server is told too
    Object.assign(entry, { undo: true, state: "waiting" });
    await put(entry);
  }
  if (told) {
    const back = stops().findIndex((one) => one.tag === entry.tag);
    if (back >= 0) at = back;
    draw();
    send();
  }
}
function edit(entry) {
  if (!stops().some((one) => one.tag === entry.tag)) {
    order.only = "";
    line();
  }
  const stop = stops().findIndex((one) => one.tag === entry.tag);
  if (stop < 0) return; // it left the yard meanwhile
  editing = { entry, back: at, walk: entry.walk, at_ms: entry.at_ms };
  at = stop;
  kind = entry.kind;
  if (kind === "pins") place = { depth_mm: entry.depth_mm, face: entry.face };
  typed = kind === "weight" ? pct(entry.kg / (inch() ? LB : 1)) : entry.shown;
  $("list").close();
  draw();
}
async function insist(entry) {
  Object.assign(entry, { sure: true, state: "waiting", said: "" });
  await put(entry);
  draw();
  send();
}
function keepDepth() {
  const mm = depthTyped.number * (inch() ? MM : 1);
  const side = here() ? Math.min(here().width_mm, here().height_mm) : 1000;
  if (mm > side) return notice(`Pins ${length(mm)} deep would come out on the other side: it is ${length(side)}.`);
  if (mm > 0) place = { ...spot(), depth_mm: mm };
  depthTyped = null;
  keep("place", { place, at_ms: Date.now() });
  return draw();
}
function notice(text) {
  $("notice").textContent = text;
  $("notice").hidden = false;
}

// ---- camera

async function scanned(file) {
  try {
    const tag = (await camera.scan(file)).trim(), same = (one) => one.tag.toLowerCase() === tag.toLowerCase();
    if (!yard.stops.some(same)) return notice(`The code says ${tag}, and no timber here has that tag.`);
    if (!stops().some(same)) { order.only = ""; line(); }
    at = stops().findIndex(same);
    typed = "";
    asked = editing = depthTyped = null;
    await keep("at", here().tag);
    return draw();
  } catch (err) {
    return notice(err instanceof TypeError ? "Without signal this phone can't read the code: choose the timber by the arrows." : err.message);
  }
}
async function photographed(file) {
  const { tag } = here();
  try {
    await camera.take(file, tag);
  } catch {
    return notice("That picture can't be kept here. Let the camera make JPEG pictures, or free some room on this phone.");
  }
  drawState();
  $("done").textContent = `Photograph of ${tag} kept`;
  return send();
}

// ---- sending

let sending = false, again = null;
async function send() {
  if (sending) return;
  sending = true;
  clearTimeout(again);
  try {
    for (let waiting; (waiting = entries.filter((one) => one.state === "waiting")).length;) {
      const name = waiting[0].walk, batch = waiting.filter((one) => one.walk === name).slice(0, 100);
      for (const one of batch) one.tries += 1;
      await Promise.all(batch.map(put)); // before they leave: an answer may get lost
      const sent = batch.map((one) => ({ ...one }));
      const answer = await fetch("/field/readings", {
        method: "POST",
        headers: { "content-type": "application/json" },
        body: JSON.stringify({ walk: name, sent_ms: Date.now(), entries: sent }),
      });
      mayEnter = answer.status !== 401 && answer.status !== 403;
      signal = true;
      if (!answer.ok) break;
      await settle(batch, sent, (await answer.json()).outcomes);
    }
    if (camera.count()) {
      const why = await camera.send();
      if (why) notice(why);
    }
  } catch {
    signal = false;
  } finally {
    sending = false;
    const said = $("done").textContent;
    drawState();
    if (said.startsWith("Photograph")) $("done").textContent = said;
    if (camera.count() || entries.some((one) => one.state === "waiting")) again = setTimeout(send, RETRY_MS);
  }
}
async function settle(batch, sent, outcomes) {
  const said = new Map(outcomes.map((one) => [one.id, one]));
  for (const [n, one] of batch.entries()) {
    const outcome = said.get(one.id);
    if (one.undo !== sent[n].undo || one.sure !== sent[n].sure) continue; // changed meanwhile: it is sent again
    one.state = { asks: "asks", refused: one.undo ? "sent" : "refused" }[outcome?.state] ?? "sent";
    one.said = one.state === "sent" ? "" : outcome.said;
    await put(one);
  }
  drawState();
}
async function look() { // fetch the yard anew, and keep it
  try {
    const answer = await fetch("/field/yard.json", { cache: "no-cache" });
    mayEnter = answer.status !== 401 && answer.status !== 403;
    signal = true;
    if (answer.ok) {
      const tag = here()?.tag ?? wished() ?? (await kept("at"));
      yard = await answer.json();
      yard.ahead_ms = yard.now_ms - Date.now();
      line(tag);
      await keep("yard", yard);
    }
  } catch {
    signal = false;
  }
  if (!yard.stops.length) {
    notice(signal ? "No timber is entered yet: add the first one with Add timber."
      : "This phone has not seen the yard yet: open this page once where there is signal.");
  }
  draw();
}

// ---- beginning

function listen() {
  const tap = (id, does) => $(id).addEventListener("click", does);
  $("pad").addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]")?.dataset.key;
    if (key) press(key);
  });
  $("fractions").addEventListener("click", (event) => {
    const { sixteenths, more } = event.target.dataset;
    if (sixteenths) depthTyped.fraction(Number(sixteenths));
    if (more) depthTyped.fraction(1, true);
    draw();
  });
  document.addEventListener("keydown", (event) => {
    if (document.querySelector("dialog[open]") || event.ctrlKey || event.metaKey || event.altKey) return;
    if (/^[\d.]$/.test(event.key) || event.key === "Backspace") { press(event.key); event.preventDefault(); }
    else if (event.key === ",") press(".");
    else if (event.key === "Enter" && event.target.tagName !== "BUTTON" && event.target.tagName !== "A") save();
  });
  tap("save", () => save());
  tap("better", () => { typed = $("better").dataset.value; asked = null; save(); });
  tap("keep", () => save(true));
  tap("pins", () => { kind = "pins"; typed = ""; line(); draw(); });
  tap("weight", () => { kind = "weight"; typed = ""; depthTyped = null; line(); draw(); });
  tap("face", () => {
    place = { ...spot(), face: FACES[(FACES.indexOf(spot().face) + 1) % FACES.length] };
    keep("place", { place, at_ms: Date.now() });
    draw();
  });
  tap("depth", () => { depthTyped = depthTyped === null ? new Digits({ sixteenths: inch(), most: 3 }) : null; draw(); });
  const step = (by) => {
    at = (at + by + stops().length) % stops().length;
    typed = "";
    asked = editing = depthTyped = null;
    keep("at", here().tag);
    draw();
  };
  const pictured = (id, does) => {
    $(id).onchange = () => { const [file] = $(id).files; $(id).value = ""; if (file && here()) does(file); };
  };
  pictured("scan", scanned);
  pictured("photo", photographed);
  tap("before", () => step(-1));
  tap("after", () => step(1));
  tap("undo", () => { const last = ofWalk().filter((one) => !one.undo).at(-1); if (last) undo(last); });
  const list = () => { drawList(); $("list").showModal(); };
  tap("show", list);
  tap("status", () => (mayEnter ? list() : location.reload()));
  tap("sort", () => { drawOrder(); $("order").showModal(); });
  tap("order-close", () => $("order").close());
  tap("close", () => $("list").close());
  addEventListener("online", () => { look(); send(); });
  addEventListener("offline", () => { signal = false; drawState(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { look(); send(); } });
}
async function begin() {
  listen();
  yard = (await kept("yard")) ?? yard;
  order = (await kept("order")) ?? order;
  const chosen = await kept("place"); // for this walk only: on the next each timber's own last place counts again
  place = chosen && Date.now() - chosen.at_ms < NEW_WALK_MS ? chosen.place : null;
  await camera.begin();
  entries = (await phone.every("entries")).sort((a, b) => (a.made_ms ?? a.at_ms) - (b.made_ms ?? b.at_ms));
  for (const old of entries.filter((one) => one.state === "sent" && Date.now() - one.at_ms > FORGET_MS)) {
    entries = entries.filter((one) => one !== old);
    await drop(old.id);
  }
  line(wished() ?? (await kept("at")));
  draw();
  phone.stays();
  await look();
  await send();
}
begin();

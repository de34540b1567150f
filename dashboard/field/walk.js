// The walk: what is typed is kept on the phone at once and sent when there is signal; each entry has an id of its
// own, so that sending it twice stores it once.
import * as phone from "./phone.js";
import * as measure from "./measure.js";
import { draw as drawButtEnd } from "./butt_end.js";
import * as camera from "./walk_camera.js";
import * as likely from "./likely.js";
import { Queue } from "./queue.js";
import * as lists from "./walk_list.js";
import { lined as inOrder, next as after } from "./walk_order.js";

const { keep, kept, uuid } = phone, { pct, Digits, LB, MM } = measure;
const $ = (id) => document.getElementById(id);
const FACES = [null, "a", "b", "c", "d"];
const NEW_WALK_MS = 8 * 3600e3; // after so long without an entry another walk begins
const FAR_FROM_END_MM = { inch: 914.4, metric: 900 }; // a yard: nearer to an end wood is drier

// ---- what is known

let yard = { stops: [], system: "metric" };
let order = { by: "place", only: "" }; // of the timbers: by place and row, or the longest without a reading first
let at = 0; // which timber
let kind = "pins";
let typed = "";
let depthTyped = null; // Digits, while the depth is typed
let place = null; // depth and face that are kept from timber to timber, once they were chosen
let editing = null; // the entry that is put right
let asked = null; // the unlikely value that was asked about

const inch = () => yard.system === "inch";
let lined = []; // the timbers in the order in which the person walks: it stands still while numbers are saved
const stops = () => lined;
function line(tag = here()?.tag) { // put them in order, and stay with a timber
  lined = sorted();
  at = Math.max(0, lined.findIndex((one) => one.tag === tag));
}
function sorted() {
  if (!yard.stops.some((one) => one.place === order.only)) order.only = "";
  return inOrder(yard, order, kind, queue.entries);
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
  const read = queue.entries.some((one) => one.tag === stop.tag && one.walk === walk() && !one.undo);
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
  const sends = queue.waiting, waiting = sends.filter((one) => !one.undo).length, open = queue.open.length;
  const { entries, signal, mayEnter } = queue;
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
  const places = [...new Set(yard.stops.map((one) => one.place))];
  lists.drawOrder({ order, places, kind, chosen: (wanted) => {
    const tag = here()?.tag;
    order = wanted;
    keep("order", order);
    line(order.by === "place" ? tag : "");
    drawOrder();
    draw();
  } });
}
function drawList() {
  const rows = ofWalk().slice().reverse().map((one) => lists.entryRow(one, {
    value: value(one), where: where(one).replace(" at ", ""), edit: () => edit(one), undo: () => undo(one), insist: () => insist(one),
  }));
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

const walk = () => queue.entries.at(-1)?.walk;
const ofWalk = () => queue.entries.filter((one) => one.walk === walk());

async function save(sure = false) {
  if (depthTyped !== null) return keepDepth();
  if (!here() || !typed || typed === ".") return undefined;
  const entry = made();
  if (kind === "weight" ? !(entry.kg > 0) : entry.shown !== "OL" && !(Number(entry.shown) > 0)) return undefined;
  if (!sure && unlikely(entry)) {
    asked = typed;
    return draw();
  }
  const last = queue.entries.at(-1), old = editing;
  const goesOn = last && (last.state !== "sent" || Date.now() - last.at_ms < NEW_WALK_MS);
  Object.assign(entry, { id: uuid(), walk: old?.walk ?? (goesOn ? last.walk : uuid()), sure, state: "waiting", tries: 0, made_ms: Date.now() });
  if (old) entry.at_ms = old.at_ms + 1;
  try {
    await queue.keep(entry);
  } catch (err) {
    return notice(`This phone has no room to keep the reading (${err?.name}). Write it down and free some room.`);
  }
  typed = "";
  asked = null;
  if (old) {
    editing = null;
    at = old.back;
    await queue.undo(old.entry);
  } else {
    at = next(at);
  }
  await keep("at", here()?.tag);
  draw();
  return queue.send();
}
function next(from) {
  return after(stops(), from, new Set(ofWalk().filter((one) => !one.undo && one.kind === kind).map((one) => one.tag)));
}
async function undo(entry) {
  await queue.undo(entry);
  const back = stops().findIndex((one) => one.tag === entry.tag);
  if (back >= 0) at = back;
  draw();
  queue.send();
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
  await queue.insist(entry);
  draw();
  queue.send();
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
  return queue.send();
}

// ---- sending

const queue = new Queue({
  store: "entries",
  address: "/field/readings",
  batch: (waiting) => waiting.filter((one) => one.walk === waiting[0].walk).slice(0, 100),
  body: (sent) => ({ walk: sent[0].walk, entries: sent }),
  settle: (one, outcome) => {
    one.state = { asks: "asks", refused: one.undo ? "sent" : "refused" }[outcome.state] ?? "sent";
    one.said = one.state === "sent" ? "" : outcome.said;
  },
  after: async () => {
    const why = camera.count() ? await camera.send() : "";
    if (why) notice(why);
  },
  waits: () => camera.count() > 0,
  changed: () => {
    const said = $("done").textContent;
    drawState();
    if (said.startsWith("Photograph")) $("done").textContent = said;
  },
});
async function look() { // fetch the yard anew, and keep it
  try {
    const answer = await fetch("/field/yard.json", { cache: "no-cache" });
    if (queue.answered(answer)) {
      const tag = here()?.tag ?? wished() ?? (await kept("at"));
      yard = await answer.json();
      yard.ahead_ms = yard.now_ms - Date.now();
      line(tag);
      await keep("yard", yard);
    }
  } catch {
    queue.signal = false;
  }
  if (!yard.stops.length) {
    notice(queue.signal ? "No timber is entered yet: add the first one with Add timber."
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
  tap("status", () => (queue.mayEnter ? list() : location.reload()));
  tap("sort", () => { drawOrder(); $("order").showModal(); });
  tap("order-close", () => $("order").close());
  tap("close", () => $("list").close());
  addEventListener("online", () => { look(); queue.send(); });
  addEventListener("offline", () => { queue.signal = false; drawState(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { look(); queue.send(); } });
}
async function begin() {
  listen();
  yard = (await kept("yard")) ?? yard;
  order = (await kept("order")) ?? order;
  const chosen = await kept("place"); // for this walk only: on the next each timber's own last place counts again
  place = chosen && Date.now() - chosen.at_ms < NEW_WALK_MS ? chosen.place : null;
  await camera.begin();
  await queue.begin();
  line(wished() ?? (await kept("at")));
  draw();
  phone.stays();
  await look();
  await queue.send();
}
begin();

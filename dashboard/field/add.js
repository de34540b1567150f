// A new timber in four screens. It is kept on the phone at once and sent when there is signal, the timber first and
// its photograph after it; each has an id of its own, so that sending it twice stores it once.
import * as phone from "./phone.js";
import * as pith from "./add_pith.js";
import { CHECKS, FIELDS, inch, it, kg, long_mm, mm, numbers, pithSays, pith_mm, says, section, shown, typed, weights } from "./add_form.js";
import { mass } from "./measure.js";
import { draw as drawButtEnd } from "./butt_end.js";
import * as paper from "./label_code.js";
import { small } from "./picture.js";
import { Queue } from "./queue.js";

const $ = (id) => document.getElementById(id);
const all = (what) => [...document.querySelectorAll(what)];
const SAVED = 4; // the last screen

let step = 0, active = null, photo = null, asked = "", editing = null, last = null, labels = false, due = null;

function stopped(at) { // whether something holds up the way on from a screen, which is then said
  const found = CHECKS[at]().filter(Boolean), no = found.find((one) => one.no);
  if (no) { notice(no.no); return true; }
  const question = found.map((one) => one.ask).join(" ");
  if (question && !it.form.sure.includes(question)) { asked = question; draw(); return true; }
  return false;
}

// ---- the screens

function notice(text) { $("notice").textContent = text; $("notice").hidden = !text; }
function draw() {
  if (!it.shop) { $("next").disabled = true; return; }
  $("next").disabled = false;
  all("[data-screen]").forEach((one) => { one.hidden = Number(one.dataset.screen) !== step; });
  all("[data-step]").forEach((one) => {
    one.toggleAttribute("aria-current", false);
    if (Number(one.dataset.step) === step) one.setAttribute("aria-current", "step");
    one.disabled = step === SAVED;
  });
  for (const one of all("[data-field]")) drawField(one);
  $("pad").hidden = !active;
  $("fractions").hidden = !(active && it.field[active].fine);
  $("over").disabled = !(active && it.field[active].over);
  $("onward").textContent = active && shown(active).at(-1) === active ? "Close keys" : "Next field";
  $("next").hidden = step === SAVED;
  $("next").textContent = step === 3 ? "Save" : step === 0 && !photo ? "No photograph, next" : "Next";
  $("ask").hidden = !asked;
  $("question").textContent = asked;
  if (step === 1) drawSize();
  if (step === 2) drawUse();
  if (step === 3) drawWeight();
  if (step === SAVED) drawSaved();
  drawStatus();
}
function drawField(one) {
  const name = one.dataset.field, [, label, inches, metric] = FIELDS[name];
  one.hidden = name === "rest" && !inch();
  one.setAttribute("aria-pressed", name === active);
  const what = document.createElement("span"), value = document.createElement("b");
  what.textContent = label;
  value.textContent = `${it.field[name].text || "\u2013"} ${inch() ? inches : metric}`;
  one.replaceChildren(what, value);
}
function drawSize() {
  const there = section() ?? { width: 200, depth: 200 };
  const at = section() && it.form.pith ? pith_mm() : null;
  drawButtEnd($("drawing"), { width: there.width, height: there.depth, pith: at });
  $("pith").disabled = !section();
  $("pith").textContent = it.form.pith ? "Tap it again" : "Tap the pith";
  $("pith-says").textContent = !section() ? "Type across and deep; face a is up." : it.form.pith ? pithSays() : "Not said yet.";
}
function drawUse() {
  const typed = $("wood").value.trim().toLowerCase(), key = (text) => text.toLowerCase();
  const match = typed && typed !== key(it.form.wood ?? "")
    ? it.shop.woods.filter((one) => [one.name, ...one.also].some((each) => key(each).includes(typed)))
    : [];
  match.sort((a, b) => [b, a].map((one) => [one.name, ...one.also].some((each) => key(each) === typed)).reduce((x, y) => x - y));
  const offered = match.length ? match.slice(0, 8).map((one) => one.name) : it.shop.last_woods.slice(0, 4);
  const rows = offered.map((name) => {
    const made = phone.button(name, () => { it.form.wood = name; $("wood").value = name; changed(); });
    made.setAttribute("aria-pressed", name === it.form.wood);
    return made;
  });
  if (typed && !match.length && typed !== key(it.form.wood ?? "")) rows.unshift(Object.assign(document.createElement("p"), { textContent: "No wood of that name is known." }));
  $("woods").replaceChildren(...rows);
  phone.options($("use"), it.shop.uses.map((one) => [one.name, one.title]), it.form.use, "where will it live?");
  const places = it.shop.places.includes(it.form.place) || !it.form.place || $("place").value === "+" ? it.shop.places : [it.form.place, ...it.shop.places];
  phone.options($("place"), [...places.map((one) => [one, one]), ["+", "another place"]], $("place").value === "+" ? "+" : it.form.place, "where does it lie?");
  $("new-place").hidden = $("place").value !== "+";
  $("sealed").checked = it.form.sealed;
}
function drawWeight() {
  if ($("tag").value !== it.form.tag) $("tag").value = it.form.tag;
  $("face").textContent = it.form.face ? `Face ${it.form.face}` : "Any face";
  if (!it.form.wood || !section() || !long_mm()) { $("weighs").textContent = ""; return; }
  const [, light, heavy] = weights();
  const alone = heavy > it.shop.limits.lift_kg ? " No lift for one person: use a hoist, or more hands." : "";
  $("weighs").textContent = `It weighs ${mass(light, inch())} dry to ${mass(heavy, inch())} soaked.${alone} Leave empty what you have not measured.`;
}
function drawSaved() {
  const one = queue.entries.find((each) => each.id === last);
  $("got").textContent = one ? one.tag : "";
  const told = { waiting: "Kept on this phone, waiting to be sent. The tag may change if another phone took it meanwhile.", asks: "Not entered yet: see below.",
    refused: "Not entered: see below.", sent: one?.said }[one?.state];
  const changedTag = one?.wished && one.wished !== one.tag ? `${one.wished} was taken meanwhile: write ${one.tag} on this timber. ` : "";
  $("got-says").textContent = !one ? "" : one.undo ? `${one.tag} is taken back.` : `${changedTag}${told ?? ""}`;
  const sent = one?.state === "sent" && !one.undo;
  if (sent) $("label").href = paper.address(one.tag);
  else $("label").removeAttribute("href");
  $("label-says").textContent = sent ? paper.doubt(it.shop.codes_open, location.origin)
    : one?.id === due ? "Its label comes once it is sent." : "Its label can be printed once it is sent.";
  $("labels").checked = labels;
  $("undo").disabled = !one || Boolean(one.undo);
  $("entries").replaceChildren(...queue.entries.slice().reverse().map(row));
}
function row(one) {
  const made = document.createElement("li"), name = document.createElement("div");
  const tag = document.createElement("b"), state = document.createElement("small");
  tag.textContent = `${one.tag}  ${one.species}`;
  const photo_ = one.photo === "waiting" && !one.undo ? ", its photograph waits" : "";
  state.textContent = `${one.undo ? (one.state === "waiting" ? "undo waiting to be sent" : "undone")
    : { waiting: "waiting to be sent", sent: "sent", asks: "unlikely: save it anyway or edit it", refused: "not entered: edit it or undo it" }[one.state]}${photo_}`;
  name.append(tag, state);
  made.append(name);
  made.classList.toggle("undone", Boolean(one.undo));
  const open = one.state === "asks" || one.state === "refused" || one.state === "waiting";
  if (!one.undo && open) made.append(phone.button("Edit", () => edit(one)));
  if (!one.undo) made.append(phone.button("Undo", () => undo(one)));
  if (one.why && !one.undo) {
    made.append(Object.assign(document.createElement("div"), { className: "said", textContent: one.why }));
    if (one.state === "asks") made.append(phone.button("Save anyway", () => insist(one)));
  }
  return made;
}
function drawStatus() {
  const sends = queue.entries.filter((one) => one.state === "waiting" || (one.photo === "waiting" && !one.undo)).length;
  const open = queue.open.length, { entries, mayEnter, signal } = queue;
  const text = !mayEnter ? `Sign in to send${sends ? ` ${sends}` : ""}` : open ? `${open} to look at` : sends ? `${sends} waiting to be sent`
    : !signal ? "No signal" : entries.length ? "All sent" : "";
  $("status").textContent = text;
  $("status").hidden = !text;
  $("status").toggleAttribute("data-waiting", Boolean(sends || open || !mayEnter));
}
function go(to) {
  step = to;
  active = step === SAVED ? null : Object.keys(FIELDS).find((name) => FIELDS[name][0] === step && it.field[name].empty) ?? null;
  asked = "";
  notice("");
  draw();
  document.querySelector("main").scrollTop = 0;
  keepDraft();
}
function changed() { asked = ""; notice(""); draw(); keepDraft(); }

// ---- photograph and pith

async function photographed(file) {
  try {
    photo = await small(file, it.shop.limits.photo_px, $("preview"));
    it.form.pith = it.form.pith?.on === "photo" ? null : it.form.pith;
    await phone.put("photos", { id: "draft", bytes: photo });
  } catch {
    photo = null;
    return notice("That picture can't be read here. Let the camera make JPEG pictures, or go on without one.");
  }
  return showPhoto();
}
function showPhoto() {
  $("preview").hidden = !photo;
  if (photo) $("photo-says").textContent = "It is kept on this phone. Take another to replace it.";
  changed();
}
// ---- the form, kept while it is filled in

function proposed() {
  const ours = new Set(queue.entries.filter((one) => !one.undo).map((one) => one.tag.toLowerCase()));
  return it.shop.tags.find((tag) => !ours.has(tag.toLowerCase())) ?? "";
}
function empty(like = null) { // of another like it: what it is, not what was measured on it
  numbers();
  if (like) for (const [name, told] of Object.entries(like.typed)) if (FIELDS[name][0] < 3) Object.assign(it.field[name], told);
  const own = queue.entries.at(-1);
  it.form = { wood: like?.species ?? null, use: like?.use ?? own?.use ?? it.shop.uses[0]?.name ?? null, face: null,
    place: like?.place ?? own?.place ?? it.shop.places[0] ?? null, sealed: like?.sealed ?? false, pith: null, sure: [] };
  it.form.tag = it.form.wish = proposed();
  photo = null;
  editing = null;
  $("wood").value = it.form.wood ?? "";
  $("camera").value = $("place-name").value = "";
  $("place").value = "";
  $("preview").hidden = true;
  phone.drop("photos", "draft");
}
function keepDraft() {
  const kept = step === SAVED ? null : { form: it.form, typed: typed(), step, editing, system: it.shop.system };
  return phone.keep("draft", kept).catch(() => {});
}
async function again() { // the form that a killed browser left
  const draft = await phone.kept("draft");
  if (draft?.system !== it.shop.system) { empty(); return go(0); }
  numbers();
  it.form = draft.form;
  editing = draft.editing;
  for (const [name, told] of Object.entries(draft.typed)) Object.assign(it.field[name], told);
  $("wood").value = it.form.wood ?? "";
  await showKept("draft");
  return go(draft.step);
}
async function showKept(id) {
  photo = (await phone.get("photos", id))?.bytes ?? null;
  if (!photo) return;
  const seen = await createImageBitmap(new Blob([photo], { type: "image/jpeg" }));
  Object.assign($("preview"), { width: seen.width, height: seen.height, hidden: false });
  $("preview").getContext("2d").drawImage(seen, 0, 0);
}

// ---- saving

async function next() {
  if (stopped(step)) return undefined;
  if (step < 3) return go(step + 1);
  for (const before of [1, 2]) if (stopped(before)) { const why = $("notice").textContent, question = asked; go(before); notice(why); asked = question; return draw(); }
  return save();
}
async function save() {
  const old = editing && queue.entries.find((one) => one.id === editing);
  const free = it.form.tag === it.form.wish; // a tag that nobody wrote over gives way to the next free one
  const entry = {
    id: old && !old.tries ? old.id : phone.uuid(), tag: it.form.tag, wished: it.form.tag, proposed: free, species: it.form.wood,
    size_mm: [mm("width"), mm("depth")], pith_mm: pith_mm(), length_mm: long_mm(), finished_mm: [mm("wide"), mm("high")],
    use: it.form.use, place: it.form.place, sealed: it.form.sealed, weight_kg: kg(),
    pins: it.field.pins.empty ? null : { shown: it.field.pins.whole, depth_mm: mm("deep"), face: it.form.face },
    at_ms: old?.at_ms ?? Date.now(), made_ms: Date.now(), sure: it.form.sure.length > 0, state: "waiting", tries: 0, typed: typed(),
    photo: photo ? "waiting" : null,
  };
  try {
    if (photo) await phone.put("photos", { id: entry.id, bytes: photo });
    await queue.keep(entry);
  } catch (err) {
    return notice(`This phone has no room to keep the timber (${err?.name}). Write it down and free some room.`);
  }
  if (old && old.id !== entry.id) await undo(old, false);
  last = entry.id;
  due = labels ? entry.id : null;
  editing = null;
  go(SAVED);
  return queue.send();
}
async function undo(one, told = true) {
  await queue.undo(one);
  await phone.drop("photos", one.id);
  if (!told) return;
  draw();
  queue.send();
}
async function edit(one) {
  numbers();
  for (const [name, kept] of Object.entries(one.typed)) Object.assign(it.field[name], kept);
  it.form = { wood: one.species, use: one.use, place: one.place, sealed: one.sealed, face: one.pins?.face ?? null, tag: one.tag, wish: one.proposed ? one.tag : null,
    pith: { of: [one.pith_mm[0] / one.size_mm[0], one.pith_mm[1] / one.size_mm[1]], on: "drawing" }, sure: [] };
  editing = one.id;
  $("wood").value = it.form.wood;
  $("preview").hidden = true;
  await showKept(one.id);
  go(1);
}
async function insist(one) {
  await queue.insist(one);
  draw();
  queue.send();
}

// ---- sending

const photoWaits = (one) => one.photo === "waiting" && one.state === "sent" && !one.undo;
const queue = new Queue({
  store: "arrivals",
  address: "/field/arrivals",
  batch: (waiting) => waiting.slice(0, 20),
  body: (sent) => ({ entries: sent.map(({ typed: _typed, said: _said, why: _why, ...one }) => one) }),
  settle: (one, outcome) => {
    one.state = { asks: "asks", refused: "refused" }[outcome.state] ?? "sent";
    if (one.undo) { one.state = "sent"; if (outcome.state === "refused") Object.assign(one, { undo: false, why: outcome.said }); }
    else if (one.state === "sent") Object.assign(one, { tag: outcome.tag, said: outcome.said, why: "" });
    else one.why = outcome.said;
  },
  after: async () => { for (const one of queue.entries.filter(photoWaits)) await sendPhoto(one); },
  waits: () => queue.entries.some(photoWaits),
  changed: () => {
    const one = queue.entries.find((each) => each.id === due);
    if (paper.ready(one)) { due = null; paper.take(one.tag, document); }
    draw();
  },
});
async function sendPhoto(one) {
  const held = await phone.get("photos", one.id);
  if (held) {
    const answer = await fetch(`/field/photograph?of=${one.id}`, { method: "POST", headers: { "content-type": "image/jpeg" }, body: held.bytes });
    if (answer.status === 400 || answer.status === 413) one.why = `Its photograph is not kept: ${(await answer.json()).error}`;
    else if (!queue.answered(answer) || !(await answer.json()).kept) return;
  }
  one.photo = held && !one.why ? "sent" : null;
  await phone.put("arrivals", one);
  await phone.drop("photos", one.id);
}
async function look() {
  try {
    const answer = await fetch("/field/known.json", { cache: "no-cache" });
    if (queue.answered(answer)) {
      it.shop = await answer.json();
      await phone.keep("shop", it.shop);
    }
  } catch {
    queue.signal = false;
  }
  if (!it.shop) notice("This phone has not seen the shop yet: open this page once where there is signal.");
}

// ---- beginning

function listen() {
  const tap = (id, does) => $(id).addEventListener("click", does);
  const press = (key) => { it.field[active].press(key); changed(); };
  $("pad").addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]")?.dataset.key;
    if (key && active) press(key);
  });
  $("fractions").addEventListener("click", (event) => {
    const { sixteenths, more } = event.target.dataset;
    if (sixteenths) it.field[active].fraction(Number(sixteenths));
    if (more) it.field[active].fraction(1, true);
    changed();
  });
  document.addEventListener("keydown", (event) => {
    if (!active || document.querySelector("dialog[open]") || event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, select")) return;
    if (/^[\d.]$/.test(event.key) || event.key === "Backspace") { press(event.key); event.preventDefault(); }
    else if (event.key === ",") press(".");
  });
  for (const one of all("[data-field]")) one.onclick = () => { active = one.dataset.field; draw(); };
  for (const one of all("[data-step]")) {
    one.onclick = () => { // back at once; onward by what each screen before asks for
      const to = Number(one.dataset.step);
      for (let at = step; at < to; at++) if (stopped(at)) return undefined;
      return go(to);
    };
  }
  tap("onward", () => {
    const there = shown(active), then = there[there.indexOf(active) + 1];
    active = then ?? null;
    draw();
  });
  tap("next", next);
  tap("keep", () => { it.form.sure.push(asked); asked = ""; next(); });
  $("camera").disabled = false;
  $("camera").onchange = () => { if ($("camera").files[0]) photographed($("camera").files[0]); };
  pith.listen((found) => { it.form.pith = found; changed(); });
  tap("pith", () => pith.ask(photo ? $("preview") : null));
  $("wood").oninput = () => {
    const exact = it.shop.woods.find((one) => one.name.toLowerCase() === $("wood").value.trim().toLowerCase());
    it.form.wood = exact?.name ?? null;
    changed();
  };
  for (const id of ["wood", "place-name", "tag"]) $(id).onfocus = () => { active = null; draw(); };
  $("use").onchange = () => { it.form.use = $("use").value || null; changed(); };
  $("place").onchange = () => { it.form.place = $("place").value === "+" ? $("place-name").value.trim() || null : $("place").value || null; changed(); };
  $("place-name").oninput = () => { it.form.place = $("place-name").value.trim() || null; changed(); };
  $("sealed").onchange = () => { it.form.sealed = $("sealed").checked; changed(); };
  $("tag").oninput = () => { it.form.tag = $("tag").value.trim(); changed(); };
  tap("face", () => { const faces = [null, "a", "b", "c", "d"]; it.form.face = faces[(faces.indexOf(it.form.face) + 1) % 5]; changed(); });
  $("labels").onchange = () => { labels = $("labels").checked; phone.keep("labels", labels).catch(() => {}); };
  tap("same", () => { empty(queue.entries.find((one) => one.id === last)); go(0); });
  tap("another", () => { empty(); go(0); });
  tap("undo", () => { const one = queue.entries.find((each) => each.id === last); if (one) undo(one); });
  tap("status", () => { if (!queue.mayEnter) location.reload(); else if (step === SAVED) again(); else if (queue.entries.length) list(); });
  addEventListener("online", () => { look().then(() => queue.send()); });
  addEventListener("offline", () => { queue.signal = false; drawStatus(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { look().then(() => queue.send()); } });
}
async function list() { // what was entered; the draft stays kept, and comes back by another tap
  await keepDraft();
  last ??= queue.entries.at(-1).id;
  step = SAVED;
  active = null;
  draw();
}
async function begin() {
  it.shop = (await phone.kept("shop")) ?? null;
  labels = (await phone.kept("labels")) === true;
  await queue.begin();
  phone.stays();
  if (!it.shop) await look();
  else look().then(draw);
  if (!it.shop) { draw(); return addEventListener("online", () => location.reload()); }
  numbers();
  it.form = { sure: [] };
  listen();
  await again();
  return queue.send();
}
begin();

// A new timber in four screens. It is kept on the phone at once and sent when there is signal, the timber first and
// its photograph after it; each has an id of its own, so that sending it twice stores it once.
import * as phone from "./phone.js";
import { Digits, LB, MM, length, mass, pct } from "./measure.js";
import { Tapping, draw as drawButtEnd, plain } from "./butt_end.js";

const $ = (id) => document.getElementById(id);
const all = (what) => [...document.querySelectorAll(what)];
const RETRY_MS = 15e3, FORGET_MS = 14 * 86400e3, SAVED = 4;
const CORNERS = ["Tap the upper left corner of the butt end", "Tap the lower right corner", "Tap the pith"];
const MOST_ASKEW = 2; // a butt end seen at 60 degrees is half as wide as it is

let shop = null; // what the server said last
let timbers = []; // in the order in which they were entered
let step = 0, active = null, field = {}, form = {}, photo = null, asked = "", editing = null, last = null;
let signal = true, mayEnter = true;

const inch = () => shop?.system !== "metric";
const says = (mm) => length(mm, inch());

// ---- fields by number keys

const FIELDS = { // screen, label, unit in inches, unit in metric
  width: [1, "Across", "in", "mm"], depth: [1, "Deep", "in", "mm"], long: [1, "Length", "ft", "m"], rest: [1, "and", "in", ""],
  wide: [2, "Across", "in", "mm"], high: [2, "Deep", "in", "mm"],
  weight: [3, "Weight", "lb", "kg"], pins: [3, "Meter", "%", "%"], deep: [3, "Pins deep", "in", "mm"],
};
function numbers() {
  const size = () => new Digits({ sixteenths: inch(), most: inch() ? 3 : 4 });
  const plainly = (more) => new Digits({ point: true, most: 6, ...more });
  field = { width: size(), depth: size(), long: plainly(), rest: size(), wide: size(), high: size(),
    weight: plainly(), pins: plainly({ over: true }), deep: size() };
}
const mm = (name) => field[name].number * (inch() ? MM : 1);
function long_mm() {
  if (inch()) return (field.long.number * 12 + field.rest.number) * MM;
  return field.long.number * (field.long.number < 30 ? 1000 : 1); // as everywhere: below 30 are metres
}
const kg = () => (field.weight.empty ? null : field.weight.number * (inch() ? LB : 1));
const shown = (name) => Object.keys(FIELDS).filter((each) => FIELDS[each][0] === FIELDS[name][0] && (each !== "rest" || inch()));

// ---- what can be, by the limits that the server gave

function section() { return field.width.empty || field.depth.empty ? null : { width: mm("width"), depth: mm("depth") }; }
function wood() { return shop.woods.find((one) => one.name === form.wood); }
function weights() { // lightest possible, light, heavy, heaviest possible
  const all_m3 = (mm("width") * mm("depth") * long_mm()) / 1e9;
  return wood().kg_m3.map((each) => each * all_m3);
}
function beyond(value, can, usual, what, show) {
  if (value < can[0] || value > can[1]) return { no: `${what} of ${show(value)} can't be: it lies between ${show(can[0])} and ${show(can[1])}.` };
  return usual && (value < usual[0] || value > usual[1]) ? { ask: `${what} of ${show(value)} is unusual: most lie between ${show(usual[0])} and ${show(usual[1])}. Is it right?` } : null;
}
const needs = (what) => ({ no: `Still missing: ${what}.` });
const along = (value) => (inch() ? `${Math.round((value / MM / 12) * 100) / 100} ft` : `${Math.round(value / 10) / 100} m`);
const CHECKS = [
  () => [],
  () => {
    const { limits } = shop, side = (name) => beyond(mm(name), limits.side_mm, limits.usual_side_mm, "A side", says);
    if (!section()) return [needs("how far across and how deep it is")];
    if (!long_mm()) return [needs("its length")];
    const longest = beyond(long_mm(), limits.length_mm, limits.usual_length_mm, "A length", along);
    const short = long_mm() < Math.max(mm("width"), mm("depth")) && { ask: `It would be shorter than it is wide: ${along(long_mm())}. Is it right?` };
    return [side("width"), side("depth"), longest ?? short, form.pith ? null : needs("where the pith is: tap it")];
  },
  () => {
    if (field.wide.empty || field.high.empty) return [needs("the finished size")];
    const fits = mm("wide") <= mm("width") && mm("high") <= mm("depth");
    if (!fits) return [{ no: `${says(mm("wide"))} x ${says(mm("high"))} does not fit in the green ${says(mm("width"))} x ${says(mm("depth"))}; swap the sides or make it smaller.` }];
    return [form.wood ? null : needs("the wood"), form.use ? null : needs("its use"), form.place ? null : needs("its place"),
      shop.places.length && form.place && !shop.places.includes(form.place) ? { ask: `${form.place} is a new place. Is it right?` } : null];
  },
  () => {
    const found = [form.tag ? null : needs("a tag")], { limits } = shop;
    if (kg() !== null) {
      const [lightest, light, heavy, heaviest] = weights();
      found.push(beyond(kg(), [lightest, heaviest], [light, heavy], `For ${form.wood} of this size a weight`, (each) => mass(each, inch())));
    }
    if (!field.pins.empty) {
      const percent = field.pins.whole === "OL" ? 0 : field.pins.number, show = (each) => `${pct(each)} %`;
      if (field.deep.empty) found.push(needs("how deep the pins stood"));
      const side = { a: "depth", b: "width", c: "depth", d: "width" }[form.face];
      const most = side ? mm(side) : Math.min(mm("width"), mm("depth"));
      if (mm("deep") > most) found.push({ no: `Pins ${says(mm("deep"))} deep would come out on the other side: it is ${says(most)} there.` });
      if (percent) found.push(beyond(percent, [0, wood().wettest_pct], [limits.below_meter_pct, limits.most_shown_pct], "A reading", show));
    }
    return found;
  },
];
function stopped(at) { // whether something holds up the way on from a screen, which is then said
  const found = CHECKS[at]().filter(Boolean), no = found.find((one) => one.no);
  if (no) { notice(no.no); return true; }
  const question = found.map((one) => one.ask).join(" ");
  if (question && !form.sure.includes(question)) { asked = question; draw(); return true; }
  return false;
}

// ---- the screens

function notice(text) { $("notice").textContent = text; $("notice").hidden = !text; }
function draw() {
  if (!shop) { $("next").disabled = true; return; }
  $("next").disabled = false;
  all("[data-screen]").forEach((one) => { one.hidden = Number(one.dataset.screen) !== step; });
  all("[data-step]").forEach((one) => {
    one.toggleAttribute("aria-current", false);
    if (Number(one.dataset.step) === step) one.setAttribute("aria-current", "step");
    one.disabled = step === SAVED;
  });
  for (const one of all("[data-field]")) drawField(one);
  $("pad").hidden = !active;
  $("fractions").hidden = !(active && field[active].fine);
  $("over").disabled = !(active && field[active].over);
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
  value.textContent = `${field[name].text || "\u2013"} ${inch() ? inches : metric}`;
  one.replaceChildren(what, value);
}
function drawSize() {
  const there = section() ?? { width: 200, depth: 200 };
  const pith = section() && form.pith ? pith_mm() : null;
  drawButtEnd($("drawing"), { width: there.width, height: there.depth, pith });
  $("pith").disabled = !section();
  $("pith").textContent = form.pith ? "Tap it again" : "Tap the pith";
  $("pith-says").textContent = !section() ? "Type across and deep; face a is up." : form.pith ? pithSays() : "Not said yet.";
}
function pith_mm() { return form.pith.of ? [form.pith.of[0] * mm("width"), form.pith.of[1] * mm("depth")] : [0, 0]; }
function pithSays() {
  const [x, y] = pith_mm(), inside = Math.abs(x) < mm("width") / 2 && Math.abs(y) < mm("depth") / 2;
  const far = (v, plus, minus) => (Math.abs(v) < 1 ? "" : `${says(Math.abs(v))} ${v > 0 ? plus : minus}`);
  const off = [far(x, "right", "left"), far(y, "up", "down")].filter(Boolean).join(", ");
  return `${inside ? "Boxed heart" : "Free of heart"}: the pith is ${off ? `${off} of the centre` : "at the centre"}.`;
}
function drawUse() {
  const typed = $("wood").value.trim().toLowerCase(), key = (text) => text.toLowerCase();
  const match = typed && typed !== key(form.wood ?? "")
    ? shop.woods.filter((one) => [one.name, ...one.also].some((each) => key(each).includes(typed)))
    : [];
  match.sort((a, b) => [b, a].map((one) => [one.name, ...one.also].some((each) => key(each) === typed)).reduce((x, y) => x - y));
  const offered = match.length ? match.slice(0, 8).map((one) => one.name) : shop.last_woods.slice(0, 4);
  const rows = offered.map((name) => {
    const made = phone.button(name, () => { form.wood = name; $("wood").value = name; changed(); });
    made.setAttribute("aria-pressed", name === form.wood);
    return made;
  });
  if (typed && !match.length && typed !== key(form.wood ?? "")) rows.unshift(Object.assign(document.createElement("p"), { textContent: "No wood of that name is known." }));
  $("woods").replaceChildren(...rows);
  options($("use"), shop.uses.map((one) => [one.name, one.title]), form.use, "where will it live?");
  const places = shop.places.includes(form.place) || !form.place || $("place").value === "+" ? shop.places : [form.place, ...shop.places];
  options($("place"), [...places.map((one) => [one, one]), ["+", "another place"]], $("place").value === "+" ? "+" : form.place, "where does it lie?");
  $("new-place").hidden = $("place").value !== "+";
  $("sealed").checked = form.sealed;
}
function options(select, rows, chosen, empty) {
  const wanted = JSON.stringify([rows, empty]);
  if (select.dataset.rows !== wanted) {
    select.dataset.rows = wanted;
    select.replaceChildren(...[["", empty], ...rows].map(([value, text]) => new Option(text, value)));
  }
  select.value = chosen ?? "";
}
function drawWeight() {
  if ($("tag").value !== form.tag) $("tag").value = form.tag;
  $("face").textContent = form.face ? `Face ${form.face}` : "Any face";
  if (!form.wood || !section() || !long_mm()) { $("weighs").textContent = ""; return; }
  const [, light, heavy] = weights();
  const alone = heavy > shop.limits.lift_kg ? " No lift for one person: use a hoist, or more hands." : "";
  $("weighs").textContent = `It weighs ${mass(light, inch())} dry to ${mass(heavy, inch())} soaked.${alone} Leave empty what you have not measured.`;
}
function drawSaved() {
  const one = timbers.find((each) => each.id === last);
  $("got").textContent = one ? one.tag : "";
  const told = { waiting: "Kept on this phone, waiting to be sent. The tag may change if another phone took it meanwhile.", asks: "Not entered yet: see below.",
    refused: "Not entered: see below.", sent: one?.said }[one?.state];
  const changedTag = one?.wished && one.wished !== one.tag ? `${one.wished} was taken meanwhile: write ${one.tag} on this timber. ` : "";
  $("got-says").textContent = !one ? "" : one.undo ? `${one.tag} is taken back.` : `${changedTag}${told ?? ""}`;
  const sent = one?.state === "sent" && !one.undo;
  if (sent) $("label").href = `/field/label?tag=${encodeURIComponent(one.tag)}`;
  else $("label").removeAttribute("href");
  const local = /^(localhost|127\.|\[::1\])/.test(location.hostname);
  $("label-says").textContent = !sent ? "Its label can be printed once it is sent."
    : local ? "The code on the label opens this address, which only this machine reaches: open these pages by the address that phones use, then print." : "";
  $("undo").disabled = !one || Boolean(one.undo);
  $("entries").replaceChildren(...timbers.slice().reverse().map(row));
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
  const sends = timbers.filter((one) => one.state === "waiting" || (one.photo === "waiting" && !one.undo)).length;
  const open = timbers.filter((one) => !one.undo && (one.state === "asks" || one.state === "refused")).length;
  const text = !mayEnter ? `Sign in to send${sends ? ` ${sends}` : ""}` : open ? `${open} to look at` : sends ? `${sends} waiting to be sent`
    : !signal ? "No signal" : timbers.length ? "All sent" : "";
  $("status").textContent = text;
  $("status").hidden = !text;
  $("status").toggleAttribute("data-waiting", Boolean(sends || open || !mayEnter));
}
function go(to) {
  step = to;
  active = step === SAVED ? null : Object.keys(FIELDS).find((name) => FIELDS[name][0] === step && field[name].empty) ?? null;
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
    const seen = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, shop.limits.photo_px / Math.max(seen.width, seen.height));
    const small = $("preview");
    small.width = Math.round(seen.width * scale);
    small.height = Math.round(seen.height * scale);
    small.getContext("2d").drawImage(seen, 0, 0, small.width, small.height);
    const blob = await new Promise((done) => small.toBlob(done, "image/jpeg", 0.85));
    photo = await blob.arrayBuffer();
    form.pith = form.pith?.on === "photo" ? null : form.pith;
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
let taps = [], tapping = null, onPhoto = false, drawn = null;
function askPith(photoFirst) {
  onPhoto = Boolean(photo) && photoFirst;
  taps = [];
  drawn = onPhoto ? $("preview") : plain(mm("width"), mm("depth"));
  $("other").hidden = !photo;
  $("other").textContent = onPhoto ? "On a drawing" : "On the photograph";
  if (!$("tapping").open) $("tapping").showModal();
  ask();
}
function ask(before = "") {
  const what = onPhoto ? CORNERS[taps.length] : "Tap the pith";
  $("tap-what").textContent = `${before}${what}`;
  $("canvas").setAttribute("aria-label", `${what}, or move by the arrow keys and press Enter`);
  tapping.show(drawn, taps);
}
function tapped(spot) {
  if (!onPhoto) {
    const [x, y] = drawn.mm(spot);
    return placed({ of: [x / mm("width"), y / mm("depth")], on: "drawing" });
  }
  taps.push(spot);
  if (taps.length === 2) {
    const [left, top] = taps[0], w = (taps[1][0] - left) * drawn.width, h = (taps[1][1] - top) * drawn.height;
    const askew = (w / h) / (mm("width") / mm("depth"));
    if (w < 10 || h < 10 || askew > MOST_ASKEW || askew < 1 / MOST_ASKEW) { taps = []; return ask("Those are not opposite corners. "); }
  }
  if (taps.length < 3) return ask();
  const [[left, top], [right, low], [x, y]] = taps;
  return placed({ of: [(x - left) / (right - left) - 0.5, 0.5 - (y - top) / (low - top)], on: "photo" });
}
function placed(pith) { form.pith = pith; $("tapping").close(); changed(); }

// ---- a form, kept while it is filled in

function proposed() {
  const ours = new Set(timbers.filter((one) => !one.undo).map((one) => one.tag.toLowerCase()));
  return shop.tags.find((tag) => !ours.has(tag.toLowerCase())) ?? "";
}
function empty(like = null) { // of another like it: what it is, not what was measured on it
  numbers();
  if (like) for (const [name, told] of Object.entries(like.typed)) if (FIELDS[name][0] < 3) Object.assign(field[name], told);
  const own = timbers.at(-1);
  form = { wood: like?.species ?? null, use: like?.use ?? own?.use ?? shop.uses[0]?.name ?? null, face: null,
    place: like?.place ?? own?.place ?? shop.places[0] ?? null, sealed: like?.sealed ?? false, pith: null, sure: [] };
  form.tag = form.wish = proposed();
  photo = null;
  editing = null;
  $("wood").value = form.wood ?? "";
  $("camera").value = $("place-name").value = "";
  $("place").value = "";
  $("preview").hidden = true;
  phone.drop("photos", "draft");
}
const typed = () => Object.fromEntries(Object.entries(field).map(([name, one]) => [name, { whole: one.whole, sixteenths: one.sixteenths }]));
function keepDraft() {
  const kept = step === SAVED ? null : { form, typed: typed(), step, editing, system: shop.system };
  return phone.keep("draft", kept).catch(() => {});
}
async function again() { // the form that a killed browser left
  const draft = await phone.kept("draft");
  if (draft?.system !== shop.system) { empty(); return go(0); }
  numbers();
  form = draft.form;
  editing = draft.editing;
  for (const [name, told] of Object.entries(draft.typed)) Object.assign(field[name], told);
  $("wood").value = form.wood ?? "";
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
  const old = editing && timbers.find((one) => one.id === editing);
  const free = form.tag === form.wish; // a tag that nobody wrote over gives way to the next free one
  const entry = {
    id: old && !old.tries ? old.id : phone.uuid(), tag: form.tag, wished: form.tag, proposed: free, species: form.wood,
    size_mm: [mm("width"), mm("depth")], pith_mm: pith_mm(), length_mm: long_mm(), finished_mm: [mm("wide"), mm("high")],
    use: form.use, place: form.place, sealed: form.sealed, weight_kg: kg(),
    pins: field.pins.empty ? null : { shown: field.pins.whole, depth_mm: mm("deep"), face: form.face },
    at_ms: old?.at_ms ?? Date.now(), made_ms: Date.now(), sure: form.sure.length > 0, state: "waiting", tries: 0, typed: typed(),
    photo: photo ? "waiting" : null,
  };
  try {
    if (photo) await phone.put("photos", { id: entry.id, bytes: photo });
    await phone.put("arrivals", entry);
  } catch (err) {
    return notice(`This phone has no room to keep the timber (${err?.name}). Write it down and free some room.`);
  }
  timbers = [...timbers.filter((one) => one.id !== entry.id), entry];
  if (old && old.id !== entry.id) await undo(old, false);
  last = entry.id;
  editing = null;
  go(SAVED);
  return send();
}
async function undo(one, told = true) {
  if (!one.tries) {
    timbers = timbers.filter((each) => each !== one);
    await phone.drop("arrivals", one.id);
  } else { // it may have arrived although no answer came: the server is told too
    Object.assign(one, { undo: true, state: "waiting" });
    await phone.put("arrivals", one);
  }
  await phone.drop("photos", one.id);
  if (!told) return;
  draw();
  send();
}
async function edit(one) {
  numbers();
  for (const [name, kept] of Object.entries(one.typed)) Object.assign(field[name], kept);
  form = { wood: one.species, use: one.use, place: one.place, sealed: one.sealed, face: one.pins?.face ?? null, tag: one.tag, wish: one.proposed ? one.tag : null,
    pith: { of: [one.pith_mm[0] / one.size_mm[0], one.pith_mm[1] / one.size_mm[1]], on: "drawing" }, sure: [] };
  editing = one.id;
  $("wood").value = form.wood;
  $("preview").hidden = true;
  await showKept(one.id);
  go(1);
}
async function insist(one) {
  Object.assign(one, { sure: true, state: "waiting", why: "" });
  await phone.put("arrivals", one);
  draw();
  send();
}

// ---- sending

let sending = false, later = null;
const asking = (answer) => { mayEnter = answer.status !== 401 && answer.status !== 403; signal = true; return answer.ok; };
async function send() {
  if (sending) return;
  sending = true;
  clearTimeout(later);
  try {
    for (let waiting; (waiting = timbers.filter((one) => one.state === "waiting").slice(0, 20)).length;) {
      for (const one of waiting) one.tries += 1;
      await Promise.all(waiting.map((one) => phone.put("arrivals", one))); // before they leave: an answer may get lost
      const sent = waiting.map(({ typed: _typed, said: _said, why: _why, ...one }) => ({ ...one }));
      const answer = await fetch("/field/arrivals", { method: "POST", headers: { "content-type": "application/json" },
        body: JSON.stringify({ sent_ms: Date.now(), entries: sent }) });
      if (!asking(answer)) break;
      const outcomes = new Map((await answer.json()).outcomes.map((one) => [one.id, one]));
      for (const [n, one] of waiting.entries()) await settle(one, sent[n], outcomes.get(one.id));
    }
    for (const one of timbers.filter((each) => each.photo === "waiting" && each.state === "sent" && !each.undo)) await sendPhoto(one);
  } catch {
    signal = false;
  } finally {
    sending = false;
    draw();
    if (timbers.some((one) => one.state === "waiting" || (one.photo === "waiting" && one.state === "sent" && !one.undo))) later = setTimeout(send, RETRY_MS);
  }
}
async function settle(one, sent, outcome) {
  if (!outcome || one.undo !== sent.undo || one.sure !== sent.sure) return; // changed meanwhile: it is sent again
  one.state = { asks: "asks", refused: "refused" }[outcome.state] ?? "sent";
  if (one.undo) { one.state = "sent"; if (outcome.state === "refused") Object.assign(one, { undo: false, why: outcome.said }); }
  else if (one.state === "sent") Object.assign(one, { tag: outcome.tag, said: outcome.said, why: "" });
  else one.why = outcome.said;
  await phone.put("arrivals", one);
}
async function sendPhoto(one) {
  const held = await phone.get("photos", one.id);
  if (held) {
    const answer = await fetch(`/field/photograph?of=${one.id}`, { method: "POST", headers: { "content-type": "image/jpeg" }, body: held.bytes });
    if (answer.status === 400 || answer.status === 413) one.why = `Its photograph is not kept: ${(await answer.json()).error}`;
    else if (!asking(answer) || !(await answer.json()).kept) return;
  }
  one.photo = held && !one.why ? "sent" : null;
  await phone.put("arrivals", one);
  await phone.drop("photos", one.id);
}
async function look() {
  try {
    const answer = await fetch("/field/known.json", { cache: "no-cache" });
    if (asking(answer)) {
      shop = await answer.json();
      await phone.keep("shop", shop);
    }
  } catch {
    signal = false;
  }
  if (!shop) notice("This phone has not seen the shop yet: open this page once where there is signal.");
}

// ---- beginning

function listen() {
  const tap = (id, does) => $(id).addEventListener("click", does);
  const press = (key) => { field[active].press(key); changed(); };
  $("pad").addEventListener("click", (event) => {
    const key = event.target.closest("[data-key]")?.dataset.key;
    if (key && active) press(key);
  });
  $("fractions").addEventListener("click", (event) => {
    const { sixteenths, more } = event.target.dataset;
    if (sixteenths) field[active].fraction(Number(sixteenths));
    if (more) field[active].fraction(1, true);
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
  tap("keep", () => { form.sure.push(asked); asked = ""; next(); });
  $("camera").disabled = false;
  $("camera").onchange = () => { if ($("camera").files[0]) photographed($("camera").files[0]); };
  tapping = new Tapping($("canvas"), $("lens"), tapped);
  tap("pith", () => askPith(true));
  tap("other", () => askPith(!onPhoto));
  tap("centre", () => placed({ of: [0, 0], on: "drawing" }));
  tap("tap-close", () => $("tapping").close());
  $("wood").oninput = () => {
    const exact = shop.woods.find((one) => one.name.toLowerCase() === $("wood").value.trim().toLowerCase());
    form.wood = exact?.name ?? null;
    changed();
  };
  for (const id of ["wood", "place-name", "tag"]) $(id).onfocus = () => { active = null; draw(); };
  $("use").onchange = () => { form.use = $("use").value || null; changed(); };
  $("place").onchange = () => { form.place = $("place").value === "+" ? $("place-name").value.trim() || null : $("place").value || null; changed(); };
  $("place-name").oninput = () => { form.place = $("place-name").value.trim() || null; changed(); };
  $("sealed").onchange = () => { form.sealed = $("sealed").checked; changed(); };
  $("tag").oninput = () => { form.tag = $("tag").value.trim(); changed(); };
  tap("face", () => { const faces = [null, "a", "b", "c", "d"]; form.face = faces[(faces.indexOf(form.face) + 1) % 5]; changed(); });
  tap("same", () => { empty(timbers.find((one) => one.id === last)); go(0); });
  tap("another", () => { empty(); go(0); });
  tap("undo", () => { const one = timbers.find((each) => each.id === last); if (one) undo(one); });
  tap("status", () => { if (!mayEnter) location.reload(); else if (step === SAVED) again(); else if (timbers.length) list(); });
  addEventListener("online", () => { look().then(send); });
  addEventListener("offline", () => { signal = false; drawStatus(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { look().then(send); } });
}
async function list() { // what was entered; the draft stays kept, and comes back by another tap
  await keepDraft();
  last ??= timbers.at(-1).id;
  step = SAVED;
  active = null;
  draw();
}
async function begin() {
  shop = (await phone.kept("shop")) ?? null;
  timbers = (await phone.every("arrivals")).sort((a, b) => a.made_ms - b.made_ms);
  for (const old of timbers.filter((one) => one.state === "sent" && one.photo !== "waiting" && Date.now() - one.made_ms > FORGET_MS)) {
    timbers = timbers.filter((one) => one !== old);
    await phone.drop("arrivals", old.id);
  }
  phone.stays();
  if (!shop) await look();
  else look().then(draw);
  if (!shop) { draw(); return addEventListener("online", () => location.reload()); }
  numbers();
  form = { sure: [] };
  listen();
  await again();
  return send();
}
begin();

// The form of a new timber: its fields by number keys, and what can be, by the limits that the server gave.
import { Digits, LB, MM, length, mass, pct } from "./measure.js";

export const it = { shop: null, field: {}, form: {} }; // what the server said last, what is typed, what is chosen
export const inch = () => it.shop?.system !== "metric";
export const says = (mm) => length(mm, inch());

// ---- fields by number keys

export const FIELDS = { // screen, label, unit in inches, unit in metric
  width: [1, "Across", "in", "mm"], depth: [1, "Deep", "in", "mm"], long: [1, "Length", "ft", "m"], rest: [1, "and", "in", ""],
  wide: [2, "Across", "in", "mm"], high: [2, "Deep", "in", "mm"],
  weight: [3, "Weight", "lb", "kg"], pins: [3, "Meter", "%", "%"], deep: [3, "Pins deep", "in", "mm"],
};
export function numbers() {
  const size = () => new Digits({ sixteenths: inch(), most: inch() ? 3 : 4 });
  const plainly = (more) => new Digits({ point: true, most: 6, ...more });
  it.field = { width: size(), depth: size(), long: plainly(), rest: size(), wide: size(), high: size(),
    weight: plainly(), pins: plainly({ over: true }), deep: size() };
}
export const mm = (name) => it.field[name].number * (inch() ? MM : 1);
export function long_mm() {
  if (inch()) return (it.field.long.number * 12 + it.field.rest.number) * MM;
  return it.field.long.number * (it.field.long.number < 30 ? 1000 : 1); // as everywhere: below 30 are metres
}
export const kg = () => (it.field.weight.empty ? null : it.field.weight.number * (inch() ? LB : 1));
export const shown = (name) => Object.keys(FIELDS).filter((each) => FIELDS[each][0] === FIELDS[name][0] && (each !== "rest" || inch()));

// ---- what can be, by the limits that the server gave

export function section() { return it.field.width.empty || it.field.depth.empty ? null : { width: mm("width"), depth: mm("depth") }; }
export function wood() { return it.shop.woods.find((one) => one.name === it.form.wood); }
export function weights() { // lightest possible, light, heavy, heaviest possible
  const all_m3 = (mm("width") * mm("depth") * long_mm()) / 1e9;
  return wood().kg_m3.map((each) => each * all_m3);
}
function beyond(value, can, usual, what, show) {
  if (value < can[0] || value > can[1]) return { no: `${what} of ${show(value)} can't be: it lies between ${show(can[0])} and ${show(can[1])}.` };
  return usual && (value < usual[0] || value > usual[1]) ? { ask: `${what} of ${show(value)} is unusual: most lie between ${show(usual[0])} and ${show(usual[1])}. Is it right?` } : null;
}
const needs = (what) => ({ no: `Still missing: ${what}.` });
const along = (value) => (inch() ? `${Math.round((value / MM / 12) * 100) / 100} ft` : `${Math.round(value / 10) / 100} m`);
export const CHECKS = [
  () => [],
  () => {
    const { limits } = it.shop, side = (name) => beyond(mm(name), limits.side_mm, limits.usual_side_mm, "A side", says);
    if (!section()) return [needs("how far across and how deep it is")];
    if (!long_mm()) return [needs("its length")];
    const longest = beyond(long_mm(), limits.length_mm, limits.usual_length_mm, "A length", along);
    const short = long_mm() < Math.max(mm("width"), mm("depth")) && { ask: `It would be shorter than it is wide: ${along(long_mm())}. Is it right?` };
    return [side("width"), side("depth"), longest ?? short, it.form.pith ? null : needs("where the pith is: tap it")];
  },
  () => {
    if (it.field.wide.empty || it.field.high.empty) return [needs("the finished size")];
    const fits = mm("wide") <= mm("width") && mm("high") <= mm("depth");
    if (!fits) return [{ no: `${says(mm("wide"))} x ${says(mm("high"))} does not fit in the green ${says(mm("width"))} x ${says(mm("depth"))}; swap the sides or make it smaller.` }];
    return [it.form.wood ? null : needs("the wood"), it.form.use ? null : needs("its use"), it.form.place ? null : needs("its place"),
      it.shop.places.length && it.form.place && !it.shop.places.includes(it.form.place) ? { ask: `${it.form.place} is a new place. Is it right?` } : null];
  },
  () => {
    const found = [it.form.tag ? null : needs("a tag")], { limits } = it.shop;
    if (kg() !== null) {
      const [lightest, light, heavy, heaviest] = weights();
      found.push(beyond(kg(), [lightest, heaviest], [light, heavy], `For ${it.form.wood} of this size a weight`, (each) => mass(each, inch())));
    }
    if (!it.field.pins.empty) {
      const percent = it.field.pins.whole === "OL" ? 0 : it.field.pins.number, show = (each) => `${pct(each)} %`;
      if (it.field.deep.empty) found.push(needs("how deep the pins stood"));
      const side = { a: "depth", b: "width", c: "depth", d: "width" }[it.form.face];
      const most = side ? mm(side) : Math.min(mm("width"), mm("depth"));
      if (mm("deep") > most) found.push({ no: `Pins ${says(mm("deep"))} deep would come out on the other side: it is ${says(most)} there.` });
      if (percent) found.push(beyond(percent, [0, wood().wettest_pct], [limits.below_meter_pct, limits.most_shown_pct], "A reading", show));
    }
    return found;
  },
];
export function pith_mm() { return it.form.pith.of ? [it.form.pith.of[0] * mm("width"), it.form.pith.of[1] * mm("depth")] : [0, 0]; }
export function pithSays() {
  const [x, y] = pith_mm(), inside = Math.abs(x) < mm("width") / 2 && Math.abs(y) < mm("depth") / 2;
  const far = (v, plus, minus) => (Math.abs(v) < 1 ? "" : `${says(Math.abs(v))} ${v > 0 ? plus : minus}`);
  const off = [far(x, "right", "left"), far(y, "up", "down")].filter(Boolean).join(", ");
  return `${inside ? "Boxed heart" : "Free of heart"}: the pith is ${off ? `${off} of the centre` : "at the centre"}.`;
}
export const typed = () => Object.fromEntries(Object.entries(it.field).map(([name, one]) => [name, { whole: one.whole, sixteenths: one.sixteenths }]));

// What is likely of a reading, from what the server sent last; no rule of the page's own.
import { LB, mass, pct } from "./measure.js";

const OVER_PCT = 30; // where a meter's scale ends if that is not on record
const over = (yard) => yard.top_pct ?? OVER_PCT;
const inch = (yard) => yard.system === "inch";

export function value(entry, yard) { // in words
  if (entry.kind === "weight") return mass(entry.kg, inch(yard));
  return /^\d/.test(entry.shown) ? `${entry.shown} %` : `at least ${pct(over(yard))} %`;
}
export function expected(stop, depth_mm, face) {
  const own = stop.expected.find((one) => one.face === face && Math.abs(one.depth_mm - depth_mm) < 3);
  if (own) return own;
  const any = stop.expected.filter((one) => one.face === null).sort((a, b) => a.depth_mm - b.depth_mm);
  if (!any.length) return null;
  const up = any.find((one) => one.depth_mm >= depth_mm) ?? any.at(-1);
  const down = any.findLast((one) => one.depth_mm <= depth_mm) ?? any[0];
  const part = up === down ? 0 : (depth_mm - down.depth_mm) / (up.depth_mm - down.depth_mm);
  const mix = (name) => (up[name] === null ? null : down[name] + part * (up[name] - down[name]));
  return { low: mix("low"), high: mix("high"), least: mix("least"), most: mix("most") };
}
function range(entry, yard) { // null where there is nothing to hold it against
  const stop = yard.stops.find((one) => one.tag === entry.tag);
  if (!stop) return null;
  if (entry.kind === "weight") return stop.likely_kg;
  const there = expected(stop, entry.depth_mm, entry.face);
  return there && [there.least, there.most];
}
export function unlikely(entry, yard) { // what to ask, and the number that may have been meant
  const ends = range(entry, yard), ended = entry.kind === "pins" && !/^\d/.test(entry.shown);
  const number = entry.kind === "weight" ? entry.kg : ended ? over(yard) : Number(entry.shown);
  if (!ends || ((number >= ends[0] || ended) && number <= ends[1])) return null;
  const scale = entry.kind === "weight" && inch(yard) ? LB : 1;
  const other = !ended && [10, 0.1, 100].map((by) => number / by).find((x) => x >= ends[0] && x <= ends[1]);
  const limits = entry.kind === "weight"
    ? `${mass(ends[0], inch(yard))} to ${mass(ends[1], inch(yard))}`
    : `${pct(ends[0] / scale)} to ${pct(ends[1] / scale)} %`;
  const says = `${value(entry, yard)}? Likely is ${limits}.`;
  return { says, other: other && pct(other / scale), large: number > ends[1] };
}

// The pith by touch: on the photograph, after two corners of the butt end, or on a drawing.
import { Tapping, plain } from "./butt_end.js";
import { mm } from "./add_form.js";

const $ = (id) => document.getElementById(id);
const CORNERS = ["Tap the upper left corner of the butt end", "Tap the lower right corner", "Tap the pith"];
const MOST_ASKEW = 2; // a butt end seen at 60 degrees is half as wide as it is

let taps = [], tapping = null, picture = null, drawn = null, placed = null;

export function listen(done) { // done is told where the pith is, as a part of width and depth from the centre
  placed = (pith) => { $("tapping").close(); done(pith); };
  tapping = new Tapping($("canvas"), $("lens"), tapped);
  $("other").onclick = () => open(drawn === picture ? null : picture);
  $("centre").onclick = () => placed({ of: [0, 0], on: "drawing" });
  $("tap-close").onclick = () => $("tapping").close();
}
export function ask(photograph) { // a canvas, or null where there is none
  picture = photograph;
  open(picture);
}
function open(on) {
  taps = [];
  drawn = on ?? plain(mm("width"), mm("depth"));
  $("other").hidden = !picture;
  $("other").textContent = on ? "On a drawing" : "On the photograph";
  if (!$("tapping").open) $("tapping").showModal();
  tell();
}
function tell(before = "") {
  const what = drawn === picture ? CORNERS[taps.length] : "Tap the pith";
  $("tap-what").textContent = `${before}${what}`;
  $("canvas").setAttribute("aria-label", `${what}, or move by the arrow keys and press Enter`);
  tapping.show(drawn, taps);
}
function tapped(spot) {
  if (drawn !== picture) {
    const [x, y] = drawn.mm(spot);
    return placed({ of: [x / mm("width"), y / mm("depth")], on: "drawing" });
  }
  taps.push(spot);
  if (taps.length === 2) {
    const [left, top] = taps[0], w = (taps[1][0] - left) * drawn.width, h = (taps[1][1] - top) * drawn.height;
    const askew = (w / h) / (mm("width") / mm("depth"));
    if (w < 10 || h < 10 || askew > MOST_ASKEW || askew < 1 / MOST_ASKEW) { taps = []; return tell("Those are not opposite corners. "); }
  }
  if (taps.length < 3) return tell();
  const [[left, top], [right, low], [x, y]] = taps;
  return placed({ of: [(x - left) / (right - left) - 0.5, 0.5 - (y - top) / (low - top)], on: "photo" });
}

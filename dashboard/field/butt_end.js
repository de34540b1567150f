// The section seen from its butt end: drawn with its faces, lit where the pins go, and tapped under a magnifier.

const NS = "http://www.w3.org/2000/svg";
function add(to, name, given, text) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(given)) made.setAttribute(key, value);
  if (text) made.textContent = text;
  to.append(made);
}
export function draw(svg, { width, height, pith, pins }) { // in mm; the drawing is 140 by 140 about its centre
  const scale = 100 / Math.max(width, height), w = (width * scale) / 2, h = (height * scale) / 2;
  svg.replaceChildren();
  add(svg, "rect", { x: -w, y: -h, width: 2 * w, height: 2 * h });
  for (const [face, x, y] of [["a", 0, -h - 11], ["b", w + 11, 0], ["c", 0, h + 11], ["d", -w - 11, 0]]) {
    const lit = pins && (pins.face ?? "a") === face;
    add(svg, "text", { x, y, class: lit ? "lit" : "" }, face);
  }
  if (pith) {
    const x = pith[0] * scale, y = -pith[1] * scale;
    for (const [dx, dy] of [[6, 0], [0, 6]]) add(svg, "line", { class: "pith", x1: x - dx, y1: y - dy, x2: x + dx, y2: y + dy });
  }
  if (!pins) return;
  const d = pins.depth_mm * scale;
  const [a, b, c, e] = { a: [0, -h, 0, d - h], b: [w, 0, w - d, 0], c: [0, h, 0, h - d], d: [-w, 0, d - w, 0] }[pins.face ?? "a"];
  add(svg, "line", { class: "pin", x1: a, y1: b, x2: c, y2: e });
  add(svg, "circle", { class: "halo", cx: c, cy: e, r: 13 });
  add(svg, "circle", { class: "tip", cx: c, cy: e, r: 6.5 });
}

const LENS = 132, TIMES = 3;
export class Tapping { // a canvas that is tapped; a round magnifier stands above the finger until it is lifted
  constructor(canvas, lens, tapped) {
    Object.assign(this, { canvas, lens, tapped, marks: [], picture: null, at: [0.5, 0.5] });
    lens.width = lens.height = LENS;
    canvas.onpointerdown = (event) => {
      if (event.button) return;
      event.preventDefault();
      canvas.setPointerCapture(event.pointerId);
      this.look(this.place(event));
    };
    // no gesture and no click follow a touch here: they would land on what stands below once the picture is gone
    canvas.addEventListener("touchstart", (event) => event.preventDefault(), { passive: false });
    canvas.onpointermove = (event) => { if (canvas.hasPointerCapture(event.pointerId)) this.look(this.place(event)); };
    canvas.onpointerup = (event) => { if (canvas.hasPointerCapture(event.pointerId)) this.set(this.place(event)); };
    canvas.onpointercancel = () => { lens.hidden = true; };
    canvas.onkeydown = (event) => {
      const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (by) this.look(this.at.map((v, n) => Math.min(1, Math.max(0, v + by[n] * (event.shiftKey ? 0.05 : 0.005)))));
      else if (event.key === "Enter" || event.key === " ") this.set(this.at);
      else return;
      event.preventDefault();
    };
  }
  show(picture, marks = []) { // an image or a canvas, and places on it, each 0 to 1 from the upper left
    Object.assign(this, { picture, marks });
    this.canvas.width = picture.width;
    this.canvas.height = picture.height;
    const to = this.canvas.getContext("2d"), r = Math.max(8, picture.width / 60);
    to.drawImage(picture, 0, 0);
    for (const [x, y] of marks) {
      for (const [colour, line] of [["#fff", r / 2.2], ["#26302b", r / 6]]) {
        Object.assign(to, { strokeStyle: colour, lineWidth: line });
        to.beginPath();
        to.moveTo(x * picture.width - r, y * picture.height); to.lineTo(x * picture.width + r, y * picture.height);
        to.moveTo(x * picture.width, y * picture.height - r); to.lineTo(x * picture.width, y * picture.height + r);
        to.stroke();
      }
    }
  }
  place(event) {
    const r = this.canvas.getBoundingClientRect(), inside = (v) => Math.min(1, Math.max(0, v));
    return [inside((event.clientX - r.left) / r.width), inside((event.clientY - r.top) / r.height)];
  }
  look(spot) {
    this.at = spot;
    const r = this.canvas.getBoundingClientRect(), x = spot[0] * r.width, y = spot[1] * r.height;
    const to = this.lens.getContext("2d"), scale = this.canvas.width / r.width, side = (LENS / TIMES) * scale;
    to.fillStyle = "#fff";
    to.fillRect(0, 0, LENS, LENS);
    to.drawImage(this.canvas, spot[0] * this.canvas.width - side / 2, spot[1] * this.canvas.height - side / 2, side, side, 0, 0, LENS, LENS);
    to.fillStyle = "#96501e";
    to.fillRect(0, LENS / 2, LENS, 1);
    to.fillRect(LENS / 2, 0, 1, LENS);
    this.lens.hidden = false;
    const above = y - LENS - 34;
    this.lens.style.left = `${this.canvas.offsetLeft + Math.min(Math.max(x - LENS / 2, 0), Math.max(0, r.width - LENS))}px`;
    this.lens.style.top = `${above > -LENS * 0.6 ? above : y + 40}px`;
  }
  set(spot) { this.lens.hidden = true; this.tapped(spot); }
}
export function plain(width, height) { // the section on a ground wide enough to tap a pith that lies outside
  const made = document.createElement("canvas"), to = made.getContext("2d"), side = 720;
  const scale = (side * 0.56) / Math.max(width, height), w = width * scale, h = height * scale;
  made.width = made.height = side;
  to.fillStyle = "#f7f8f5";
  to.fillRect(0, 0, side, side);
  to.fillStyle = "#e3d8c4";
  to.fillRect((side - w) / 2, (side - h) / 2, w, h);
  Object.assign(to, { strokeStyle: "#26302b", lineWidth: 3, fillStyle: "#3b463f", font: "700 30px sans-serif", textAlign: "center", textBaseline: "middle" });
  to.strokeRect((side - w) / 2, (side - h) / 2, w, h);
  for (const [face, x, y] of [["a", 0, -h / 2 - 26], ["b", w / 2 + 26, 0], ["c", 0, h / 2 + 26], ["d", -w / 2 - 26, 0]]) to.fillText(face, side / 2 + x, side / 2 + y);
  made.mm = ([x, y]) => [((x - 0.5) * side) / scale, ((0.5 - y) * side) / scale];
  return made;
}

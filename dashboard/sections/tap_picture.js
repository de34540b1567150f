// A picture to tap: a magnifier stands above the finger until it is lifted; arrows and Enter do the same.
const LENS = 132, TIMES = 3, STEP = 0.005;

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const box = parentElement.querySelector(".tap"), picture = parentElement.querySelector("img");
  const lens = parentElement.querySelector(".lens"), marks = parentElement.querySelector(".marks");
  const cross = parentElement.querySelector(".cross");
  if (picture.src !== data.src) picture.src = data.src;
  box.setAttribute("aria-label", data.label);
  let at = { x: 0.5, y: 0.5 };

  marks.replaceChildren(...data.marks.map((mark, n) => {
    const dot = document.createElement("span");
    dot.className = "mark";
    dot.style.left = `${100 * mark[0]}%`;
    dot.style.top = `${100 * mark[1]}%`;
    dot.textContent = data.names[n] || "";
    return dot;
  }));

  const place = (event) => {
    const r = picture.getBoundingClientRect();
    const inside = (v) => Math.min(1, Math.max(0, v));
    return { x: inside((event.clientX - r.left) / r.width), y: inside((event.clientY - r.top) / r.height) };
  };
  const show = (spot) => {
    at = spot;
    const w = picture.clientWidth, h = picture.clientHeight, x = spot.x * w, y = spot.y * h;
    cross.style.left = `${x}px`;
    cross.style.top = `${y}px`;
    cross.hidden = lens.hidden = false;
    const above = y - LENS - 34;
    lens.style.left = `${Math.min(Math.max(x - LENS / 2, 0), Math.max(0, w - LENS))}px`;
    lens.style.top = `${above > -LENS * 0.6 ? above : y + 40}px`;
    lens.style.backgroundImage = `url("${picture.src}")`;
    lens.style.backgroundSize = `${TIMES * w}px ${TIMES * h}px`;
    lens.style.backgroundPosition = `${LENS / 2 - TIMES * x}px ${LENS / 2 - TIMES * y}px`;
  };
  const set = (spot) => {
    cross.hidden = lens.hidden = true;
    setTriggerValue("tap", spot);
  };

  box.onpointerdown = (event) => {
    if (event.button) return;
    event.preventDefault();
    box.focus({ preventScroll: true });
    box.setPointerCapture(event.pointerId);
    show(place(event));
  };
  box.onpointermove = (event) => { if (box.hasPointerCapture(event.pointerId)) show(place(event)); };
  box.onpointerup = (event) => { if (box.hasPointerCapture(event.pointerId)) set(place(event)); };
  box.onpointercancel = () => { cross.hidden = lens.hidden = true; };
  box.onkeydown = (event) => {
    const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
    if (by) {
      const step = event.shiftKey ? 10 * STEP : STEP, inside = (v) => Math.min(1, Math.max(0, v));
      show({ x: inside(at.x + by[0] * step), y: inside(at.y + by[1] * step) });
    } else if (event.key === "Enter" || event.key === " ") {
      set(at);
    } else {
      return;
    }
    event.preventDefault();
    event.stopPropagation();
  };
  box.onblur = () => { cross.hidden = lens.hidden = true; };
}

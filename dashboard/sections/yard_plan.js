// The plan of the yard: places are dragged by their name, their size by the corner, timbers to another place.
// By keyboard: arrows move a place; a timber is selected by Space, arrows choose its place, Enter puts it there.
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
const STEP = 0.25, LEAST = 0.5, FAR = 8, MOST = 12, REST_MS = 900, MARGIN = 1;
const round = (v) => Math.round(v / STEP) * STEP;

export default function (component) {
  const { data, parentElement, setTriggerValue } = component;
  const plan = parentElement.querySelector(".plan"), tray = parentElement.querySelector(".tray");
  const told = parentElement.querySelector(".told");
  if (plan.dataset.held) return; // something is in somebody's hand: what is new is drawn when it is put down
  plan.setAttribute("aria-label", "Plan of the yard");
  const there = data.places.filter((p) => p.x !== null && p.y !== null);

  // what is drawn, in metres: all places and a margin, never less than a small yard
  const low = (of) => Math.min(...there.map(of)) - MARGIN;
  const x0 = there.length ? low((p) => p.x) : 0, y0 = there.length ? low((p) => p.y) : 0;
  const wide = Math.max(10, ...there.map((p) => p.x + p.w - x0 + MARGIN));
  const deep = Math.max(7, ...there.map((p) => p.y + p.h - y0 + MARGIN));
  const per = plan.clientWidth / wide;
  plan.style.height = `${Math.max(240, deep * per)}px`;

  const lay = (box, p) => {
    box.style.left = `${(p.x - x0) * per}px`;
    box.style.bottom = `${(p.y - y0) * per}px`;
    box.style.width = `${p.w * per}px`;
    box.style.height = `${p.h * per}px`;
  };
  const say = (text) => { told.textContent = text; };
  const put = (p) => setTriggerValue("put", { name: p.name, x: p.x, y: p.y, w: p.w, h: p.h });

  // a pointer that is held; it ends in `done` when it moved, in `still` when it did not
  const hold = (element, event, { move, done, still }) => {
    if (event.button) return;
    const from = { x: event.clientX, y: event.clientY };
    let moved = false;
    element.setPointerCapture(event.pointerId);
    plan.dataset.held = "yes";
    element.onpointermove = (now) => {
      const dx = now.clientX - from.x, dy = now.clientY - from.y;
      moved = moved || Math.hypot(dx, dy) > FAR;
      if (moved) move(dx, dy, now);
    };
    const end = (now, kept) => {
      element.onpointermove = element.onpointerup = element.onpointercancel = null;
      delete plan.dataset.held;
      if (moved && kept) done(now); else if (still) still(moved);
    };
    element.onpointerup = (now) => end(now, true);
    element.onpointercancel = (now) => { moved = true; end(now, false); };
  };

  const boxes = there.map((p) => {
    const box = document.createElement("div"), name = document.createElement("div");
    const chips = document.createElement("div"), corner = document.createElement("div");
    box.className = "place";
    box.tabIndex = 0;
    box.dataset.name = p.name;
    box.setAttribute("role", "group");
    box.setAttribute("aria-label", `${p.name}: ${p.timbers.length} ${p.timbers.length === 1 ? 'timber' : 'timbers'}, ${size(p)}`);
    name.className = "name";
    name.textContent = p.timbers.length ? `${p.name} \u00b7 ${p.timbers.length}` : p.name;
    corner.className = "corner";
    chips.className = "chips";
    lay(box, p);

    const was = { ...p };
    name.onpointerdown = (event) => hold(name, event, {
      move: (dx, dy) => {
        box.classList.add("held");
        p.x = round(was.x + dx / per);
        p.y = round(was.y - dy / per);
        lay(box, p);
      },
      done: () => put(p),
    });
    corner.onpointerdown = (event) => hold(corner, event, {
      move: (dx, dy) => {
        box.classList.add("held");
        p.w = Math.max(LEAST, round(was.w + dx / per));
        p.h = Math.max(LEAST, round(was.h + dy / per));
        p.y = was.y + was.h - p.h;
        lay(box, p);
      },
      done: () => put(p),
    });
    let resting = 0;
    const rest = () => { clearTimeout(resting); delete plan.dataset.held; };
    box.onkeydown = (event) => {
      if (event.target !== box) return;
      if (event.key === "Escape" && plan.dataset.held) {
        rest();
        Object.assign(p, was);
        lay(box, p);
        say(`${p.name} is where it was.`);
        return;
      }
      const by = ARROWS[event.key];
      if (!by) return;
      event.preventDefault();
      if (event.shiftKey) {
        p.w = Math.max(LEAST, p.w + by[0] * STEP);
        p.h = Math.max(LEAST, p.h + by[1] * STEP);
      } else {
        p.x += by[0] * STEP;
        p.y += by[1] * STEP;
      }
      lay(box, p);
      say(event.shiftKey ? `${p.name}: ${size(p)}` : `${p.name}: ${far(p.x - was.x, "right", "left")}, ${far(p.y - was.y, "up", "down")}`);
      rest();
      plan.dataset.held = "yes";
      resting = setTimeout(() => { rest(); put(p); }, REST_MS);
    };

    for (const one of p.timbers.slice(0, MOST)) chips.append(chip(one, p));
    if (p.timbers.length > MOST) chips.append(`and ${p.timbers.length - MOST} more`);
    box.append(name, chips, corner);
    return box;
  });

  function far(metres, plus, minus) {
    return `${(Math.abs(metres) * data.per).toFixed(1)} ${data.unit} ${metres < 0 ? minus : plus}`;
  }

  // the place next to another in a direction: near along it, and not far beside it
  function beside(name, [right, up]) {
    const mid = (p) => [p.x + p.w / 2, p.y + p.h / 2];
    const from = mid(there.find((p) => p.name === name));
    const ahead = there.map((p) => {
      const [x, y] = mid(p), dx = x - from[0], dy = y - from[1];
      return { name: p.name, along: dx * right + dy * up, aside: Math.abs(dx * up) + Math.abs(dy * right) };
    });
    const found = ahead.filter((one) => one.along > 0.01).sort((a, b) => a.along + 2 * a.aside - b.along - 2 * b.aside);
    return found.length ? found[0].name : null;
  }

  function size(p) {
    return `${(p.w * data.per).toFixed(0)} by ${(p.h * data.per).toFixed(0)} ${data.unit}`;
  }

  function chip(one, from) {
    const made = document.createElement("a");
    made.className = "chip";
    made.dataset.name = one.tag;
    made.href = `/timber?tag=${encodeURIComponent(one.tag)}`;
    made.textContent = `${one.shape} ${one.tag}`;
    made.setAttribute("aria-label", `${one.tag}, ${one.said}`);
    made.draggable = false;
    let ghost = null, dragged = false, over = null;
    const clear = () => {
      if (ghost) ghost.remove();
      for (const box of boxes) box.classList.remove("over");
      ghost = null;
    };
    made.onpointerdown = (event) => {
      dragged = false;
      hold(made, event, {
        move: (dx, dy, now) => {
          dragged = true;
          if (!ghost) {
            ghost = made.cloneNode(true);
            ghost.classList.add("ghost");
            plan.append(ghost);
          }
          ghost.style.left = `${now.clientX - 30}px`;
          ghost.style.top = `${now.clientY - 60}px`;
          over = boxes.find((box) => {
            const r = box.getBoundingClientRect();
            return now.clientX >= r.left && now.clientX <= r.right && now.clientY >= r.top && now.clientY <= r.bottom;
          }) || null;
          for (const box of boxes) box.classList.toggle("over", box === over);
        },
        done: () => {
          clear();
          if (over && over.dataset.name !== from.name) setTriggerValue("lay", { tag: one.tag, to: over.dataset.name });
        },
        still: clear,
      });
    };
    let goal = null; // the place chosen by arrows, while the timber is selected
    const mark = () => {
      made.classList.toggle("selected", goal !== null);
      for (const box of boxes) box.classList.toggle("over", box.dataset.name === goal && goal !== from.name);
    };
    const leave = (text) => {
      goal = null;
      delete plan.dataset.held;
      mark();
      say(text);
    };
    made.onkeydown = (event) => {
      if (goal === null) {
        if (event.key !== " ") return;
        goal = from.name;
        plan.dataset.held = "yes";
        mark();
        say(`${one.tag} is selected, on ${from.name}. Arrows choose a place, Enter puts it there, Escape leaves it.`);
      } else if (ARROWS[event.key]) {
        const next = beside(goal, ARROWS[event.key]);
        goal = next || goal;
        mark();
        say(next ? `${one.tag}: to ${goal}?` : `No place that way; ${one.tag}: to ${goal}?`);
      } else if (event.key === "Escape") {
        leave(`${one.tag} stays on ${from.name}.`);
      } else if (event.key === "Enter" || event.key === " ") {
        const to = goal;
        leave(to === from.name ? `${one.tag} stays on ${from.name}.` : "");
        if (to !== from.name) setTriggerValue("lay", { tag: one.tag, to });
      } else return;
      event.preventDefault();
      event.stopPropagation();
    };
    made.onblur = () => { if (goal !== null) leave(`${one.tag} stays on ${from.name}.`); };
    made.onclick = (event) => { if (dragged) { event.preventDefault(); event.stopPropagation(); } };
    return made;
  }

  const scale = document.createElement("div");
  scale.className = "scale";
  const long = data.unit === "ft" ? 10 / data.per : 3;
  scale.textContent = data.unit === "ft" ? "10 ft" : "3 m";
  scale.style.width = `${long * per}px`;
  scale.setAttribute("aria-hidden", "true");
  // what is drawn anew keeps the keyboard where it was
  const root = plan.getRootNode(), held = root.activeElement;
  const name = plan.contains(held) ? held.dataset.name : undefined;
  plan.replaceChildren(scale, ...boxes);
  if (name !== undefined) [...plan.querySelectorAll("[data-name]")].find((one) => one.dataset.name === name)?.focus();

  tray.replaceChildren(...data.places.filter((p) => p.x === null || p.y === null).map((p) => {
    const button = document.createElement("button");
    button.textContent = `Put ${p.name} on the plan`;
    button.onclick = () => {
      const right = there.length ? Math.max(...there.map((q) => q.x + q.w)) + MARGIN : 0;
      put({ ...p, x: round(right), y: there.length ? round(Math.min(...there.map((q) => q.y))) : 0 });
    };
    return button;
  }));
}

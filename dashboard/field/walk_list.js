// The two lists that open over the walk: what was entered, each with Edit and Undo, and the order of the timbers.
import { button } from "./phone.js";

const TOLD = { waiting: "waiting to be sent", sent: "sent", asks: "unlikely: keep it or edit it",
  refused: "not taken: edit it or undo it" };

export function entryRow(one, { value, where, edit, undo, insist }) {
  const row = document.createElement("li"), name = document.createElement("div");
  const tag = document.createElement("b"), state = document.createElement("small");
  tag.textContent = `${one.tag}  ${value}`;
  state.textContent = `${where}${one.kind === "pins" ? ", " : ""}${one.undo ? "undone" : TOLD[one.state]}`;
  name.append(tag, state);
  row.append(name);
  row.classList.toggle("undone", Boolean(one.undo));
  if (one.undo) return row;
  row.append(button("Edit", edit), button("Undo", undo));
  if (one.said) {
    row.append(Object.assign(document.createElement("div"), { className: "said", textContent: one.said }));
    if (one.state === "asks") row.append(button("Keep it", insist));
  }
  return row;
}

export function drawOrder({ order, places, kind, chosen }) { // chosen is told what the person wants instead
  const row = (text, pressed, change) => {
    const made = button(text, () => chosen({ ...order, ...change }));
    made.setAttribute("aria-pressed", pressed);
    return made;
  };
  document.getElementById("orders").replaceChildren(
    row("Place and row", order.by === "place", { by: "place" }),
    row(`Longest without ${kind === "pins" ? "pins" : "a weight"}`, order.by === "longest", { by: "longest" }),
  );
  document.getElementById("places").replaceChildren(
    row("All places", !order.only, { only: "" }),
    ...places.map((name) => row(name, order.only === name, { only: name })),
  );
}

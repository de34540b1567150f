// In what order a walk goes from timber to timber. Nothing here knows the screen.

// The timbers of a place, or of all: by place and row as the server sent them, or the longest without a reading first.
// What this phone has read counts, sent or not; ahead_ms is how far the server's clock is ahead of the phone's.
export function lined(yard, order, kind, entries) {
  const found = yard.stops.filter((one) => !order.only || one.place === order.only);
  if (order.by === "place") return found;
  const last = new Map(found.map((one) => [one.tag, one.read_ms?.[kind] ?? 0]));
  for (const one of entries) {
    if (one.undo || one.kind !== kind || !last.has(one.tag)) continue;
    last.set(one.tag, Math.max(last.get(one.tag), one.at_ms + (yard.ahead_ms ?? 0)));
  }
  return found.sort((a, b) => last.get(a.tag) - last.get(b.tag)); // never read: first
}

export function next(stops, from, read) { // the next timber that is not read on this walk, round to the first again
  for (let step = 1; step < stops.length; step++) {
    const then = (from + step) % stops.length;
    if (!read.has(stops[then].tag)) return then;
  }
  return (from + 1) % stops.length;
}

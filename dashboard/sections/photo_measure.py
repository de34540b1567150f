"""Millimetres read off a photograph: section, pith, sapwood, checks and wane, tapped on the picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts, which_tag
from baulk.dashboard.sections import entry, layout, press, tap_picture, timber_edit, work_form
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import operations, photo_scale, photos
from baulk.ingest.errors import Unlikely
from baulk.models import butt_end, photograph, units
from baulk.models.butt_end import ButtEnd
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.photograph import Array, Plane
from baulk.models.timber import DEFECTS, WANE, Event, EventKind, Timber, Value
from baulk.models.units import System

CORNERS: Final = ("upper left corner", "upper right corner", "lower right corner", "lower left corner")
TWO: Final = ("first place", "second place")


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One thing to measure: what is tapped for it, and whether it needs the butt end's corners first."""

    word: str
    taps: tuple[str, ...]
    on_butt: bool = True


TASKS: Final[Mapping[str, Task]] = {
    "section": Task(word="section, by its four corners", taps=CORNERS, on_butt=False),
    "pith": Task(word="pith", taps=("pith",)),
    "sapwood": Task(word="where the sapwood begins", taps=("pith", "place where the sapwood begins")),
    "check depth": Task(word="check, how deep", taps=("check at the face", "inner end of the check")),
    "check width": Task(word="check, how wide", taps=("one edge of the check", "other edge"), on_butt=False),
    "check length": Task(word="check, how long on a face", taps=("one end", "other end"), on_butt=False),
    "defect": Task(
        word="knot, shake or rot, by two opposite corners", taps=("one corner of it", "the opposite corner")
    ),
    "wane": Task(
        word="wane at a corner",
        taps=("where it begins on the one face", "where it begins on the other"),
    ),
    "distance": Task(word="any distance", taps=TWO, on_butt=False),
}


@st.cache_data(show_spinner=False, max_entries=8)
def _scale(path: str, side_mm: float | None) -> tuple[photo_scale.Scale | None, str]:
    """Look for the code in a kept photograph, once for each; and say why there is none."""
    try:
        return photo_scale.look(Path(path).read_bytes(), side_mm), ""
    except (BaulkError, OSError) as err:
        return None, str(err)


def section(
    found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts, kept: Sequence[tuple[datetime, Path]]
) -> None:
    """Offer to measure on a kept photograph of a timber."""
    if not kept:
        return
    with st.container(key="photo-measure"):
        if not st.toggle("Measure on a photograph", key="measure_on"):
            return
        by_day = {words.clock(at): path for at, path in reversed(kept)}
        chosen = st.selectbox("Photograph", list(by_day), key="measure_photo")
        path = by_day[chosen]
        with layout.errors_as_sentences():
            image = photos.decoded(path.read_bytes(), photo_scale.LONGEST_PX)
            plane = _plane(found.timber, path, image.size, facts.system, image_source(str(path)))
            if plane is not None:
                _measure(found, facts, path, plane, image.size)


@st.cache_data(show_spinner=False, max_entries=8)
def image_source(path: str) -> str:
    """Return a kept photograph as the address of a picture, once for each."""
    return tap_picture.of_image(
        photos.decoded(Path(path).read_bytes(), photo_scale.LONGEST_PX).convert("RGB")
    )


def _plane(timber: Timber, path: Path, size_px: tuple[int, int], system: System, source: str) -> Plane | None:
    """Return the plane of a photograph: from its code, else from two places a known distance apart."""
    with st.spinner("Looking for the code of its label..."):
        scale, why = _scale(str(path), None)
    if scale is not None:
        if (which_tag.find(scale.tag) or scale.tag) != timber.tag:
            st.warning(f"The code in this picture is that of {words.md(scale.tag)}, not of {timber.tag}.")
        st.caption(
            f"The scale is the label's code, {units.show_length(scale.side_mm, system)} wide; perspective is "
            "taken out. It holds in the plane that the label lies in: flat on the wood that you measure."
        )
        return scale.plane
    st.caption(
        f"{words.md(layout.capital(why))} Without it, tap two places of the butt end a known distance apart, "
        "then the section's four corners: they take out perspective, as far as the butt end is square. "
        "Without the corners it is not, so take such a picture square on."
    )
    bare = units.default_length_unit(system)
    long = st.text_input(
        "Known distance", key="measure_known", placeholder="8 in" if system == "inch" else "200 mm"
    )
    spots = _taps(path, "known", TWO, source)
    if len(spots) < len(TWO) or not long.strip():
        return None
    return _of_two(timber, path, size_px, _px(spots, size_px), units.length_mm(long, bare=bare))


def _of_two(
    timber: Timber,
    path: Path,
    size_px: tuple[int, int],
    known_px: Sequence[tuple[float, float]],
    apart_mm: float,
) -> Plane:
    """Return the plane from two places and, once they are tapped, from the section's corners."""
    plain = photograph.by_two_places(known_px[0], known_px[1], apart_mm)
    corners = st.session_state.get(f"measure_{path.name}_section", [])
    if len(corners) < len(CORNERS):
        return plain
    try:
        return photograph.by_rectangle(
            _px(corners, size_px),
            known_px,
            apart_mm,
            size_px,
            ratio=timber.section.depth_mm / timber.section.width_mm,
            focal_px=photos.focal_px(path.read_bytes(), size_px),
        )
    except OutOfRange:  # said below the corners, where a tap can be undone
        return plain


def _taps(path: Path, name: str, wanted: Sequence[str], source: str) -> list[tuple[float, float]]:
    """Ask for taps one after the other, and return those made so far, across and down from 0 to 1."""
    key = f"measure_{path.name}_{name}"
    spots: list[tuple[float, float]] = st.session_state.setdefault(key, [])
    if len(spots) < len(wanted):
        st.caption(f"Tap the **{wanted[len(spots)]}** ({len(spots) + 1} of {len(wanted)}).")
    spot = tap_picture.tap(
        source,
        key=f"{key}_picture",
        label=f"Photograph: tap the {wanted[min(len(spots), len(wanted) - 1)]}, or arrow keys and Enter",
        marks=spots,
        names=[str(n + 1) for n in range(len(spots))],
    )
    if spot is not None and len(spots) < len(wanted):
        spots.append(spot)
        st.rerun()
    if spots and press.button("Undo tap", key=f"{key}_undo"):
        spots.pop()
        st.rerun()
    return spots


def _px(spots: Sequence[tuple[float, float]], size_px: tuple[int, int]) -> list[tuple[float, float]]:
    """Return places in pixels, from the centre of the upper left one."""
    return [(x * size_px[0] - 0.5, y * size_px[1] - 0.5) for x, y in spots]


def _measure(
    found: shop_facts.TimberFacts,
    facts: shop_facts.ShopFacts,
    path: Path,
    plane: Plane,
    size_px: tuple[int, int],
) -> None:
    """Ask what is measured, show it, and offer to keep it."""
    name = st.selectbox("What", list(TASKS), format_func=lambda each: TASKS[each].word, key="measure_what")
    task, source = TASKS[name], image_source(str(path))
    butt = _butt(path, plane, size_px)
    if task.on_butt and butt is None:
        st.caption("Tap the section's four corners first; the rest is placed between them.")
        return
    spots = _taps(path, name, task.taps, source)
    if len(spots) < len(task.taps):
        return
    px = _px(spots, size_px)
    made = read(name, plane.mm(px), butt, found.timber, facts.system)
    spread = plane.spread_mm(px[0], px[-1]) if len(px) > 1 else 0.0
    doubt = (
        f" The scale alone is known to {units.show_length(2 * spread, facts.system)}." if spread > 0.5 else ""
    )
    st.info(f"{made.said}{doubt}")
    if made.kind or made.corrects:
        _offer(found.timber, name, made, facts)


def _butt(path: Path, plane: Plane, size_px: tuple[int, int]) -> ButtEnd | None:
    corners = st.session_state.get(f"measure_{path.name}_section", [])
    if len(corners) < len(CORNERS):
        return None
    try:
        return butt_end.of_corners(plane.mm(_px(corners, size_px)))
    except OutOfRange:  # said below the corners, where a tap can be undone
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What the taps say, and what is kept of it: an event, or fields of the timber to correct, or nothing.

    Attributes
    ----------
    said : str
        A sentence.
    kind : EventKind or None
        The event that it makes, if it makes one.
    detail : mapping
        The event's details.
    corrects : mapping
        Fields of the timber.
    """

    said: str
    kind: EventKind | None = None
    detail: Mapping[str, Value] = field(default_factory=dict)
    corrects: Mapping[str, Any] = field(default_factory=dict)


def read(name: str, mm: Array, butt: ButtEnd | None, timber: Timber, system: System) -> Measured:
    """Return what the taps say.

    Parameters
    ----------
    name : str
        One of `TASKS`.
    mm : ndarray, shape (n, 2)
        The places tapped, in the plane of the photograph. [mm]
    butt : ButtEnd or None
        The butt end, where its corners were tapped.
    timber : Timber
        The timber, whose section as entered carries pith and sapwood.
    system : "inch" or "metric"
        Units of the words.
    """
    if name == "section":
        end = butt_end.of_corners(mm)
        return Measured(
            said=f"It measures {units.show_size(end.width_mm, end.depth_mm, system)} today.",
            kind=EventKind.MEASURED,
            detail={"width_mm": round(end.width_mm, 1), "depth_mm": round(end.depth_mm, 1)},
        )
    if butt is not None and name in {"pith", "sapwood"}:
        return _inside(name, [_as_entered(butt.place_mm(each), butt, timber) for each in mm], timber, system)
    if butt is not None and name == "defect":
        return _defect([_as_entered(butt.place_mm(each), butt, timber) for each in mm], timber, system)
    if butt is not None and name == "wane":
        return _wane([_as_entered(butt.place_mm(each), butt, timber) for each in mm], timber, system)
    apart = float(np.hypot(*(mm[1] - mm[0])))
    shown = units.show_length(apart, system)
    if name.startswith("check"):
        what, word = {
            "check depth": ("depth_mm", "deep at the end"),
            "check width": ("width_mm", "wide"),
            "check length": ("length_mm", "long"),
        }[name]
        face = str(butt.nearest_face(mm[0])) if what == "depth_mm" and butt is not None else _ask_face()
        at = _along(butt.place_mm(mm[0]), face, butt, timber) if butt is not None else {}
        return Measured(
            said=f"A check in face {face}, {shown} {word}.",
            kind=EventKind.CHECKED,
            detail={"face": face, what: round(apart, 2), **at},
        )
    return Measured(said=f"{shown} apart.")


def _along(spot: tuple[float, float], face: str, butt: ButtEnd, timber: Timber) -> dict[str, Value]:
    """Return where along its face a check opens, from face d or from face a."""
    section, (x, y) = timber.section, _as_entered(spot, butt, timber)
    if face in "ac":
        return {"from_d_mm": round(min(max(x + section.width_mm / 2, 0.0), section.width_mm), 1)}
    return {"from_a_mm": round(min(max(section.depth_mm / 2 - y, 0.0), section.depth_mm), 1)}


def _defect(spots: Sequence[tuple[float, float]], timber: Timber, system: System) -> Measured:
    """Ask what lies between two opposite corners, and return where that is."""
    what = st.selectbox("It is a", DEFECTS, key="measure_defect")
    section = timber.section
    x, y = (sorted(each[axis] for each in spots) for axis in (0, 1))
    detail: dict[str, Value] = {
        "what": str(what),
        "from_d_mm": round(max(x[0] + section.width_mm / 2, 0.0), 1),
        "from_a_mm": round(max(section.depth_mm / 2 - y[1], 0.0), 1),
        "width_mm": round(max(min(x[1], section.width_mm / 2) - max(x[0], -section.width_mm / 2), 1.0), 1),
        "depth_mm": round(max(min(y[1], section.depth_mm / 2) - max(y[0], -section.depth_mm / 2), 1.0), 1),
    }
    size = units.show_size(float(detail["width_mm"]), float(detail["depth_mm"]), system)
    return Measured(said=f"A {what}, {size}.", kind=EventKind.DEFECT, detail=detail)


def _wane(spots: Sequence[tuple[float, float]], timber: Timber, system: System) -> Measured:
    """Return which corner is off, and how far, from where its bevel leaves either face."""
    half_w, half_d = timber.section.width_mm / 2, timber.section.depth_mm / 2
    on_side, on_top = sorted(spots, key=lambda at: abs(at[1]) / half_d - abs(at[0]) / half_w)
    right, up = on_top[0] + on_side[0] > 0, on_top[1] + on_side[1] > 0
    corner = {(True, True): "ab", (True, False): "bc", (False, False): "cd", (False, True): "da"}[right, up]
    across = half_w - on_top[0] if right else half_w + on_top[0]
    down = half_d - on_side[1] if up else half_d + on_side[1]
    legs = [round(min(max(each, 1.0), 2 * half), 1) for each, half in ((across, half_w), (down, half_d))]
    return Measured(
        said=f"Wane at corner {corner}, {units.show_size(legs[0], legs[1], system)}.",
        kind=EventKind.MEASURED,
        detail=dict(zip(WANE[corner], legs, strict=True)),
    )


def _inside(name: str, spots: list[tuple[float, float]], timber: Timber, system: System) -> Measured:
    """Return where the pith lies, or the radius of the heartwood about it."""
    if name == "pith":
        x, y = spots[0]
        across = f"{units.show_length(abs(x), system)} {'right' if x >= 0 else 'left'}"
        up = f"{units.show_length(abs(y), system)} {'above' if y >= 0 else 'below'}"
        moved = replace(timber.section, pith_x_mm=round(x, 1), pith_y_mm=round(y, 1))
        return Measured(said=f"Pith {across} and {up} of the centre.", corrects={"section": moved})
    (x, y), (edge_x, edge_y) = spots
    radius = float(np.hypot(edge_x - x, edge_y - y))
    return Measured(
        said=f"Heartwood within {units.show_length(radius, system)} of the pith.",
        corrects={"heartwood_mm": round(radius, 1)},
    )


def _ask_face() -> str:
    return str(st.selectbox("In face", list("abcd"), key="measure_face"))


def _as_entered(spot: tuple[float, float], butt: ButtEnd, timber: Timber) -> tuple[float, float]:
    """Return a place of today's section in that of the section as entered, which has shrunk since."""
    return (
        spot[0] * timber.section.width_mm / butt.width_mm,
        spot[1] * timber.section.depth_mm / butt.depth_mm,
    )


def _offer(timber: Timber, name: str, made: Measured, facts: shop_facts.ShopFacts) -> None:
    """Offer to save what was measured, once; what is unlikely is said, and saved by a second press."""
    box = entry.Entry(f"measured-{timber.tag}-{name}")
    with box.form():
        pressed = box.buttons()
    if not pressed:
        return
    given = made.detail or made.corrects
    sure, by, now = box.is_sure(given), preferences.chosen().name, layout.now()
    try:
        box.keep(lambda: _saved(timber, made, facts, sure=sure, by=by, now_utc=now))
    except Unlikely as err:
        box.doubt(given, layout.sentence(err), told=True)
    except BaulkError as err:
        box.refuse(layout.sentence(err), told=True)


def _saved(  # noqa: PLR0913 - what an entry holds
    timber: Timber, made: Measured, facts: shop_facts.ShopFacts, *, sure: bool, by: str, now_utc: datetime
) -> entry.Saving:
    note = "measured on a photograph"
    if made.kind is None:
        edits = ask(
            lambda s: operations.edit_timber(
                s, timber.tag, now_utc=now_utc, by=by, note=note, **made.corrects
            )
        )
        return timber_edit.told(timber.tag, edits, facts)
    event = Event(
        tag=timber.tag, kind=made.kind, at_utc=now_utc, noted_utc=now_utc, detail=made.detail, by=by,
        note=note,
    )  # fmt: skip
    return work_form.enter(event, facts, sure=sure)

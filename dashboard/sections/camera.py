"""A tag's code read from a picture that the phone takes; its own camera app opens the page without this."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import BinaryIO, Final

import numpy as np
import streamlit as st
from PIL import Image

from baulk.dashboard.sections import layout, press, tap_picture, upload
from baulk.dashboard.server.tag_code import NoCode, tag_in
from baulk.ingest import photos
from baulk.models.section import Section
from baulk.models.units import System, show_length, show_size


def tag() -> str | None:
    """Offer the camera or a picture, and return the tag on it."""
    secure = (st.context.url or "").startswith(("https://", "http://localhost", "http://127.0.0.1"))
    how = ["Take a picture"] + (["Live camera"] if secure else [])
    chosen = st.radio("How", how, horizontal=True, label_visibility="collapsed") if len(how) > 1 else how[0]
    given: BinaryIO | None = (
        st.camera_input("The code on its tag", key="scan_camera")
        if chosen == "Live camera"
        else upload.box("A picture of the code on its tag", upload.PICTURES, photos.MOST_MB, key="scan_file")
    )
    if given is None:
        return None
    try:
        return tag_in(given.read())
    except NoCode as err:
        st.error(layout.sentence(err))
        return None


PICTURE_PX: Final = 1000
CORNERS: Final = ("upper left corner of the butt end", "lower right corner of the butt end", "pith")
MOST_ASKEW: Final = 2.0  # a butt end seen at 60 degrees is half as wide as it is
SAPWOOD: Final = "place where the sapwood begins, where it is plainest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapped:
    """A place in the section's own axes in mm, from its centre to the right and up."""

    x_mm: float
    y_mm: float


def on_drawing(section: Section, system: System) -> Tapped | None:
    """Draw the section and return where it was tapped."""
    st.caption("Tap where the growth rings have their centre; face a is up.")
    found = _on_section(
        section, "arrival_tap", "The butt end: tap the pith, or move by the arrow keys and Enter"
    )
    if found is not None:
        _say(found, system)
    return found


def sapwood_on_drawing(section: Section, system: System) -> float | None:
    """Draw the section and return how far from the pith the sapwood begins, where it was tapped, in mm."""
    st.caption("Tap where the sapwood begins; face a is up.")
    found = _on_section(
        section, "arrival_sapwood_tap", "The butt end: tap where the sapwood begins, or arrow keys and Enter"
    )
    if found is None:
        return None
    radius_mm = float(np.hypot(found.x_mm - section.pith_x_mm, found.y_mm - section.pith_y_mm))
    st.caption(f"Heartwood within {show_length(radius_mm, system)} of the pith.")
    return radius_mm


def _on_section(section: Section, key: str, label: str) -> Tapped | None:
    """Draw the section, keep the place that was tapped on it, and return it."""
    kept = st.session_state.get(f"{key}_at")
    with st.container(key=f"{key}_box"):
        spot = tap_picture.tap(
            tap_picture.of_rectangle(section.width_mm, section.depth_mm),
            key=key,
            label=label,
            marks=[kept] if kept else [],
        )
    if spot is not None and spot != kept:
        st.session_state[f"{key}_at"] = spot
        st.rerun()
    if kept is None:
        return None
    return Tapped(x_mm=(kept[0] - 0.5) * section.width_mm, y_mm=(0.5 - kept[1]) * section.depth_mm)


def sapwood_on_photograph(section: Section) -> float | None:
    """Return how far from the pith the sapwood begins, of the taps on the photograph of the pith, in mm."""
    taps: list[tuple[float, float]] = st.session_state.get("arrival_taps", [])
    if len(taps) <= len(CORNERS):
        st.caption("Tap it on the picture above, after the pith.")
        return None
    pith, begins = (placed([*taps[:2], each], section) for each in taps[2:4])
    if pith is None or begins is None:
        return None
    return float(np.hypot(begins.x_mm - pith.x_mm, begins.y_mm - pith.y_mm))


def on_photograph(
    picture: bytes, section: Section, system: System, *, with_sapwood: bool = False
) -> Tapped | None:
    """Show a photograph of the butt end, ask for two corners and the pith, and return the pith.

    With the sapwood one tap more is asked for, which `sapwood_on_photograph` tells.
    """
    taps: list[tuple[float, float]] = st.session_state.setdefault("arrival_taps", [])
    wanted = (*CORNERS, SAPWOOD) if with_sapwood else CORNERS
    if len(taps) < len(wanted):
        st.caption(f"Tap the {wanted[len(taps)]}.")
    with Image.open(io.BytesIO(picture)) as opened:
        opened.thumbnail((PICTURE_PX, PICTURE_PX))
        small = opened.convert("RGB")
    spot = tap_picture.tap(
        tap_picture.of_image(small),
        key="arrival_photo_tap",
        label="The butt end, to be tapped, or by the arrow keys and Enter; 'type it' above does the same",
        marks=[(x / small.width, 1 - y / small.height) for x, y in taps],
    )
    if spot is not None and len(taps) < len(wanted):
        taps.append((spot[0] * small.width, (1 - spot[1]) * small.height))
        st.rerun()
    if taps and press.button("Tap again", key="arrival_taps_again"):
        st.session_state["arrival_taps"] = []
        st.rerun()
    if len(taps) < len(CORNERS):
        return None
    found = placed(taps[: len(CORNERS)], section)
    if found is None:
        st.error(
            "Those are not the upper left and the lower right corner of "
            f"{show_size(section.width_mm, section.depth_mm, system)}; press Tap again."
        )
        return None
    _say(found, system)
    return found


def placed(taps: list[tuple[float, float]], section: Section) -> Tapped | None:
    """Return the pith from upper left corner, lower right corner and pith in the picture's own axes, y up.

    Two corners that span another shape than the section's are not those two, whatever the angle it was
    taken at: taken for them, they would put the pith far outside the wood.
    """
    (left, top), (right, low), (x, y) = taps
    wide, high = (right - left) / section.width_mm, (top - low) / section.depth_mm
    if not (wide > 0 and high > 0 and 1 / MOST_ASKEW < wide / high < MOST_ASKEW):
        return None
    return Tapped(
        x_mm=((x - left) / (right - left) - 0.5) * section.width_mm,
        y_mm=(0.5 - (top - y) / (top - low)) * section.depth_mm,
    )


def _say(found: Tapped, system: System) -> None:
    def side(mm: float, plus: str, minus: str) -> str:
        return f"{show_length(abs(mm), system)} {plus if mm >= 0 else minus}"

    x, y = side(found.x_mm, "right", "left"), side(found.y_mm, "above", "below")
    st.caption(f"Pith {x} and {y} of the centre.")

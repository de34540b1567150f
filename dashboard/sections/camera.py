"""A tag's code read from a picture that the phone takes; its own camera app opens the page without this."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO, Final
from urllib.parse import parse_qs, urlsplit

import altair as alt
import numpy as np
import pandas as pd
import streamlit as st
import zxingcpp
from PIL import Image

from baulk.dashboard.charts import time_series
from baulk.dashboard.sections import layout
from baulk.ingest import photos
from baulk.ingest.errors import RegisterError
from baulk.models.errors import BaulkError
from baulk.models.section import Section
from baulk.models.units import System, show_length

LONGEST_SIDE: Final = 2400


class NoCode(BaulkError, ValueError):
    """A picture holds no tag that can be read."""


def tag_in(picture: bytes) -> str:
    """Return the tag in the code on a picture.

    Parameters
    ----------
    picture : bytes
        A photograph, JPEG or PNG.

    Returns
    -------
    str
        The tag: from the address of its page, or the code's own words.

    Raises
    ------
    NoCode
        If there is no code in it, or it is no picture, or too large a one.
    """
    try:
        seen = zxingcpp.read_barcodes(photos.decoded(picture, LONGEST_SIDE).convert("L"))
    except RegisterError as err:
        raise NoCode(str(err)) from err
    found = [code.text.strip() for code in seen if code.text.strip()]
    if not found:
        raise NoCode("no code is to be seen in it; hold the phone square, nearer, and out of the sun")
    query = parse_qs(urlsplit(found[0]).query)
    return query["tag"][0] if query.get("tag") else found[0]


def tag() -> str | None:
    """Offer the camera or a picture, and return the tag on it."""
    secure = (st.context.url or "").startswith(("https://", "http://localhost", "http://127.0.0.1"))
    how = ["Take a picture"] + (["Live camera"] if secure else [])
    chosen = st.radio("How", how, horizontal=True, label_visibility="collapsed") if len(how) > 1 else how[0]
    given: BinaryIO | None = (
        st.camera_input("The code on its tag", key="scan_camera")
        if chosen == "Live camera"
        else st.file_uploader(
            "A picture of the code on its tag",
            ["jpg", "jpeg", "png"],
            key="scan_file",
            max_upload_size=photos.MOST_MB,
        )
    )
    if given is None:
        return None
    try:
        return tag_in(given.read())
    except NoCode as err:
        st.error(layout.sentence(err))
        return None


GRID: Final = 45  # spots each way: under 5 mm on an 8 inch face, finer than a pith can be told
WIDTH_PX: Final = 330
PICTURE_PX: Final = 640
ALT: Final = "The butt end, to be tapped; the choice 'type it' above does the same from a keyboard"
CORNERS: Final = ("upper left corner of the butt end", "lower right corner of the butt end", "pith")
SAPWOOD: Final = "place where the sapwood begins, where it is plainest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapped:
    """A place in the section's own axes in mm, from its centre to the right and up."""

    x_mm: float
    y_mm: float


def on_drawing(section: Section, system: System) -> Tapped | None:
    """Draw the section and return where it was tapped."""
    st.caption("Tap where the growth rings have their centre; face a is up.")
    half_w, half_d = section.width_mm / 2, section.depth_mm / 2
    xs, ys = np.linspace(-half_w, half_w, GRID), np.linspace(-half_d, half_d, GRID)
    spot = _tap(_grid(xs, ys), None, section.depth_mm / section.width_mm, "arrival_tap")
    if spot is None:
        return None
    found = Tapped(x_mm=spot[0], y_mm=spot[1])
    _say(found, system)
    return found


def sapwood_on_drawing(section: Section, system: System) -> float | None:
    """Draw the section and return how far from the pith the sapwood begins, where it was tapped, in mm."""
    st.caption("Tap where the sapwood begins; face a is up.")
    half_w, half_d = section.width_mm / 2, section.depth_mm / 2
    xs, ys = np.linspace(-half_w, half_w, GRID), np.linspace(-half_d, half_d, GRID)
    spot = _tap(_grid(xs, ys), None, section.depth_mm / section.width_mm, "arrival_sapwood_tap")
    if spot is None:
        return None
    radius_mm = float(np.hypot(spot[0] - section.pith_x_mm, spot[1] - section.pith_y_mm))
    st.caption(f"Heartwood within {show_length(radius_mm, system)} of the pith.")
    return radius_mm


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
    xs = np.linspace(0, small.width, 2 * GRID)
    ys = np.linspace(0, small.height, 2 * GRID)
    spots, tall = _grid(xs, ys), small.height / small.width
    spot = _tap(spots, small, tall, f"arrival_photo_tap_{len(taps)}", taps)
    if spot is not None and len(taps) < len(wanted):
        taps.append(spot)
        st.rerun()
    if taps and st.button("Tap again", key="arrival_taps_again"):
        st.session_state["arrival_taps"] = []
        st.rerun()
    if len(taps) < len(CORNERS):
        return None
    found = placed(taps[: len(CORNERS)], section)
    if found is None:
        st.error("Those corners lie on one line; tap them anew.")
        return None
    _say(found, system)
    return found


def placed(taps: list[tuple[float, float]], section: Section) -> Tapped | None:
    """Return the pith from upper left corner, lower right corner and pith in the picture's own axes, y up."""
    (left, top), (right, low), (x, y) = taps
    if abs(right - left) < 1e-9 or abs(top - low) < 1e-9:
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


def _grid(xs: Any, ys: Any) -> pd.DataFrame:  # noqa: ANN401 - two rows of numbers
    x, y = np.meshgrid(xs, ys)
    return pd.DataFrame({"x": x.ravel().round(2), "y": y.ravel().round(2)})


def _tap(
    spots: pd.DataFrame,
    under: Image.Image | None,
    tall: float,
    key: str,
    done: Sequence[tuple[float, float]] = (),
) -> tuple[float, float] | None:
    """Show spots over a picture, with those tapped so far, and return the one that was tapped now."""
    x = alt.X("x:Q", axis=None, scale=alt.Scale(domain=_ends(spots["x"]), nice=False, zero=False))
    y = alt.Y("y:Q", axis=None, scale=alt.Scale(domain=_ends(spots["y"]), nice=False, zero=False))
    tap = alt.selection_point(name="tap", fields=["x", "y"], nearest=True, on="click", toggle=False)
    points = (
        alt.Chart(spots)
        .mark_point(shape="cross", filled=True, stroke=time_series.INK, fill="white", strokeWidth=1)
        .encode(x=x, y=y, size=alt.condition(tap, alt.value(260), alt.value(30), empty=False),
                tooltip=alt.value(None),
                opacity=alt.condition(tap, alt.value(1), alt.value(0), empty=False))
        .add_params(tap)
    )  # fmt: skip
    layers = [_ground(spots, under, x, y)]
    if done:
        seen = pd.DataFrame(done, columns=["x", "y"])
        layers.append(
            alt.Chart(seen)
            .mark_point(shape="cross", size=260, filled=True, fill="white", stroke=time_series.INK, opacity=1)
            .encode(x=x, y=y)
        )
    layers.append(points)
    chart = alt.layer(*layers).properties(width=WIDTH_PX)
    made = time_series.finish(chart, round(WIDTH_PX * tall), fit=False)
    event: Any = st.altair_chart(made, on_select="rerun", key=key, width="content", alt=ALT)
    picked = (event or {}).get("selection", {}).get("tap", [])
    return (float(picked[0]["x"]), float(picked[0]["y"])) if picked else None


def _ends(values: pd.Series) -> list[float]:
    return [float(values.min()), float(values.max())]


def _ground(spots: pd.DataFrame, under: Image.Image | None, x: alt.X, y: alt.Y) -> Any:  # noqa: ANN401
    left, right = _ends(spots["x"])
    low, high = _ends(spots["y"])
    if under is None:
        box = pd.DataFrame([{"x": left, "x2": right, "y": low, "y2": high}])
        return (
            alt.Chart(box)
            .mark_rect(fill="#e9ece6", stroke=time_series.INK, strokeWidth=1.5)
            .encode(x=x, x2="x2", y=y, y2="y2")
        )
    out = io.BytesIO()
    under.save(out, "JPEG", quality=80)
    url = "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()
    middle = pd.DataFrame([{"x": (left + right) / 2, "y": (low + high) / 2, "url": url}])
    return (
        alt.Chart(middle)
        .mark_image(width=WIDTH_PX, height=round(WIDTH_PX * under.height / under.width), aspect=False)
        .encode(x=x, y=y, url="url")
    )

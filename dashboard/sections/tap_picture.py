"""A picture that places are tapped on, by finger, mouse or keyboard."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import streamlit as st
from PIL import Image

HTML: Final = (
    '<div class="tap" tabindex="0" role="application"><img alt="" draggable="false">'
    '<div class="marks"></div><div class="cross" hidden></div><div class="lens" hidden></div></div>'
)
CSS: Final = """
.tap { position: relative; width: 100%; touch-action: none; cursor: crosshair; user-select: none;
  -webkit-user-select: none; -webkit-touch-callout: none; outline-offset: 2px; }
.tap:focus-visible { outline: 3px solid #96501e; }
img { width: 100%; height: auto; display: block; border: 1px solid #c9d0c8; }
.mark, .cross { position: absolute; width: 0; height: 0; pointer-events: none; }
.mark::before, .cross::before, .mark::after, .cross::after { content: ""; position: absolute;
  background: #fff; box-shadow: 0 0 0 1px #26302b; }
.mark::before, .cross::before { left: -11px; top: -1px; width: 22px; height: 2px; }
.mark::after, .cross::after { left: -1px; top: -11px; width: 2px; height: 22px; }
.mark { font: 700 14px/1 sans-serif; color: #26302b; text-indent: 8px; line-height: 34px;
  text-shadow: 0 0 3px #fff, 0 0 3px #fff, 0 0 3px #fff; white-space: nowrap; }
.lens { position: absolute; width: 132px; height: 132px; border-radius: 50%; border: 3px solid #26302b;
  background-repeat: no-repeat; background-color: #fff; pointer-events: none; z-index: 9; }
.lens::before, .lens::after { content: ""; position: absolute; background: #96501e; }
.lens::before { left: 0; right: 0; top: 50%; height: 1px; }
.lens::after { top: 0; bottom: 0; left: 50%; width: 1px; }
[hidden] { display: none; }
"""
_JS: Final = (Path(__file__).with_suffix(".js")).read_text(encoding="utf-8")
QUALITY: Final = 85


def tap(
    source: str,
    *,
    key: str,
    label: str,
    marks: Sequence[tuple[float, float]] = (),
    names: Sequence[str] = (),
) -> tuple[float, float] | None:
    """Show a picture and return the place that was tapped now, once.

    Parameters
    ----------
    source : str
        The picture as an address that starts with ``data:``.
    key : str
        Names the element.
    label : str
        What is to be tapped, for readers too.
    marks : sequence of (float, float)
        Places that are marked on it.
    names : sequence of str
        A short name beside each mark.

    Returns
    -------
    tuple of float or None
        Across from the left and down from the top, each 0 to 1.
    """
    # registered here: Streamlit keeps it, and a later run of the same page finds it again
    mount: Any = st.components.v2.component("baulk_tap_picture", html=HTML, css=CSS, js=_JS)
    given = mount(
        key=key,
        data={"src": source, "label": label, "marks": [list(each) for each in marks], "names": list(names)},
        on_tap_change=lambda: None,
    ).tap
    return None if given is None else (float(given["x"]), float(given["y"]))


def of_image(picture: Image.Image) -> str:
    """Return a picture as an address that starts with ``data:``."""
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=QUALITY)
    return "data:image/jpeg;base64," + base64.b64encode(out.getvalue()).decode()


def of_rectangle(width: float, height: float) -> str:
    """Return a drawn rectangle with the faces' letters as an address that starts with ``data:``."""
    long = 600 / max(width, height)
    w, h = round(width * long), round(height * long)
    letters = {"a": (w / 2, 26), "b": (w - 18, h / 2), "c": (w / 2, h - 12), "d": (18, h / 2)}
    drawn = "".join(
        f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="middle" font-family="sans-serif" font-size="22" '
        f'fill="#55615b">{face}</text>'
        for face, (x, y) in letters.items()
    )
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}">'
        f'<rect width="{w}" height="{h}" fill="#e9ece6"/>{drawn}</svg>'
    )
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()

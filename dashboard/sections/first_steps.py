"""A new shop's first steps: three cards with drawings; what is done is ticked by itself."""

from __future__ import annotations

import base64
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.server.shop_access import ask
from baulk.ingest.shop import Shop

_INK: Final = "#7c8a83"  # seen on light and on dark
_LINE: Final = f'fill="none" stroke="{_INK}" stroke-width="3" stroke-linejoin="round" stroke-linecap="round"'
_TIMBER: Final = (
    '<path d="M10 40 60 18 110 30 60 54z"/><path d="M10 40V64L60 78V54M60 78 110 54V30"/>'
    '<circle cx="36" cy="60" r="4"/><path d="M26 57a11 8 0 0 1 20 4M19 53a19 15 0 0 1 34 8"/>'
)
_AIR: Final = (
    '<path d="M20 44 60 16 100 44V78H20z"/><path d="M54 34a6 6 0 0 1 12 0V56a10 10 0 1 1-12 0z"/>'
    '<path d="M78 60c5-7 5-7 10 0a5 5 0 1 1-10 0z"/>'
)
_DEMO: Final = (
    '<path d="M12 76H108M18 76V60H46V76M50 76V48H78V76"/>'
    '<path d="M82 76V60H106V76M30 60V44H62V48M60 48V30H94V60"/>'
)


def done(shop: Shop) -> tuple[bool, bool]:
    """Return whether a timber is entered, and whether any air is known."""
    return bool(shop.register.list()), bool(shop.store.places())


def cards() -> None:
    """Show the steps, side by side or on a phone one below the other."""
    timber, air = ask(done)
    first, second, third = st.columns(3)
    with first:
        _card("Add a timber", _TIMBER, "Size, wood and use, and a weight or a pin reading.", ticked=timber)
        _links(("/add", "Add timber"))
    with second:
        _card("Connect the air, or type it", _AIR, "Temperature and humidity where it lies.", ticked=air)
        _links(("/air", "Type the air"), ("/sensors", "Connect a sensor"))
    with third:
        _card("Or try the demo yard", _DEMO, "Invented timbers with their sensors, apart from this shop.",
              ticked=False)  # fmt: skip
        st.code("baulk demo", language=None)


def _links(*found: tuple[str, str]) -> None:
    made = " ".join(f'<a href="{where}" target="_self">{words.esc(name)}</a>' for where, name in found)
    st.html(f'<p class="b-links">{made}</p>')


def _card(title: str, drawing: str, under: str, *, ticked: bool) -> None:
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 120 90" {_LINE}>{drawing}</svg>'
    seen = base64.b64encode(svg.encode()).decode()
    mark = "✓ " if ticked else ""
    said = f"{mark}{title}{', done' if ticked else ''}"
    st.html(
        f'<img src="data:image/svg+xml;base64,{seen}" alt="" width="120" height="90">'
        f"<p><b>{words.esc(said)}</b><br>{words.esc(under)}</p>"
    )

"""Photographs of a timber: the newest small beside its tag, all of them in a fold, one added."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Final

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.queries import shop_facts
from baulk.dashboard.sections import entry, layout, photo_measure, press, tap_picture, upload, work_form
from baulk.dashboard.server import preferences
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import photos
from baulk.models.errors import BaulkError
from baulk.models.timber import EventKind

SMALL_PX: Final = 176  # for a square of 88 px on a fine screen
SHOWN: Final = 3


def kept(tag: str) -> list[tuple[datetime, Path]]:
    """Return the photographs of a timber, oldest first."""
    return ask(lambda s: photos.of(s, tag))


@st.cache_data(show_spinner=False, max_entries=200)
def _small(path: str) -> str:
    """Return a photograph made small as the address of a picture, once for each."""
    return tap_picture.of_image(photos.decoded(Path(path).read_bytes(), SMALL_PX).convert("RGB"))


def small(tag: str) -> str:
    """Return the newest photograph as a small picture in HTML; nothing where there is none."""
    try:
        at, path = kept(tag)[-1]
        source = _small(str(path))
    except (IndexError, BaulkError, OSError):  # none, or its file is damaged: the page stands without it
        return ""
    return f'<img class="b-photo" src="{source}" alt="{words.esc(tag)}, photographed {words.day(at)}">'


def show(found: shop_facts.TimberFacts, facts: shop_facts.ShopFacts) -> None:
    """Show the newest photographs, add one, and measure on one."""
    tag = found.timber.tag
    every = kept(tag)
    with st.container(width=420):
        for at, path in reversed(every[-SHOWN:]):
            st.image(str(path), caption=f"Photographed {words.clock(at)}", width="stretch")
    _add(tag, facts)
    photo_measure.section(found, facts, every)


def _add(tag: str, facts: shop_facts.ShopFacts) -> None:
    box = entry.Entry(f"photo-{tag}")
    given = upload.box("Add a photograph", upload.PICTURES, photos.MOST_MB, key=box.key("file"))
    if given is None:
        return
    press.draw("Save", type="primary", key=box.key("save"))
    if not press.taken(box.key("save")):
        return
    by, now = preferences.chosen().name, layout.now()
    with layout.errors_as_sentences():
        picture = given.getvalue()

        def act() -> entry.Saving:
            ask(lambda s: photos.keep(s, tag, picture, now_utc=now, by=by))
            made = ask(lambda s: s.register.events(tag, kind=EventKind.PHOTOGRAPHED))[-1]
            return f"Saved: a photograph of {tag}.", lambda: work_form.take_back(made, facts)

        box.keep(act)

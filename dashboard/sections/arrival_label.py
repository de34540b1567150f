"""The label of a timber that was just entered: by a button, or with Save for whoever wants it so."""

from __future__ import annotations

import json
from typing import Final
from urllib.parse import urlencode

import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.printing import labels
from baulk.dashboard.sections import downloads, layout
from baulk.dashboard.server import preferences
from baulk.models import units
from baulk.models.errors import BaulkError

COOKIE: Final = "baulk_label"  # the sheet that comes with Save; empty where none does
_WANTED: Final = "label-with-save"
_SHEET: Final = "label_sheet"
_DUE: Final = "label-due"


def choice(system: units.System) -> None:
    """Offer that the label comes with Save; the browser keeps the answer and the sheet.

    Parameters
    ----------
    system : "inch" or "metric"
        In which the usual rolls are measured.
    """
    if _WANTED not in st.session_state:
        kept = preferences.kept(COOKIE)
        st.session_state[_WANTED] = bool(kept)
        if kept:
            st.session_state.setdefault(_SHEET, kept)
    held = bool(st.session_state[_WANTED])
    wanted = st.checkbox("Print the label when saved", held, key="label_with_save")
    if wanted != held:
        st.session_state[_WANTED] = wanted
        preferences.keep(COOKIE, _sheet(system) if wanted else "")


def note(tag: str) -> None:
    """Note that a timber was saved, whose label comes on the page drawn next if that is wanted."""
    if st.session_state.get(_WANTED):
        st.session_state[_DUE] = (st.session_state.get(_DUE, (0, ""))[0] + 1, tag)


def offer(tag: str, system: units.System) -> None:
    """Offer the label of the timber that was just entered, and say where its code leads nobody.

    Parameters
    ----------
    tag : str
        The timber.
    system : "inch" or "metric"
        In which the usual rolls are measured.
    """
    kept, url = _sheet(system), downloads.label_address()
    with st.container(horizontal=True, vertical_alignment="bottom"):
        chosen = st.selectbox(
            "Label", [*labels.SHEETS, *labels.rolls(system)], index=None, key="label_choice",
            placeholder=labels.title(kept), accept_new_options=True, format_func=labels.title,
            label_visibility="collapsed",
        )  # fmt: skip
        sheet = chosen or kept
        with layout.errors_as_sentences():
            labels.named(sheet)  # told now where it is none
            st.download_button(
                "Print label", lambda: downloads.labels_pdf((tag,), sheet, url=url), f"{tag}.pdf",
                "application/pdf", key="label_pdf",
            )  # fmt: skip
            if sheet != kept and st.session_state.get(_WANTED):
                preferences.keep(COOKIE, sheet)
            st.session_state[_SHEET] = sheet
    number, due = st.session_state.get(_DUE, (0, ""))
    if due == tag:
        st.html(taking(tag, _sheet(system), number), unsafe_allow_javascript=True)
    if doubt := labels.doubt(url, st.context.url):
        st.warning(words.md(doubt))


def taking(tag: str, sheet: str, number: int) -> str:
    """Return what lets a browser take a label as a file, without a window that it would hold back.

    Parameters
    ----------
    tag, sheet : str
        The timber, and what its label is printed on.
    number : int
        Counts the labels of a visit: one that is drawn again is not taken again.

    Returns
    -------
    str
        A script element.
    """
    told = {"href": f"/field/label?{urlencode({'tag': tag, 'sheet': sheet})}", "download": f"{tag}.pdf"}
    made = json.dumps(told).replace("<", "\\u003c")  # a tag typed by a person must not end the script
    return (
        f"<script>if (window.baulkLabel !== {number}) {{ window.baulkLabel = {number};"
        f" const link = Object.assign(document.createElement('a'), {made});"
        " document.body.append(link); link.click(); link.remove(); }</script>"
    )


def _sheet(system: units.System) -> str:
    """Return the sheet used last; where that is none, the first roll."""
    held = str(st.session_state.get(_SHEET, ""))
    try:
        labels.named(held)
    except BaulkError:
        return labels.rolls(system)[0]
    return held

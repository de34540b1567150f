"""A tag's code read from a picture that the phone takes; its own camera app opens the page without this."""

from __future__ import annotations

from typing import BinaryIO, Final
from urllib.parse import parse_qs, urlsplit

import streamlit as st
import zxingcpp

from baulk.ingest import photos
from baulk.ingest.errors import RegisterError
from baulk.models.errors import BaulkError

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
    words = [code.text.strip() for code in seen if code.text.strip()]
    if not words:
        raise NoCode("no code is to be seen in it; hold the phone square, nearer, and out of the sun")
    query = parse_qs(urlsplit(words[0]).query)
    return query["tag"][0] if query.get("tag") else words[0]


def tag() -> str | None:
    """Offer the camera or a picture, and return the tag on it."""
    secure = (st.context.url or "").startswith(("https://", "http://localhost", "http://127.0.0.1"))
    how = ["Take a picture"] + (["Live camera"] if secure else [])
    chosen = st.radio("How", how, horizontal=True, label_visibility="collapsed") if len(how) > 1 else how[0]
    given: BinaryIO | None = (
        st.camera_input("The code on its tag", key="scan_camera")
        if chosen == "Live camera"
        else st.file_uploader("A picture of the code on its tag", ["jpg", "jpeg", "png"], key="scan_file")
    )
    if given is None:
        return None
    try:
        return tag_in(given.read())
    except NoCode as err:
        st.error(f"{str(err)[:1].upper()}{str(err)[1:]}.")
        return None

"""The tag in the code on a picture, for a page and for the phone on the walk."""

from __future__ import annotations

from typing import Final

import zxingcpp

from baulk.ingest import photos
from baulk.ingest.errors import RegisterError
from baulk.models.errors import BaulkError

LONGEST_SIDE: Final = 2400  # [px]


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
    from baulk.ingest import photo_scale  # noqa: PLC0415 - brings scipy, for millimetres

    return photo_scale.read(found[0])[0]

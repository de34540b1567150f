"""What a photograph's millimetres are: the printed code in it, whose address says how large it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qs, urlsplit

import numpy as np

from baulk.ingest import photos
from baulk.models import photograph
from baulk.models.errors import BaulkError
from baulk.models.photograph import Plane

if TYPE_CHECKING:
    from PIL import Image

LONGEST_PX: Final = 2400


class NoScale(BaulkError, ValueError):
    """A picture holds no code that its millimetres could be told from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A code that was found in a picture, and the plane that it lies in.

    Attributes
    ----------
    tag : str
        The timber that the code names, or the code's own words.
    side_mm : float
        The code's side without its white edge. [mm]
    plane : Plane
        The plane, of places in pixels of the picture as it was looked at.
    size_px : tuple of int
        Width and height of the picture as it was looked at.
    """

    tag: str
    side_mm: float
    plane: Plane
    size_px: tuple[int, int]


def look(picture: bytes, side_mm: float | None = None) -> Scale:
    """Find the printed code in a photograph and the plane it lies in.

    Parameters
    ----------
    picture : bytes
        JPEG or PNG, not cropped.
    side_mm : float, optional
        The code's side without its white edge as somebody measured it; else what its own address says. [mm]

    Raises
    ------
    NoScale
        If there is no code, or nobody says how large it is.
    RegisterError
        If it is no picture.
    """
    import segno  # noqa: PLC0415 - labels alone draw codes, and photographs alone read them

    image = photos.decoded(picture, LONGEST_PX).convert("L")
    found, enlarged = _code(image)
    if found is None:
        raise NoScale(
            "no code is to be seen in the picture; lay the label flat on the butt end, near its middle"
        )
    tag, told_mm = read(found.text)
    side = side_mm if side_mm is not None else told_mm
    if side is None:
        raise NoScale("the code does not say how large it is; measure its side and type it")
    made = found.extra
    drawn = segno.make(
        found.text,
        error=made["ECLevel"],
        version=int(made["Version"]),
        mask=int(made["DataMask"]),
        micro=False,
        boost_error=False,
    ).matrix
    at = found.position
    corners = [
        (p.x / enlarged, p.y / enlarged) for p in (at.top_left, at.top_right, at.bottom_right, at.bottom_left)
    ]
    plane = photograph.by_code(
        np.asarray(image, dtype=float),
        np.array([list(row) for row in drawn], dtype=float),
        corners,
        side,
        photos.focal_px(picture, image.size),
    )
    return Scale(tag=tag, side_mm=side, plane=plane, size_px=image.size)


def _code(image: Image.Image) -> tuple[Any, int]:
    """Return the first QR code, and how many times the picture was enlarged to read it: far ones are fine."""
    import zxingcpp  # noqa: PLC0415

    for times in (1, 2):
        looked_at = image if times == 1 else image.resize((image.width * times, image.height * times))
        for each in zxingcpp.read_barcodes(looked_at):
            if each.format == zxingcpp.BarcodeFormat.QRCode and each.text.strip():
                return each, times
    return None, 1


def read(words: str) -> tuple[str, float | None]:
    """Return the tag in the words of a code, and the side of the code where they say it, [mm]."""
    query = parse_qs(urlsplit(words.strip()).query)
    try:
        side = float(query[photos.CODE_SIDE][0])
    except (KeyError, ValueError):
        side = None
    named = query.get("tag")
    return (named[0] if named else words.strip()), (
        side if side is not None and 1.0 < side < 1000.0 else None
    )

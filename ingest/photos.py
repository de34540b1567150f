"""Photographs of timbers: kept small in the shop folder, without the place where they were taken."""

from __future__ import annotations

import io
import math
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from baulk.ingest.errors import RegisterError
from baulk.ingest.shop import Shop
from baulk.models.timber import Event, EventKind

if TYPE_CHECKING:
    from PIL import Image


FOLDER: Final = "photos"
LONGEST_SIDE: Final = 1600  # pixels: a check of a millimetre still shows on an 8 inch face
MOST_MB: Final = 25
MOST_BYTES: Final = MOST_MB * 1024 * 1024  # as a browser's file box counts a megabyte
CODE_SIDE: Final = "code"  # in a label's address: side of its code without the white edge [mm]
MOST_PIXELS: Final = 50_000_000
_EXIF: Final = 0x8769  # where a camera's notes stand, and of them the focal length as on film of 24 x 36 mm
_FOCAL: Final = 0xA405
_SHORTEST_MM: Final = 10
_LONGEST_MM: Final = 400
FORMATS: Final = ("JPEG", "PNG")  # no others: some are programs, which the library hands to an interpreter


def decoded(picture: bytes, longest_px: int) -> Image.Image:
    """Return a photograph upright and made small, whatever a stranger may have sent as one.

    Format and number of pixels are read from its beginning before anything is unpacked.

    Parameters
    ----------
    picture : bytes
        JPEG or PNG.
    longest_px : int
        The longer side is made no longer than this.

    Raises
    ------
    RegisterError
        If it is no such picture, or too large.
    """
    from PIL import Image  # noqa: PLC0415 - backups and forecasts know where photographs lie, and open none

    if len(picture) > MOST_BYTES:
        raise RegisterError(f"the picture is larger than {MOST_MB} MB; take a smaller one")
    too_many = f"the picture has more than {MOST_PIXELS / 1e6:.0f} million pixels; take a smaller one"
    try:
        with Image.open(io.BytesIO(picture), formats=FORMATS) as opened:
            if opened.width * opened.height > MOST_PIXELS:
                raise RegisterError(too_many)  # noqa: TRY301 - a sentence of its own among the decoder's
            opened.thumbnail(
                (longest_px, longest_px)
            )  # first: a JPEG is then never unpacked at its full size
            return _turned(opened)
    except RegisterError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as err:  # the library's own limits
        raise RegisterError(too_many) from err
    except Exception as err:  # decoders of damaged pictures raise errors of every kind
        raise RegisterError("that is no picture that can be read; take a JPEG or PNG") from err


def _turned(opened: Image.Image) -> Image.Image:
    """Return a copy turned as the camera noted; a note that can't be read turns nothing."""
    from PIL import ImageOps  # noqa: PLC0415

    try:
        return ImageOps.exif_transpose(opened)
    except Exception:  # noqa: BLE001 - the note is the camera's, and may be anything
        return opened.copy()


def upright(picture: bytes) -> bytes:
    """Return a photograph as a JPEG: upright, made small, and freed of what the phone noted in it.

    Its focal length alone stays, which says nothing of anybody: a picture taken at a slant is measured by it.

    Raises
    ------
    RegisterError
        If it is no picture, or too large.
    """
    from PIL import Image  # noqa: PLC0415 - as above

    small, out = decoded(picture, LONGEST_SIDE).convert("RGB"), io.BytesIO()
    noted, focal_mm = Image.Exif(), _focal_mm(picture)
    if focal_mm is not None:
        noted.get_ifd(_EXIF)[_FOCAL] = focal_mm
    small.save(out, "JPEG", quality=85, exif=noted)
    return out.getvalue()


def focal_px(picture: bytes, size_px: tuple[int, int]) -> float | None:
    """Return the focal length that the camera noted, for a picture not cropped; None where it noted none.

    Parameters
    ----------
    picture : bytes
        JPEG or PNG.
    size_px : tuple of int
        Width and height of the picture as it is looked at. [px]

    References
    ----------
    Exif's FocalLengthIn35mmFilm goes by the diagonal of the picture, 43.27 mm of a film of 24 x 36 mm (from
    memory).
    """
    focal_mm = _focal_mm(picture)
    return None if focal_mm is None else focal_mm / math.hypot(24, 36) * math.hypot(*size_px)


def _focal_mm(picture: bytes) -> int | None:
    """Return the focal length as on film of 24 x 36 mm, [mm]; None where none is noted."""
    from PIL import Image  # noqa: PLC0415

    try:
        with Image.open(io.BytesIO(picture), formats=FORMATS) as opened:
            told = int(opened.getexif().get_ifd(_EXIF).get(_FOCAL, 0))
    except Exception:  # noqa: BLE001 - the note is the camera's, and may be anything
        return None
    return told if _SHORTEST_MM <= told <= _LONGEST_MM else None


def keep(shop: Shop, tag: str, picture: bytes, *, now_utc: datetime, by: str = "") -> Path:
    """Keep a photograph of a timber and note it in its history; return its file.

    Parameters
    ----------
    shop : Shop
        The open shop.
    tag : str
        Which timber.
    picture : bytes
        JPEG or PNG.
    now_utc : datetime
        Now, with a time zone.
    by : str
        Who took it.

    Raises
    ------
    RegisterError
        If the picture can't be read or kept.
    """
    timber = shop.register.get(tag)
    name = f"{now_utc.astimezone(UTC):%Y%m%dT%H%M%S%f}.jpg"
    path = shop.config.shop_dir / FOLDER / timber.tag / name
    small = upright(picture)
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        path.write_bytes(small)
    except OSError as err:
        raise RegisterError(f"the picture can't be kept in {path.parent}: {err.strerror}") from err
    shop.register.add_event(
        Event(
            tag=timber.tag,
            kind=EventKind.PHOTOGRAPHED,
            at_utc=now_utc,
            noted_utc=now_utc,
            detail={"file": f"{FOLDER}/{timber.tag}/{name}"},
            by=by,
        )
    )
    return path


def of(shop: Shop, tag: str) -> list[tuple[datetime, Path]]:
    """Return the photographs of a timber that are still there, oldest first."""
    found, ours = (
        [],
        (shop.config.shop_dir / FOLDER).resolve(),
    )  # whoever may enter events reads no other file
    for event in shop.register.events(tag):
        if event.kind is EventKind.PHOTOGRAPHED:
            path = (shop.config.shop_dir / str(event.detail["file"])).resolve()
            if path.is_relative_to(ours) and path.is_file():
                found.append((event.at_utc, path))
    return found

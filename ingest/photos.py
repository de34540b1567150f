"""Photographs of timbers: kept small in the shop folder, without the place where they were taken."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from PIL import Image, ImageOps, UnidentifiedImageError

from baulk.ingest.errors import RegisterError
from baulk.models.event import Event, EventKind

if TYPE_CHECKING:
    from baulk.ingest.shop import Shop

FOLDER: Final = "photos"
LONGEST_SIDE: Final = 1600  # pixels: a check of a millimetre still shows on an 8 inch face
MOST_BYTES: Final = 40_000_000


def upright(picture: bytes) -> bytes:
    """Return a photograph turned upright, made small, and freed of what the phone noted in it.

    Raises
    ------
    RegisterError
        If it is no picture, or too large.
    """
    if len(picture) > MOST_BYTES:
        raise RegisterError("the picture is larger than 40 MB; take a smaller one")
    try:
        with Image.open(io.BytesIO(picture)) as opened:
            turned = ImageOps.exif_transpose(opened) or opened
            turned.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
            out = io.BytesIO()
            turned.convert("RGB").save(out, "JPEG", quality=85)
    except (UnidentifiedImageError, OSError, Image.DecompressionBombError) as err:
        raise RegisterError("that is no picture that can be read; take a JPEG or PNG") from err
    return out.getvalue()


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
    """
    timber = shop.register.get(tag)
    name = f"{now_utc.astimezone(UTC):%Y%m%dT%H%M%S%f}.jpg"
    path = shop.config.shop_dir / FOLDER / timber.tag / name
    small = upright(picture)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
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
    found = []
    for event in shop.register.events(tag):
        if event.kind is EventKind.PHOTOGRAPHED:
            path = shop.config.shop_dir / str(event.detail["file"])
            if path.is_file():
                found.append((event.at_utc, path))
    return found

"""Pictures made to run something, to fill memory or to break a decoder: refused in a sentence."""

from __future__ import annotations

import io
import random
import struct
import subprocess
import sys
import zlib

import pytest
from PIL import EpsImagePlugin, Image

from baulk.dashboard.server import tag_code
from baulk.ingest import photos
from baulk.ingest.errors import RegisterError

READERS = [(photos.upright, RegisterError), (tag_code.tag_in, tag_code.NoCode)]
GROWTH = """
import resource, sys
from baulk.dashboard.server import tag_code
from baulk.ingest import photos
picture = open(sys.argv[1], "rb").read()
for read in (photos.upright, tag_code.tag_in):
    try: read(open(sys.argv[2], "rb").read())
    except ValueError: pass
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
for read in (photos.upright, tag_code.tag_in):
    try: read(picture)
    except ValueError as err: print(err)
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)
"""


def chunk(kind, body):
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def empty_png(side):
    """A PNG of so many pixels each way, all of them black, in a few hundred kB."""
    packer = zlib.compressobj(9)
    row = b"\0" * (1 + 3 * side)
    body = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


def picture(form, **given):
    out = io.BytesIO()
    noise = random.Random(4).randbytes(60 * 40 * 3)  # noqa: S311 - a test's own
    Image.frombytes("RGB", (60, 40), noise).save(out, form, **given)
    return out.getvalue()


@pytest.mark.parametrize(("read", "error"), READERS)
def test_postscript_is_never_run(read, error, tmp_path, monkeypatch):
    ran = tmp_path / "ran"
    program = tmp_path / "gs"
    program.write_text(f"#!/bin/sh\ntouch {ran}\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=":")
    monkeypatch.setattr(EpsImagePlugin, "gs_binary", None)
    given = b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 40 40\n%%EndComments\n(x) print\n%%EOF\n"
    with pytest.raises(error, match="no picture that can be read; take a JPEG or PNG"):
        read(given)
    assert not ran.exists()


@pytest.mark.parametrize(("read", "error"), READERS)
@pytest.mark.parametrize("form", ["GIF", "BMP", "TIFF", "PPM", "ICO", "TGA", "JPEG2000", "PCX"])
def test_only_the_formats_that_are_asked_for_are_opened(read, error, form):
    with pytest.raises(error, match="no picture that can be read; take a JPEG or PNG"):
        read(picture(form))


@pytest.mark.parametrize(("read", "error"), READERS)
def test_a_picture_of_more_pixels_than_any_phone_takes_is_refused_by_its_header(read, error):
    for side in (8_000, 10_000, 14_000):  # the library is silent, warns, refuses
        with pytest.raises(error, match="the picture has more than 50 million pixels; take a smaller one"):
            read(empty_png(side))


@pytest.mark.parametrize(("read", "error"), READERS)
def test_a_picture_of_too_many_bytes_is_refused(read, error):
    with pytest.raises(error, match="larger than 25 MB"):
        read(b"\xff\xd8\xff" + bytes(25 * 1024 * 1024))


def test_a_picture_that_unpacks_to_gigabytes_takes_no_memory(tmp_path):
    (tmp_path / "bomb.png").write_bytes(empty_png(13_000))  # 507 MB of pixels
    (tmp_path / "small.png").write_bytes(picture("PNG"))
    words = [sys.executable, "-W", "ignore", "-c", GROWTH, tmp_path / "bomb.png", tmp_path / "small.png"]
    done = subprocess.run(words, capture_output=True, text=True, check=True, timeout=120)
    *said, megabytes = done.stdout.splitlines()
    assert said == ["the picture has more than 50 million pixels; take a smaller one"] * 2
    assert int(megabytes) < 20


@pytest.mark.parametrize(("read", "error"), READERS)
@pytest.mark.parametrize(
    ("form", "given"), [("JPEG", {"quality": 80}), ("PNG", {}), ("JPEG", {"progressive": True})]
)
def test_a_damaged_picture_is_read_or_refused_in_a_sentence(read, error, form, given):
    whole = picture(form, **given)
    chance = random.Random(11)  # noqa: S311
    for _ in range(400):
        bent = bytearray(whole)
        for _ in range(chance.randint(1, 8)):
            bent[chance.randrange(len(bent))] = chance.randrange(256)
        if chance.random() < 0.3:
            del bent[chance.randrange(len(bent)) :]
        try:
            read(bytes(bent))
        except error as err:
            assert len(str(err)) < 120  # noqa: PT017 - any other error fails the test as well


@pytest.mark.parametrize(("read", "error"), READERS)
@pytest.mark.parametrize("kind", [b"zTXt", b"iTXt", b"iCCP", b"eXIf"])
def test_a_small_picture_with_a_large_note_in_it_is_read_or_refused(read, error, kind):
    packed = zlib.compress(bytes(200_000_000), 9)
    bodies = {b"zTXt": b"a\0\0" + packed, b"iTXt": b"a\0\1\0\0\0" + packed, b"iCCP": b"a\0\0" + packed}
    whole = picture("PNG")
    bent = whole[:33] + chunk(kind, bodies.get(kind, bytes(200_000))) + whole[33:]
    try:
        read(bent)
    except error as err:
        assert len(str(err)) < 120  # noqa: PT017


def test_a_phones_jpeg_with_a_second_picture_in_it_is_read():
    """Phones put a preview behind the picture; Pillow calls such a file MPO."""
    out = io.BytesIO()
    Image.new("RGB", (80, 60), "white").save(
        out, "MPO", save_all=True, append_images=[Image.new("RGB", (20, 15), "black")]
    )
    with Image.open(io.BytesIO(photos.upright(out.getvalue()))) as kept:
        assert kept.size == (80, 60)

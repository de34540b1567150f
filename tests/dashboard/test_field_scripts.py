"""What the field pages work out by themselves, run by the engine that the browser tests bring along."""

import base64
import io
import json
import os
import subprocess
from pathlib import Path

import playwright
import pytest
from PIL import Image

from baulk.ingest import photos

FIELD = Path(__file__).parents[2] / "dashboard" / "field"
NODE = Path(playwright.__file__).parent / "driver" / "node"
HOUR_MS = 3_600_000


def run(script, *, zone="UTC", **given):
    """Run a module's script; what it returns comes back as JSON."""
    told = f"const given = {json.dumps(given)};\n{script}"
    done = subprocess.run(
        [NODE, "--input-type=module", "-e", told],
        cwd=FIELD, env={**os.environ, "TZ": zone}, capture_output=True, text=True, check=False, timeout=30,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-600:]
    return json.loads(done.stdout)


def stop(tag, place="shed", pins_ms=None, weight_ms=None):
    read = {name: at for name, at in (("pins", pins_ms), ("weight", weight_ms)) if at is not None}
    return {"tag": tag, "place": place, "read_ms": read}


def entry(tag, at_ms, kind="pins", **more):
    return {"tag": tag, "kind": kind, "at_ms": at_ms, **more}


def order(stops, by, kind="pins", only="", entries=(), ahead_ms=0):
    script = """
        const { lined } = await import(`${process.cwd()}/walk_order.js`);
        const { yard, order, kind, entries } = given;
        console.log(JSON.stringify(lined(yard, order, kind, entries).map((one) => one.tag)));
    """
    yard = {"stops": stops, "ahead_ms": ahead_ms}
    return run(script, yard=yard, order={"by": by, "only": only}, kind=kind, entries=list(entries))


STOPS = [
    stop("FER-1", pins_ms=5 * HOUR_MS, weight_ms=1 * HOUR_MS),
    stop("FER-2", pins_ms=2 * HOUR_MS, weight_ms=9 * HOUR_MS),
    stop("FER-3", place="loft"),
    stop("FER-4", place="loft", pins_ms=3 * HOUR_MS),
]


@pytest.mark.parametrize(
    ("asked", "wanted"),
    [
        ({"by": "place"}, ["FER-1", "FER-2", "FER-3", "FER-4"]),
        ({"by": "longest"}, ["FER-3", "FER-2", "FER-4", "FER-1"]),  # never read comes first
        ({"by": "longest", "only": "loft"}, ["FER-3", "FER-4"]),
        ({"by": "longest", "kind": "weight"}, ["FER-3", "FER-4", "FER-1", "FER-2"]),
        # what this phone has read and not sent yet counts, an undone one and another kind do not
        (
            {"by": "longest", "entries": [entry("FER-3", 8 * HOUR_MS)]},
            ["FER-2", "FER-4", "FER-1", "FER-3"],
        ),
        (
            {
                "by": "longest",
                "entries": [entry("FER-3", 8 * HOUR_MS, undo=True), entry("FER-2", 9e9, "weight")],
            },
            ["FER-3", "FER-2", "FER-4", "FER-1"],
        ),
        # a phone whose clock is a day behind: its reading is still the newest
        (
            {"by": "longest", "entries": [entry("FER-2", -18 * HOUR_MS)], "ahead_ms": 24 * HOUR_MS},
            ["FER-3", "FER-4", "FER-1", "FER-2"],
        ),
    ],
)  # fmt: skip
def test_longest_without_a_reading_names_the_right_timbers(asked, wanted):
    assert order(STOPS, **asked) == wanted


def test_the_next_timber_is_one_that_was_not_read_on_this_walk():
    script = """
        const { next } = await import(`${process.cwd()}/walk_order.js`);
        const { stops } = given, after = (from, read) => stops[next(stops, from, new Set(read))].tag;
        console.log(JSON.stringify([
          after(0, []), after(0, ["FER-2"]), after(2, ["FER-4", "FER-1"]),
          after(3, stops.map((one) => one.tag)),
        ]));
    """
    assert run(script, stops=STOPS) == ["FER-2", "FER-3", "FER-2", "FER-1"]


@pytest.mark.parametrize(
    ("zone", "said"),
    [
        # read at 23:30 in Lisbon's summer, looked at 00:30: a day by that clock, the same day by UTC
        ("Europe/Lisbon", "yesterday"),
        ("UTC", "1 h ago"),
        # 15:30 and 16:30 in Los Angeles, where UTC's day changes between the two in winter only
        ("America/Los_Angeles", "1 h ago"),
    ],
)
def test_today_on_the_walk_is_the_calendar_of_whoever_walks(zone, said):
    script = """
        const { ago } = await import(`${process.cwd()}/measure.js`);
        console.log(JSON.stringify(ago(Date.parse(given.read), Date.parse(given.now))));
    """
    assert run(script, zone=zone, read="2026-07-10T22:30:00Z", now="2026-07-10T23:30:00Z") == said


@pytest.mark.parametrize(
    ("settings", "origin", "said"),
    [
        (None, "http://yard.local:8501", ""),
        ("https://yard.example", "https://yard.example", ""),
        (None, "http://127.0.0.1:8501", "which only the shop's machine reaches: open these pages"),
        ("http://localhost:8501", "http://192.168.1.5:8501", "set url under [dashboard]"),
        ("http://old-laptop:8501", "http://192.168.1.5:8501", "open at http://192.168.1.5:8501"),
    ],
)
def test_the_phone_says_why_a_code_would_not_open_there(settings, origin, said):
    script = """
        const { doubt } = await import(`${process.cwd()}/label_code.js`);
        console.log(JSON.stringify(doubt(given.settings, given.origin)));
    """
    told = run(script, settings=settings, origin=origin)
    assert (said in told) if said else told == ""


@pytest.mark.parametrize(
    ("made", "comes"),
    [
        ({"state": "sent"}, True),
        ({"state": "waiting"}, False),  # another phone may have its tag
        ({"state": "asks"}, False),
        ({"state": "sent", "undo": True}, False),
        (None, False),
    ],
)
def test_a_label_comes_by_itself_as_a_file_once_its_timber_was_sent(made, comes):
    script = """
        const { ready, take } = await import(`${process.cwd()}/label_code.js`);
        const done = [], link = { click: () => done.push("taken"), remove: () => done.push("gone") };
        const body = { append: () => done.push("there") };
        const page = { createElement: (kind) => { done.push(kind); return link; }, body };
        if (ready(given.made)) take("FER 6", page);
        console.log(JSON.stringify([done, link.href ?? null, link.download ?? null, link.target ?? null]));
    """
    done = [["a", "there", "taken", "gone"], "/field/label?tag=FER%206", "FER 6.pdf", None]
    assert run(script, made=made) == (done if comes else [[], None, None, None])


def test_a_night_when_the_clocks_change_is_no_day():
    script = """
        const { ago } = await import(`${process.cwd()}/measure.js`);
        console.log(JSON.stringify(ago(Date.parse(given.read), Date.parse(given.now))));
    """
    # the night of 25 October 2026 has 25 hours in Lisbon
    told = {"read": "2026-10-24T22:00:00Z", "now": "2026-10-26T22:00:00Z"}
    assert run(script, zone="Europe/Lisbon", **told) == "2 days ago"


EXIF, GPS, ORIENTATION, MODEL, LENS, FOCAL = 0x8769, 0x8825, 0x0112, 0x0110, 0x920A, 0xA405


def camera_s(*, focal=None, endian="<", notes=True, kind="JPEG"):
    """A camera's picture, with the notes of more than its focal length."""
    noted, out = Image.Exif(), io.BytesIO()
    noted.endian = endian
    if notes:
        noted[MODEL], noted[ORIENTATION] = "a telephone", 6
        noted.get_ifd(GPS)[1] = "N"
        noted.get_ifd(EXIF)[LENS] = 5.4
    if focal is not None:
        noted.get_ifd(EXIF)[FOCAL] = focal
    Image.new("RGB", (48, 36), "tan").save(out, kind, exif=noted)
    return out.getvalue()


def through_the_phone(original, drawn):
    """What the phone reads of a camera's picture, and what its canvas made of it with that noted."""
    script = """
        const { focal_mm, noting } = await import(`${process.cwd()}/picture.js`);
        const bytes = (told) => Uint8Array.from(Buffer.from(told, "base64")).buffer;
        const focal = focal_mm(bytes(given.original)), drawn = bytes(given.drawn);
        const sent = focal === null ? drawn : noting(drawn, focal);
        console.log(JSON.stringify({ focal, sent: Buffer.from(sent).toString("base64") }));
    """
    told = run(script, **{name: base64.b64encode(each).decode() for name, each in
                          (("original", original), ("drawn", drawn))})  # fmt: skip
    return told["focal"], base64.b64decode(told["sent"])


def canvas_s():
    out = io.BytesIO()
    Image.new("RGB", (40, 30), "tan").save(out, "JPEG")
    return out.getvalue()


def test_the_focal_length_is_read_where_the_canvas_wrote_notes_of_its_own():
    focal, sent = through_the_phone(camera_s(focal=26), camera_s())
    assert focal == 26
    assert photos.focal_px(sent, (40, 30)) == pytest.approx(26 / 43.27 * 50, abs=0.01)


@pytest.mark.parametrize("endian", ["<", ">"])
def test_a_picture_sent_from_the_yard_keeps_its_focal_length_and_no_other_note(endian):
    focal, sent = through_the_phone(camera_s(focal=26, endian=endian), canvas_s())
    assert focal == 26
    # as the shop reads it on its way in, and again of the file that is kept: 26 of 43.27 mm of the diagonal
    assert photos.focal_px(sent, (40, 30)) == pytest.approx(26 / 43.27 * 50, abs=0.01)
    assert photos.focal_px(photos.upright(sent), (40, 30)) == photos.focal_px(sent, (40, 30))
    with Image.open(io.BytesIO(sent)) as opened:
        opened.load()
        noted = opened.getexif()
        assert opened.size == (40, 30)
        assert set(noted) == {EXIF}
        assert dict(noted.get_ifd(EXIF)) == {FOCAL: 26}


@pytest.mark.parametrize(
    "original",
    [
        pytest.param(camera_s(), id="other notes alone"),
        pytest.param(camera_s(notes=False), id="no note"),
        pytest.param(camera_s(focal=26, kind="PNG"), id="no JPEG"),
        pytest.param(camera_s(focal=26)[:40], id="cut off"),
        pytest.param(b"\xff\xd8\xff\xe1\x00\x00" * 9, id="a segment without a length"),
        pytest.param(b"", id="nothing"),
    ],
)
def test_a_picture_without_a_focal_length_is_sent_as_it_was_drawn(original):
    drawn = canvas_s()
    assert through_the_phone(original, drawn) == (None, drawn)

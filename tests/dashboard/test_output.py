"""What commands print for people: a screen of 80 columns, a line a timber, words for codes."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.wire.message import RawMessage
from baulk.models.section import Face
from baulk.models.timber import Event, EventKind, Place

NOW = datetime.now(UTC).replace(microsecond=0)
LISTS = [
    ("timber", "list"),
    ("timber", "list", "--retired"),
    ("timber", "show", "FER-01"),
    ("timber", "history", "FER-01"),
    ("timber", "sensors"),
    ("place", "list"),
    ("reading", "list", "FER-01"),
    ("reading", "list", "shed", "--air", "--days", "1"),
    ("quarantine", "list"),
    ("quarantine", "groups"),
    ("sensor", "list"),
    ("sensor", "clock"),
    ("notices",),
    ("doctor",),
    ("verdict",),
    ("verdict", "--why"),
]
BINDING = [
    {"code": "calibration.swapped", "values": {"tags": ["FER-01", "FER-02"], "since_utc": NOW.isoformat()}},
    {"code": "verdict.settle_first", "values": {}},
]


def told(folder, *words, columns="80"):
    done = CliRunner().invoke(
        commands.build((words[0],)), [*words], env={"BAULK_SHOP": str(folder), "COLUMNS": columns}
    )
    assert done.exit_code == 0, (words, done.output, done.exception)
    return done.stdout


def with_reasons(folder, reasons):
    """Have each stored evaluation give these reasons, codes by tag."""
    with shops.open(folder) as opened:
        for tag, coded in reasons.items():
            made_utc, payload = opened.store.evaluation(tag)
            body = json.loads(payload)
            body["verdict"] |= {"reasons_coded": coded, "reasons": ["in the shop's words"] * len(coded)}
            opened.store.save_evaluation(tag, made_utc, json.dumps(body).encode())


def gaps(days):
    return {
        "code": "climate.gaps",
        "values": {"place": "shed", "gaps": 2, "days": float(days), "longest_days": 9.0},
    }


@pytest.fixture
def full(shop_folder):
    """A shop in which every list has something to show, long names and long reasons among it."""
    with shops.open(shop_folder, durable=True) as opened:
        opened.register.save_place(
            Place(name="drying-loft-north", kind="room", x_m=3.0, y_m=12.0, width_m=9.1, depth_m=6.1,
                  volume_m3=181.0, air_changes_per_h=0.4, note="two doors, one of them always open")
        )  # fmt: skip
        operations.attach_sensor(
            opened, "S7", "FER-01", now_utc=NOW, depth_mm=44.45, face=Face.B, from_end_mm=304.8, by="Ida"
        )
        operations.add_event(
            opened,
            Event(tag="FER-01", kind=EventKind.MOVED, at_utc=NOW, noted_utc=NOW, by="the crane driver",
                  detail={"from": "shed", "to": "drying-loft-north"}, note="out of the way of the mill"),
        )  # fmt: skip
        raw = RawMessage(
            topic="baulk/v1/reedmouth-ferry-yard/timber/FER-99", payload=b'{"n": "pin-45/b/moisture"}' * 3,
            arrived_utc=NOW,
        )  # fmt: skip
        opened.store.quarantine(raw, reason="no timber called 'FER-99'; `baulk timber add FER-99` enters it")
    return shop_folder


@pytest.mark.parametrize(
    "words",
    [
        ("emc", "--temp", "16C", "--rh", "70"),
        ("size", "6x6in", "--species", "white oak", "--from", "30", "--to", "15"),
        ("plan", "size", "FER-01"),
        ("timber", "show", "FER-01"),
        ("reading", "meter"),
        ("doctor",),
    ],
    ids=" ".join,
)
def test_a_sentence_is_broken_for_a_screen_and_whole_for_a_file(full, words, monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    assert max(map(len, told(full, *words).splitlines())) <= 80
    piped = told(full, *words, columns=None)
    assert max(map(len, piped.splitlines())) > 80
    assert "".join(told(full, *words).split()) == "".join(piped.split())


@pytest.mark.parametrize("words", LISTS, ids=" ".join)
def test_a_list_fits_a_screen_of_80_columns_without_a_broken_word(full, words):
    narrow, wide = told(full, *words), told(full, *words, columns="300")
    tables = [line for line in narrow.splitlines() if not line.startswith(("  - ", "  next: ", "baulk "))]
    for line in (line for line in tables if "messengers" not in line):
        assert len(line.rstrip()) <= 80, line
    parts = re.compile(r"\s+|(?<=[A-Za-z]-)(?=[A-Za-z]{2})")  # a word may be broken at a hyphen
    short = {word for word in parts.split(wide) if len(word) <= 24}
    assert short - set(parts.split(narrow)) == set()


def test_every_timber_is_one_line_and_what_is_of_the_shed_is_said_once(shop_folder):
    damp = {"code": "climate.mould", "values": {"place": "shed", "days": 28, "damp_share": 0.4}}
    with_reasons(shop_folder, {"FER-01": [damp, gaps(12)], "FER-02": [gaps(31), damp], "FER-03": [gaps(3)]})
    said = told(shop_folder, "verdict")
    for tag in ("FER-01", "FER-02", "FER-03", "FER-04", "FER-05"):
        assert said.partition("Of the shed")[0].count(tag) == 1
    assert len(said.partition("Of the shed")[0].strip().splitlines()) == 3 + 5
    shed = said.partition("Of the shed and the yard:")[2]
    assert shed.count("  - ") == 2
    assert "31 days (the longest 9) since FER-02 came" in shed
    assert max(map(len, told(shop_folder, "verdict", "--why").splitlines())) <= 100
    assert "12 days" not in said
    assert "Squared now" not in said
    assert told(shop_folder, "verdict", "--why").count("31 days") == 1
    assert "31 days" not in told(shop_folder, "verdict", "FER-01")


def test_the_reasons_are_at_most_five_and_what_puts_the_verdict_in_doubt_leads(shop_folder):
    plain = [{"code": "verdict.few_readings", "values": {"used": n, "needed": 9}} for n in range(1, 8)]
    with_reasons(shop_folder, {"FER-01": [*plain, BINDING[0]]})
    said = told(shop_folder, "verdict", "FER-01", columns="400").partition("\nFER-01: leave\n")[2]
    reasons = [line for line in said.splitlines() if line.startswith("  - ")]
    assert len(reasons) == 5
    assert "FER-02" in reasons[0]
    assert "only one usable reading" in reasons[1]
    assert "and 3 more" in said
    assert "next: " in said
    whole = json.loads(told(shop_folder, "verdict", "FER-01", "--json"))
    assert len(whole[0]["verdict"]["reasons_coded"]) == 8


def test_why_is_said_of_every_timber_that_has_a_verdict(shop_folder):
    said = told(shop_folder, "verdict", "--why")
    assert said.count("next: ") == 4
    assert "Squared now" not in told(shop_folder, "verdict")


def test_a_series_is_told_in_words_and_not_as_a_code(shop_folder, tmp_path):
    added = told(
        shop_folder, "reading", "add", "FER-01", "moisture", "23.5", "--depth", "1 3/4 in", "--face", "b"
    )
    assert "stored: pins 1 3/4 in deep in face b of FER-01: 23.5 %" in added
    listed = told(shop_folder, "reading", "list", "FER-01")
    assert "pins 1 1/4 in deep, face b" in listed
    file = tmp_path / "all.csv"
    told(shop_folder, "export", "readings", "FER-01", "-o", str(file))
    brought = told(shop_folder, "reading", "import", str(file))
    assert "pins 1 3/4 in deep" in brought
    assert "in face b of FER-01" in brought  # the column is narrow and breaks there
    for said in (added, listed, brought):
        assert not re.search(r"timber/|pin-\d|/moisture", said), said

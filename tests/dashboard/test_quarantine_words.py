"""Quarantine from the command line, word by word: what a person reads there and what each order answers."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import pipeline
from baulk.ingest import shop as shops
from baulk.ingest.wire.message import RawMessage
from baulk.models.errors import OutOfRange

NOW = datetime.now(UTC).replace(microsecond=0)
AT = NOW - timedelta(hours=2)
TOPIC = "baulk/v1/reed-yard/timber/{}"
WIDE = {"inch": "The opening of 1 9/16 in is unusual", "metric": "The opening of 40 mm is unusual"}
OAK = (
    "timber", "add", "OAK-1", "--species", "white oak", "--size", "203 x 197 mm", "--finished", "152x152 mm",
    "--length", "3.6 m", "--use", "backbone-above-water", "--at", "2026-01-05", "--yes",
)  # fmt: skip


def weight(tag, kg):
    pack = [{"n": "weight", "u": "kg", "v": kg, "t": AT.timestamp()}]
    return RawMessage(topic=TOPIC.format(tag), payload=json.dumps(pack).encode(), arrived_utc=NOW)


@pytest.fixture(scope="module")
def app():
    return commands.build(("timber", "quarantine"))


@pytest.fixture
def here(app, tmp_path, request, monkeypatch):
    """A shop with one message of each kind that waits; run a command on it at 80 columns."""
    units = getattr(request, "param", "inch")
    folder = shops.init(tmp_path / "shop", name="Reed yard", units=units)
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("USER", "ben")

    def run(*words):
        done = CliRunner().invoke(app, list(words), env={"BAULK_SHOP": str(folder)}, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done.stdout

    run(*OAK)
    check = {"kind": "checked", "at_utc": AT.isoformat(), "detail": {"face": "a", "width_mm": 40}}
    with shops.open(folder) as opened:
        for one in (
            weight("OAK-1", 150.0),
            weight("OAK-1", 151.5),  # another value at the same moment
            weight("NEW-7", 96.4),
            RawMessage(topic=TOPIC.format("OAK-1"), payload=b"\xff\x1b[31m", arrived_utc=NOW),
            RawMessage(
                topic=TOPIC.format("OAK-1") + "/event", payload=json.dumps(check).encode(), arrived_utc=NOW
            ),
        ):
            pipeline.handle(one, opened)
    run.units = units
    return run


def number(here, cause):
    (row,) = json.loads(here("quarantine", "list", "--cause", cause, "--json"))
    return str(row["number"])


@pytest.mark.parametrize("here", ["inch", "metric"], indirect=True)
def test_each_message_says_where_it_came_from_and_why_it_waits(here):
    told = here("quarantine", "list")
    assert told.startswith("4 messages in quarantine\n")
    assert max(map(len, told.splitlines())) <= 80
    assert "\x1b" not in told
    said = " ".join(told.split())
    assert WIDE[here.units] in said
    assert WIDE[{"inch": "metric", "metric": "inch"}[here.units]] not in said
    assert "no timber called 'NEW-7'" in said
    assert f"{TOPIC.format('OAK-1')}/event" in told
    one = here("quarantine", "list", "--cause", "unlikely")
    assert one.startswith("1 message in quarantine\n")


def test_causes_come_with_their_last_reason_and_their_size(here):
    told = here("quarantine", "groups")
    assert max(map(len, told.splitlines())) <= 80
    said = " ".join(told.split())
    assert "not-understood baulk/v1/reed-yard/timber/OAK-1 1 message, 6 bytes, the last " in said
    assert "clash timber/OAK-1/weight 1 message, " in said
    assert "weight of OAK-1 at " in said


def test_a_retry_says_before_and_after_what_comes_of_it(here):
    unlikely = number(here, "unlikely")
    assert here("quarantine", "retry", "--preview").startswith(
        "0 messages would be read, with 0 readings; 4 would stay\nthe first that stays: no timber called"
    )
    assert here("quarantine", "retry").startswith("0 readings came out of quarantine; 4 messages stay\n")
    sure = ("quarantine", "retry", unlikely, "--by", "Ida", "--yes")
    assert here(*sure, "--preview") == "1 message would be read, with 1 event; 0 would stay\n"
    assert "check in face a" not in here("timber", "history", "OAK-1")
    assert here(*sure) == "1 event came out of quarantine; 0 messages stay\n"
    assert "check in face a: 1.57 in wide (taken as right by" in here("timber", "history", "OAK-1")


def test_a_clash_is_settled_by_hand_and_the_other_value_lies_there_then(here):
    said = here("quarantine", "settle", number(here, "clash"), "--take", "other")
    assert said == f"weight of OAK-1 at {AT:%Y-%m-%d %H:%M}: 334 lb\n"
    assert "is stored as 334 lb already and came again as 331 lb" in " ".join(
        here("quarantine", "list").split()
    )


def test_what_is_discarded_says_how_much_and_why(here, tmp_path):
    said = here("quarantine", "export", "-o", str(tmp_path / "q.csv"))
    assert " ".join(said.split()).endswith("q.csv: 4 messages")
    broken = ("quarantine", "discard", "--cause", "not-understood")
    assert here(*broken, "--note", "a loose wire") == "1 message discarded: a loose wire\n"
    assert here("quarantine", "list").startswith("3 messages in quarantine\n")
    for words, why in (
        (broken, "--note is empty"),
        ((*broken[:2], "--note", "all"), "what to discard is not said"),
    ):
        with pytest.raises(OutOfRange, match=why):
            here(*words)

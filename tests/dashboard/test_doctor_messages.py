"""`baulk doctor` in a shop: the last message of each topic and what was made of it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import pipeline, routing
from baulk.ingest import shop as shops
from baulk.ingest.mqtt import last_messages
from baulk.ingest.wire import RawMessage
from baulk.models.timber import Place

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


@pytest.fixture
def yard_dir(shop_dir):
    path = shop_dir / "baulk.toml"
    more = (
        '\n[[source]]\ntopic = "loft/+"\nformat = "plain"\nquantity = "temp"\nunit = "degC"\nplace = "{1}"\n'
    )
    path.write_text(path.read_text() + more + more.replace("loft/+", "attic/+"))
    with shops.open(shop_dir) as opened:
        for name in ("north", "south", "shed"):
            opened.register.save_place(Place(name=name))
        memory = last_messages.Heard(opened, "baulk-test-yard")
        for topic, payload in (
            ("loft/north", b"21.5"),
            ("loft/north", b"22"),
            ("loft/south", b"\x1b[31mwarm"),
            ("baulk/v1/test-yard/air/shed", b'[{"n":"humidity","u":"%RH","v":99.5}]'),
        ):
            raw = RawMessage(topic=topic, payload=payload, arrived_utc=NOW)
            pipeline.handle_batch([raw], opened, heard=memory.last)
        memory.write(now=True)
    return shop_dir


def doctor(folder, *words):
    run = CliRunner().invoke(
        commands.build(["doctor"]), ["doctor", *words], env={"BAULK_SHOP": str(folder), "COLUMNS": "240"}
    )
    assert run.exit_code == 0, run.output
    return run.stdout


def test_each_topic_is_told_with_its_last_message_and_what_became_of_it(yard_dir):
    told = json.loads(doctor(yard_dir, "--json"))
    by_topic = {one["topic"]: one for one in told["messages"]}
    assert by_topic["loft/north"]["readings"] == ["air/north/temp = 22 degC at 2026-05-14 09:30:00"]
    assert (by_topic["loft/north"]["source"], by_topic["loft/north"]["size"]) == ("loft/+", 2)
    assert "not a number" in by_topic["loft/south"]["reason"]
    assert by_topic["loft/south"]["payload"] == "\\x1b[31mwarm"
    (humid,) = by_topic["baulk/v1/test-yard/air/shed"]["readings"]
    assert humid.endswith("[wet-sensor]")
    assert by_topic["baulk/v1/test-yard/air/shed"]["source"] == "ours"
    assert told["silent"] == ["attic/+"]


def test_the_table_names_them_all(yard_dir):
    shown = doctor(yard_dir)
    assert "loft/north" in shown
    assert "quarantine:" in shown
    assert "nothing was ever heard on attic/+" in shown
    assert "air temperature in north: 72 °F at 2026-05-14" in shown  # the shop's, not the wire's
    assert "degC" not in shown


def test_a_flood_of_topics_keeps_the_newest(yard_dir):
    with shops.open(yard_dir) as opened:
        memory = last_messages.Heard(opened, "baulk-test-yard")
        for number in range(700):
            raw = RawMessage(
                topic=f"loft/n{number}", payload=b"20", arrived_utc=NOW + timedelta(seconds=number)
            )
            memory.last[raw.topic] = (raw, routing.Routed())
        memory.write(now=True)
        kept = last_messages.last_messages(opened)
    assert len(kept) == 300
    assert kept[0].topic == "loft/n699"


def yard_note(tag="FER-01"):
    """A note of what the yard knows, in which one timber speaks."""
    origin = {
        "species": "white oak", "arrived_utc": NOW.isoformat(), "arrived_at": "shed", "place": "shed",
        "meter": "hand-held meter",
    }  # fmt: skip
    row = {
        "tag": tag,
        "fitted_utc": NOW.isoformat(),
        "origin": origin,
        "says": {"ln_d": [-0.6, 0.2]},
        "together": None,
    }
    body = {"format": 2, "made_utc": NOW.isoformat(), "taught": [row], "records": {}}
    return json.dumps(body).encode()


def test_it_tells_what_the_yard_has_learned_unless_that_is_switched_off(yard_dir, oak):
    assert json.loads(doctor(yard_dir, "--json"))["learned"] is None
    with shops.open(yard_dir) as opened:
        opened.register.add(oak)
        opened.store.note("yard", yard_note())
    assert "White oak of a new lot is expected to dry 0." in (shown := doctor(yard_dir))
    assert "From 1 timber.\n" in shown
    told = json.loads(doctor(yard_dir, "--json"))["learned"]
    (lesson,) = told["lessons"]
    assert (lesson["kind"], lesson["about"], lesson["timbers"]) == ("wood", "white oak", 1)
    assert told["made_utc"] == NOW.isoformat()
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text() + "\n[learning]\nfrom_yard = false\n")
    assert "new lot" not in doctor(yard_dir)

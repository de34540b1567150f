"""A new sensor from the command line: what was heard, mapped, tried, taken out and in, taken back."""

from __future__ import annotations

import json
import tomllib
from datetime import UTC, datetime, timedelta

import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.pairing import asked
from baulk.ingest.pairing.ring import Ring, written
from baulk.ingest.store import mappings
from baulk.ingest.wire import topics
from baulk.ingest.wire.source import Source
from baulk.models.quantity import Owner
from baulk.models.timber import Place

HUMID = ("radio/7/up", "--path", "air.rh", "--quantity", "humidity", "--unit", "percent", "--place", "loft")


@pytest.fixture
def heard(shop_dir):
    """A shop whose listener has just heard a sensor that nobody knows."""
    now = datetime.now(UTC)
    with shops.open(shop_dir) as shop:
        operations.add_place(shop, Place(name="loft"))
        asked.begin(shop.store, now)
        ring = Ring()
        for minute, value in ((4, 610), (2, 605)):
            body = json.dumps({"air": {"rh": value}, "bat": 3.1}).encode()
            ring.add("radio/7/up", body, now - timedelta(minutes=minute), retained=False)
        shop.store.note(asked.HEARD, written(ring, now, None))
    return shop_dir


@pytest.fixture
def baulk(heard):
    app = commands.build(["sensor", "export"])

    def run(*words, fails=None):
        done = CliRunner().invoke(
            app, list(words), env={"BAULK_SHOP": str(heard), "COLUMNS": "200", "USER": "Ana"}
        )
        if fails:
            assert fails in str(done.exception)
        else:
            assert done.exit_code == 0, done.output
        return done.stdout

    return run


def test_a_sensor_is_tried_mapped_listed_taken_out_in_and_back(baulk, heard, tmp_path):
    said = baulk("sensor", "map", *HUMID, "--also", "scale = 0.1", "--preview", "--json")
    assert [one["readings"][0]["value"] for one in json.loads(said)["messages"]] == [61.0, 60.5]
    assert "air/loft/humidity = 61 %RH" in baulk(
        "sensor", "map", *HUMID, "--also", "scale = 0.1", "--preview"
    )
    with shops.open(heard) as shop:
        assert mappings.all_of(shop.store) == []
    made = baulk("sensor", "map", *HUMID, "--also", "scale = 0.1", "--note", "by the door")
    assert "mapping 1 is kept" in made
    assert "2 readings of what was heard came in with it" in made
    with shops.open(heard) as shop:
        assert [one.value for one in shop.store.readings(Owner.AIR, "loft")] == [61.0, 60.5]
    assert "humidity in percent" in baulk("sensor", "mappings")
    out = tmp_path / "mappings.csv"
    baulk("export", "mappings", "-o", str(out))
    assert "1 mappings" not in baulk("sensor", "unmap", "1")
    baulk("sensor", "unmap", "1", fails="mapping in force")
    assert "0 mappings" in baulk("sensor", "mappings")
    row = json.loads(baulk("sensor", "mappings", "--gone", "--json"))[0]
    assert (row["by"], row["undone_by"], row["note"]) == ("Ana", "Ana", "by the door")
    assert json.loads(baulk("sensor", "map", "--file", str(out), "--json")) == []  # it is here, taken back


def test_a_topic_replaces_another_with_what_was_heard_of_it(baulk, heard):
    baulk("sensor", "map", *HUMID, "--also", "scale = 0.1")
    with shops.open(heard) as shop:
        now, ring = datetime.now(UTC), Ring()
        ring.add("radio/9/up", b'{"air": {"rh": 590}}', now, retained=False)
        shop.store.note(asked.HEARD, written(ring, now, None))
    said = baulk("sensor", "replace", "radio/7/up", "radio/9/up", "--at", "2026-01-05", "--json")
    assert json.loads(said)["readings"] == 1
    with shops.open(heard) as shop:
        assert [one.source.topic for one in mappings.all_of(shop.store)] == ["radio/9/up"]
        assert 59.0 in {one.value for one in shop.store.readings(Owner.AIR, "loft")}
    assert "with 1 mapping" in baulk("sensor", "replace", "radio/9/up", "radio/10/up")
    baulk("sensor", "replace", "radio/7/up", "radio/11/up", fails="radio/7/up")


def test_a_slip_of_the_pen_makes_no_new_place_and_waits_for_no_timber(baulk, heard):
    *same, _ = HUMID
    baulk("sensor", "map", *same, "lofft", fails="loft")
    pins = ("--path", "mc", "--quantity", "moisture", "--unit", "percent", "--depth", "40 mm", "--timber")
    baulk("sensor", "map", "radio/8/up", *pins, "NO-01", fails="NO-01")
    with shops.open(heard) as shop:
        assert mappings.all_of(shop.store) == []
    assert "no message of it was heard" in baulk("sensor", "map", "radio/8/up", *pins, "NO-01", "--yes")


def test_mappings_of_another_shop_come_in_with_who_and_when(baulk, tmp_path):
    baulk("sensor", "map", *HUMID, "--also", "scale = 0.1")
    out = tmp_path / "mappings.csv"
    baulk("export", "mappings", "-o", str(out))
    other = shops.init(tmp_path / "other", name="Other")
    app = commands.build(["sensor"])
    done = CliRunner().invoke(app, ["sensor", "map", "--file", str(out), "--shop", str(other), "--by", "Rui"])
    assert done.exit_code == 0, done.output
    with shops.open(other) as shop:
        (one,) = mappings.all_of(shop.store)
        assert (one.by, one.source.place) == ("Ana", "loft")
    out.write_text(out.read_text().replace('""humidity""', '""mood""'))
    baulk("sensor", "map", "--file", str(out), fails="line 2: the mapping, quantity")


def test_source_tables_come_in_from_toml_and_a_mistake_is_named(baulk, tmp_path):
    file = tmp_path / "new.toml"
    text = '[[source]]\ntopic = "a/+"\nformat = "plain"\nquantity = "door"\nunit = "ratio"\nplace = "loft"\n'
    file.write_text(text + "words = { open = 1, closed = 0 }\n")
    (row,) = json.loads(baulk("sensor", "map", "--file", str(file), "--json"))
    again = Source.model_validate(row["source"])
    assert again == Source.model_validate(tomllib.loads(file.read_text())["source"][0])
    file.write_text(text.replace("ratio", "degC"))
    baulk(
        "sensor",
        "map",
        "--file",
        str(file),
        fails="new.toml, [[source]] 1: the mapping: unit 'degC' is not one",
    )


def test_a_pasted_message_is_decoded_beside_raw(baulk, heard):
    with shops.open(heard) as shop:
        ours = topics.own(Owner.AIR, "loft", shop.config.slug)
    said = baulk("sensor", "test", ours, '[{"n":"temp","u":"Cel","v":18.25}]')
    assert "air/loft/temp = 18.25 degC" in said
    mapped = ("--also", 'format="plain"\nquantity="temp"\nunit="degF"\nplace="loft"')
    assert "air/loft/temp = 20 degC" in baulk("sensor", "test", "x", "68", *mapped)
    bad = json.loads(baulk("sensor", "test", "x", "warm", *mapped, "--json"))
    assert "'warm', not a number" in bad[0]["problem"]
    assert "neither ours nor that of a [[source]]" in baulk("sensor", "test", "radio/7/up")


def test_a_mapping_that_reads_none_of_the_last_messages_is_kept_only_with_yes(baulk, heard):
    wrong = ["radio/7/up", "--path", "air.t", *HUMID[3:]]
    baulk("sensor", "map", *wrong, fails="none of the last messages on radio/7/up can be read so: there is")
    with shops.open(heard) as shop:
        assert mappings.all_of(shop.store) == []
    assert "mapping 1 is kept" in baulk("sensor", "map", *wrong, "--yes")


def test_the_list_has_each_sensor_with_its_health_and_the_accounts(baulk, heard):
    baulk("sensor", "map", *HUMID, "--also", "scale = 0.1")
    said = baulk("sensor", "list")
    assert "1 sensor" in said
    assert "loft" in said
    assert "battery" not in said  # of which nothing is known
    assert "nothing stands beside its humidity: wet cooking salt" in said
    assert "0 devices with an account" in said
    found = json.loads(baulk("sensor", "list", "--json"))
    assert [one["about"] for one in found["sensors"]] == ["air/loft"]
    assert found["accounts"] == []


def test_without_quantity_or_unit_nothing_is_guessed(baulk):
    baulk("sensor", "map", "radio/7/up", "--path", "air.rh", "--place", "loft", fails="nothing is guessed")
    baulk("sensor", "map", *HUMID[:-2], fails="needs one of tag")


def test_pairing_shows_what_is_heard(baulk, heard):
    said = json.loads(baulk("sensor", "pair", "--listen", "0", "--json"))
    assert (said["heard"], said["messages"]) == (False, [])  # no listener runs beside this test
    assert "no listener hears it" in baulk("sensor", "pair", "--listen", "0")
    baulk("sensor", "pair", "--stop")
    with shops.open(heard) as shop:
        assert asked.asked(shop.store, datetime.now(UTC)) is None


def test_the_schema_of_messages_is_printed(baulk):
    assert json.loads(baulk("export", "schema", "--messages")).keys() == {
        "verdict",
        "plan",
        "event",
        "weather",
    }
    assert "plan" not in json.loads(baulk("export", "schema"))

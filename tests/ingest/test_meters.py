"""`[[meter]]` in the settings reaches the fit, and every mistake in it is one sentence."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import pytest

from baulk.ingest import config, hand_readings, meters
from baulk.ingest import shop as shops
from baulk.ingest.errors import ConfigError
from baulk.ingest.store import notes
from baulk.models import species
from baulk.models.errors import BaulkError
from baulk.models.meter.profile import setting_for
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 1, 20, 12, tzinfo=UTC)


def load(tmp_path, text):
    (tmp_path / "baulk.toml").write_text(text)
    return config.load(tmp_path)


def test_a_meter_is_read_as_the_fit_takes_it(tmp_path):
    got = load(
        tmp_path,
        '[[meter]]\nseries = "timber/*/pin-*/moisture"\nset_to = "Douglas-fir"\nshown_pct = [10, 20]\n'
        'true_pct = [11, 23]\n[[meter]]\nkind = "capacitance"\nset_to_kg_m3 = 500',
    )
    pins, flat = (each.setting(species.BUILT_IN) for each in got.meter)
    assert pins.set_to.name == "Douglas-fir"
    assert pins.two_point.true_pct == (11, 23)
    assert pins.holds_for("timber/FER-01/pin-25/b/moisture")
    assert not pins.holds_for("timber/FER-01/weight")
    assert (flat.kind, flat.set_to_kg_m3, flat.series) == ("capacitance", 500, "*")


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("shown_pct = [10, 20]", "needs both shown_pct and true_pct"),
        ("shown_pct = [20, 10]\ntrue_pct = [11, 23]", "must rise by at least 3 points"),
        ('kind = "radar"', "pins"),
        ("set_to_kg_m3 = 500", "meters without pins"),
        ('kind = "capacitance"\nset_to = "white oak"', "set to a density"),
        ('kind = "capacitance"\ncorrects_temperature = true', "for meters with pins"),
        ('corrects_temperature = "perhaps"', "boolean"),
        ("set_to_kg_m3 = 5", "80"),
        ('wood = "fir"', "wood is not known; known: by_hand, corrects_temperature, kind, series, set_to"),
    ],
)
def test_a_mistake_in_a_meter_is_named(tmp_path, row, words):
    with pytest.raises(ConfigError, match=words) as caught:
        load(tmp_path, f"[[meter]]\n{row}")
    assert "\n" not in str(caught.value)


def test_a_meter_set_to_a_wood_nobody_knows_is_refused_when_it_is_used(tmp_path):
    got = load(tmp_path, '[[meter]]\nset_to = "unobtainium"')
    with pytest.raises(BaulkError, match="unobtainium"):
        got.meter[0].setting(species.BUILT_IN)


def taken(source, series="timber/FER-01/pin-25/b/moisture"):
    return Reading(series=Series.parse(series), value=14, taken_utc=NOW, arrived_utc=NOW, source=source)


def test_what_the_shop_answered_holds_for_readings_by_hand_alone():
    for answered in (True, False):
        given = meters.settings([], hand_corrects=answered, known=species.BUILT_IN)
        assert setting_for(taken("hand"), given).corrects_temperature is answered
        assert setting_for(taken("mqtt"), given).corrects_temperature is None
    assert meters.settings([], hand_corrects=None, known=species.BUILT_IN) == ()


def test_a_row_of_the_settings_has_the_last_word_and_the_answer_fills_what_it_leaves_open(tmp_path):
    rows = load(
        tmp_path,
        '[[meter]]\nseries = "timber/FER-01/*"\nset_to = "Douglas-fir"\n'
        '[[meter]]\nseries = "timber/FER-02/*"\ncorrects_temperature = false\n'
        '[[meter]]\nseries = "timber/FER-03/*"\nkind = "capacitance"',
    ).meter
    given = meters.settings(rows, hand_corrects=True, known=species.BUILT_IN)
    one, two, three = (f"timber/FER-0{n}/pin-25/moisture" for n in (1, 2, 3))
    by_hand = setting_for(taken("hand", one), given)
    assert (by_hand.set_to.name, by_hand.corrects_temperature) == ("Douglas-fir", True)
    by_sensor = setting_for(taken("mqtt", one), given)
    assert (by_sensor.set_to.name, by_sensor.corrects_temperature) == ("Douglas-fir", None)
    assert setting_for(taken("hand", two), given).corrects_temperature is False
    assert setting_for(taken("hand", three), given).kind == "capacitance"


def test_the_question_is_asked_until_it_is_answered_and_the_answer_can_be_changed(shop_dir):
    with shops.open(shop_dir) as shop:
        assert notes.hand_meter(shop.store) is None
        assert hand_readings.meter_is_open(shop)
        for answered in (None, True, False):  # "nobody knows" is an answer too
            said = notes.HandMeter(corrects_temperature=answered, answered_utc=NOW)
            notes.keep_hand_meter(shop.store, said)
            assert notes.hand_meter(shop.store) == said
            assert not hand_readings.meter_is_open(shop)
    with shops.open(shop_dir) as shop:
        assert notes.hand_meter(shop.store) == said


def test_make_number_scale_and_end_of_the_scale_are_on_record_and_the_question_stays_open(shop_dir):
    record = notes.HandMeter(
        corrects_temperature=None, answered_utc=NOW, make="Reedmouth M2", number="17", scale="douglas fir",
        top_pct=26.0, asked=False,
    )  # fmt: skip
    with shops.open(shop_dir) as shop:
        hand_readings.keep_meter(shop, record)
        held = notes.hand_meter(shop.store)
        assert (held.make, held.number, held.scale) == ("Reedmouth M2", "17", "Douglas-fir")
        assert hand_readings.scale_end_pct(shop) == 26.0
        assert hand_readings.meter_is_open(shop)
        with pytest.raises(BaulkError, match="unobtainium"):
            hand_readings.keep_meter(shop, dataclasses.replace(record, scale="unobtainium"))
        assert notes.hand_meter(shop.store) == held
    with pytest.raises(BaulkError, match="between 15 and 120"):
        dataclasses.replace(record, top_pct=5.0)


def test_the_scale_on_record_holds_for_readings_by_hand_and_a_row_has_the_last_word(tmp_path):
    rows = load(tmp_path, '[[meter]]\nseries = "timber/FER-01/*"\nset_to = "white oak"').meter
    given = meters.settings(rows, hand_corrects=None, known=species.BUILT_IN, hand_set_to="Douglas-fir")
    other = "timber/FER-02/pin-25/moisture"
    assert setting_for(taken("hand", other), given).set_to.name == "Douglas-fir"
    assert setting_for(taken("hand"), given).set_to.name == "white oak"
    assert setting_for(taken("mqtt", other), given).set_to is None


@pytest.mark.parametrize("damaged", [b"", b"[]", b"{", b'{"corrects_temperature": "perhaps"}', b"7"])
def test_a_damaged_answer_is_asked_for_again(shop_dir, damaged):
    with shops.open(shop_dir) as shop:
        shop.store.note(notes.HAND_METER, damaged)
        assert notes.hand_meter(shop.store) is None
        assert hand_readings.meter_is_open(shop)


@pytest.mark.parametrize(
    ("rows", "open_still"),
    [
        ("[[meter]]\ncorrects_temperature = true", False),
        ('[[meter]]\nseries = "timber/*/pin-*/moisture"\ncorrects_temperature = false', False),
        ('[[meter]]\nkind = "capacitance"', False),
        ('[[meter]]\nset_to = "Douglas-fir"', True),
        ('[[meter]]\nseries = "timber/FER-01/*"\ncorrects_temperature = true', True),
    ],
)
def test_nobody_is_asked_what_the_settings_say(shop_dir, rows, open_still):
    file = shop_dir / "baulk.toml"
    file.write_text(file.read_text() + "\n" + rows)
    with shops.open(shop_dir) as shop:
        assert hand_readings.meter_is_open(shop) is open_still


def test_the_answer_is_part_of_what_an_evaluation_is_made_from(yard):
    from baulk.ingest.evaluation.gather import gather  # noqa: PLC0415 - half a second that the other tests do not need

    place = yard.register.list()[0].place
    for what, value in (("temp", 9.0), ("humidity", 70.0)):
        hand_readings.add(yard, Series.parse(f"air/{place}/{what}"), value, now_utc=NOW)

    def made():
        return gather(yard.register.list()[0].tag, yard, NOW)

    before = made()
    notes.keep_hand_meter(yard.store, notes.HandMeter(corrects_temperature=True, answered_utc=NOW))
    after = made()
    assert [each.corrects_temperature for each in after.wish.meters] == [True]
    assert after.fingerprint() != before.fingerprint()
    later = notes.HandMeter(corrects_temperature=True, answered_utc=NOW.replace(day=21))
    notes.keep_hand_meter(yard.store, later)
    assert made().fingerprint() == after.fingerprint()

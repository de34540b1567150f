"""One suite for every store."""

from __future__ import annotations

import csv
import io
import json
import sys
import zlib
from contextlib import closing, suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import influx_real

from baulk.ingest import correction_notes, corrections, decode_again, operations, pipeline, shop
from baulk.ingest.config import TOKEN
from baulk.ingest.exchange import export, import_readings, table_file
from baulk.ingest.store import STORES, evaluation_archive, open_store, turns
from baulk.ingest.store.moments import to_us
from baulk.ingest.store.rejected import Cause, Rejected, Which
from baulk.ingest.wire import RawMessage
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Place, Timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
HOUR = timedelta(hours=1)
RAW = RawMessage(topic="t", payload=b"\xff\x00", arrived_utc=NOW, retained=True)


def one(text="timber/FER-01/weight", value=96.5, taken=NOW, arrived=None, **more):
    return Reading(
        series=Series.parse(text), value=value, taken_utc=taken, arrived_utc=arrived or taken, **more
    )


def oak(tag="FER-01", place="shed"):
    return Timber(
        tag=tag,
        species="white oak",
        section=Section(width_mm=203, depth_mm=178),
        length_mm=2700,
        finished=Finished(width_mm=152, depth_mm=152),
        use_class="frame-outdoors",
        place=place,
        arrived_utc=NOW,
    )


def folder_of(kind, request, tmp_path):
    """Make a shop folder whose settings name this store."""
    folder = shop.init(tmp_path / "yard", name="Ferry yard")
    path = folder / "baulk.toml"
    more = ""
    if kind == "postgres":
        more = f'\nurl = "{request.getfixturevalue("postgres_url")}"'
    if kind == "influx":
        server = request.getfixturevalue("influx")
        more = f'\nurl = "{server.url}"\norg = "{server.org}"'
    path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "{kind}"{more}'))
    return folder


@pytest.fixture
def influx(monkeypatch):
    """An InfluxDB server or its double, the token in the environment."""
    with influx_real.started("baulk", "baulk-kept") as server:
        monkeypatch.setenv(TOKEN, server.token)
        yield server


@pytest.fixture(params=sorted(STORES))
def opened(request, tmp_path):
    with shop.open(folder_of(request.param, request, tmp_path)) as yard:
        assert yard.config.store.kind == request.param
        yield yard


@pytest.fixture
def store(opened):
    return opened.store


def test_the_same_reading_twice_is_stored_once(store):
    assert (store.append([one()]), store.append([one()])) == (1, 0)
    assert store.readings(Owner.TIMBER, "FER-01") == [one()]


@pytest.mark.parametrize("count", [49, 50, 51, 230])
def test_of_many_readings_those_that_are_known_are_stored_once(store, count):
    many = [one(value=float(k), taken=NOW + timedelta(minutes=k)) for k in range(count)]
    assert store.append(many[40:41]) == 1
    assert store.append(many) == count - 1
    later = [replace(each, taken_utc=each.taken_utc + timedelta(days=1)) for each in many]
    assert store.append(later) == count
    assert len(store.read(many[0].series)) == 2 * count


def test_the_latest_of_some_series_come_in_one_answer(store):
    texts = [f"timber/FER-{k % 12:02d}/pin-{10 + k // 12}/moisture" for k in range(216)]
    store.append([one(text, 10.0 + k, NOW + timedelta(minutes=k)) for text in texts for k in range(2)])
    asked = [Series.parse(text) for text in (*texts[3:], "timber/FER-00/wood-temp")]
    found = {str(each.series): each.value for each in store.latest_of(asked)}
    assert found == dict.fromkeys(texts[3:], 11.0)


def test_a_reading_comes_back_as_it_went_in(store):
    odd = one(
        "timber/FER-01/pin-12.5/d/resistance",
        1.2345678901234567e9,
        NOW + timedelta(microseconds=1),
        NOW + HOUR,
        source="hand",
        flags=("clock", "jump"),
    )
    gauges = [
        one(f"timber/FER-01/{where}width", 200.5 + k) for k, where in enumerate(("", "c/", "end-600.5/"))
    ]
    store.append([odd, *gauges])
    assert sorted(store.latest(Owner.TIMBER, "FER-01"), key=lambda each: each.value) == [*gauges, odd]


def test_another_value_at_the_same_time_goes_to_quarantine(store):
    store.append([one(value=96.5)])
    for _ in range(2):
        assert store.append([one(value=97.5)]) == 0
    (row,) = store.quarantined()
    assert "stored as 96.5 kg already and came again as 97.5 kg" in row.reason


def test_readings_come_by_device_time_whatever_the_order_of_arrival(store):
    late, early = one(taken=NOW), one(taken=NOW - HOUR, arrived=NOW + HOUR)
    store.append([late])
    store.append([early])
    assert store.readings(Owner.TIMBER, "FER-01") == [early, late]
    assert store.readings(Owner.TIMBER, "FER-01", NOW) == [late]
    assert store.readings(Owner.TIMBER, "FER-01", None, early.taken_utc) == [early]
    assert store.latest(Owner.TIMBER, "FER-01") == [late]


def test_the_latest_of_every_timber_come_in_one_answer(store):
    store.append([one(taken=NOW + k * HOUR) for k in range(3)])
    store.append(
        [one("timber/FER-02/weight", 80), one("timber/FER-02/wood-temp", 9), one("air/shed/temp", 20)]
    )
    assert [(str(r.series), r.taken_utc) for r in store.latest(Owner.TIMBER)] == [
        ("timber/FER-01/weight", NOW + 2 * HOUR),
        ("timber/FER-02/weight", NOW),
        ("timber/FER-02/wood-temp", NOW),
    ]
    assert [r.value for r in store.latest(Owner.AIR)] == [20]


def test_a_series_reads_as_a_table_of_a_span_of_time(store):
    series = one().series
    store.append([one(value=90 + k, taken=NOW + k * HOUR) for k in range(5)])
    table = store.read(series, NOW + HOUR, NOW + 3 * HOUR)
    assert list(table.columns) == ["posix_s", "value", "flags"]
    assert table["value"].tolist() == [91, 92, 93]
    assert table["posix_s"].iloc[0] == (NOW + HOUR).timestamp()
    assert store.read(series, NOW + 9 * HOUR).empty


def test_daily_means_are_those_of_days_in_utc(store):
    midnight = NOW.replace(hour=0, minute=0)
    store.append([one(value=90 + k, taken=midnight + k * 8 * HOUR) for k in range(5)])
    store.append([one("air/shed/temp", 20)])
    found = store.daily_means(Owner.TIMBER)
    assert list(found.columns) == ["series", "posix_s", "mean", "count"]
    assert found["series"].tolist() == ["timber/FER-01/weight"] * 2
    assert found["posix_s"].tolist() == [midnight.timestamp(), (midnight + 24 * HOUR).timestamp()]
    assert (found["mean"].tolist(), found["count"].tolist()) == ([91, 93.5], [3, 2])
    assert len(store.daily_means()) == 3
    assert store.daily_means(Owner.AIR, "loft").empty


def test_series_are_listed_by_owner(store):
    store.append([one(), one("air/shed/temp", 20), one("timber/FER-02/weight", 80)])
    assert [str(s) for s in store.series()] == [
        "air/shed/temp",
        "timber/FER-01/weight",
        "timber/FER-02/weight",
    ]
    assert [str(s) for s in store.series(Owner.TIMBER, "FER-02")] == ["timber/FER-02/weight"]
    assert store.places() == ["shed"]


def test_air_joins_each_temperature_with_the_nearest_humidity(store):
    store.append(
        [
            one("air/shed/temp", 20, NOW),
            one("air/shed/humidity", 60, NOW + timedelta(minutes=2)),
            one("air/shed/temp", 21, NOW + HOUR),
            one("air/shed/humidity", 104, NOW + HOUR),
            one("air/shed/temp", 25, NOW + 5 * HOUR),  # no humidity within half an hour
        ]
    )
    air = store.air("shed")
    assert np.array_equal(air.temp_c, [20, 21])
    assert np.array_equal(air.rh_pct, [60, 100])
    assert store.air("shed", NOW + HOUR).posix_s.tolist() == [(NOW + HOUR).timestamp()]


def test_air_that_nobody_measured_is_refused_in_words(store):
    with pytest.raises(OutOfRange, match="the air of 'loft' has no temperature with a humidity near it"):
        store.air("loft")


def test_quarantine_keeps_every_byte_and_lists_the_newest_first(store):
    store.quarantine(RAW, "not JSON")
    store.quarantine(RawMessage(topic="u\ud800", payload=b"", arrived_utc=NOW), "why", waits_for="FER-09")
    newest, oldest = store.quarantined()
    assert (oldest.raw, oldest.reason, oldest.waits_for) == (RAW, "not JSON", None)
    assert newest.waits_for == "FER-09"
    assert [row.number for row in store.quarantined(which=Which(waits_for="FER-09"))] == [newest.number]
    assert store.quarantine_count() == 2
    store.release(oldest.number)
    assert [row.number for row in store.quarantined(after=0)] == [newest.number]


def test_the_same_message_with_the_same_reason_is_quarantined_once(store):
    store.quarantine(RAW, "not JSON")
    store.quarantine(RAW, "not JSON")
    assert store.quarantine_count() == 1


def test_the_revision_grows_with_every_change(opened):
    store, seen = opened.store, []
    for change in (
        lambda: store.append([one()]),
        lambda: store.quarantine(RAW, "x"),
        lambda: store.save_evaluation("FER-01", NOW, b"{}"),
        lambda: opened.register.add(oak()),
        lambda: opened.register.edit("FER-01", place="loft", now_utc=NOW),
    ):
        before = store.revision()
        change()
        seen.append(store.revision() - before)
    assert all(step >= 1 for step in seen)


def test_another_process_sees_the_revision_grow(opened):
    with closing(open_store(opened.config)) as other:
        before = other.revision()
        opened.store.append([one()])
        assert other.revision() > before


def test_a_timber_is_stale_until_it_is_evaluated_and_again_after_news(opened):
    store = opened.store
    opened.register.add(oak())
    assert store.stale() == ["FER-01"]
    store.save_evaluation("FER-01", NOW, b"{}")
    assert store.stale() == []
    store.append([one(taken=NOW - 5 * HOUR, arrived=NOW + HOUR)])
    assert store.stale() == ["FER-01"]
    store.save_evaluation("FER-01", NOW + 2 * HOUR, b"{}")
    assert store.stale() == []
    opened.register.edit("FER-01", place="loft", now_utc=NOW)
    assert store.stale() == ["FER-01"]


def test_a_reading_stored_while_the_evaluation_ran_makes_it_stale_again(opened):
    store = opened.store
    opened.register.add(oak())
    began = store.revision()
    store.append([one(taken=NOW - HOUR)])  # by its clock older than the evaluation
    store.save_evaluation("FER-01", NOW, b"{}", revision=began)
    assert store.stale() == ["FER-01"]
    store.save_evaluation("FER-01", NOW, b"{}", revision=store.revision())
    assert store.stale() == []


def test_an_answer_that_had_no_air_is_stale_with_the_next_reading_of_its_place(opened):
    store = opened.store
    opened.register.add(oak())
    store.append([one("air/shed/temp", 12.0)])
    store.save_evaluation("FER-01", NOW, b"{}", revision=store.revision(), with_air=False)
    assert store.stale() == []
    store.append([one("air/shed/temp", 12.1, NOW + HOUR)])
    assert store.stale() == [], "a thermometer alone makes no air"
    store.append([one("air/elsewhere/humidity", 66.0)])
    assert store.stale() == []
    store.append([one("air/shed/humidity", 66.0, NOW + HOUR)])
    assert store.stale(NOW) == ["FER-01"]
    store.save_evaluation("FER-01", NOW, b"{}", revision=store.revision())
    store.append([one("air/shed/humidity", 67.0, NOW + 2 * HOUR)])
    assert store.stale() == []


def test_sensors_alone_wait_their_turn_and_what_a_person_measured_or_moved_does_not(opened):
    store, later = opened.store, NOW + 7 * HOUR
    opened.register.add(oak())
    store.save_evaluation("FER-01", NOW, b"{}", revision=store.revision())
    sensed = one(taken=NOW + HOUR, arrived=NOW + HOUR)
    store.append([sensed])
    assert store.stale(NOW) == []
    assert store.stale(later) == store.stale() == ["FER-01"]
    began = store.revision()
    by_hand = one("timber/FER-01/weight", 90.0, NOW + 2 * HOUR, source="hand")
    store.append([by_hand])
    assert store.stale(NOW) == ["FER-01"]
    store.save_evaluation("FER-01", NOW, b"{}", revision=began)  # begun before the person weighed it
    assert store.stale(NOW) == ["FER-01"]
    store.save_evaluation("FER-01", NOW, b"{}", revision=store.revision())
    assert store.stale(later) == []
    store.reattribute([sensed], [])
    assert store.stale(NOW) == ["FER-01"]
    store.save_evaluation("FER-01", NOW, b"{}")
    assert store.stale(NOW) == []


@pytest.mark.parametrize(("hours", "stale"), [(23, []), (25, ["FER-01"]), (-25, ["FER-01"])])
def test_a_day_of_new_air_makes_its_timbers_stale(opened, hours, stale):
    store = opened.store
    opened.register.add(oak())
    store.append([one("air/shed/temp", 20, NOW)])
    store.save_evaluation("FER-01", NOW + HOUR, b"{}")
    store.append([one("air/loft/temp", 20, NOW + 99 * HOUR), one("air/shed/temp", 21, NOW + hours * HOUR)])
    assert store.stale() == stale


def test_evaluations_come_back(store):
    store.save_evaluation("FER-01", NOW, b'{"tag": "FER-01"}')
    assert store.evaluation("FER-01") == (NOW, b'{"tag": "FER-01"}')
    assert store.evaluation("FER-02") is None
    assert [row.tag for row in store.evaluations()] == ["FER-01"]
    assert store.evaluated() == {"FER-01": NOW}


def test_the_first_evaluation_of_each_week_stays_for_good(store):
    monday = datetime(2026, 5, 11, 0, 0, tzinfo=UTC)
    for k, made in enumerate((monday, monday + 150 * HOUR, monday + 168 * HOUR, monday + 167 * HOUR)):
        store.save_evaluation("FER-01", made, b"%d" % k)
    store.save_evaluation("FER-02", monday, b"{}", past=False)
    assert [(row.made_utc, row.payload) for row in store.past_evaluations("FER-01")] == [
        (monday, b"0"),
        (monday + 168 * HOUR, b"2"),
    ]
    assert store.past_evaluations("FER-02") == []


def test_an_evaluation_as_of_an_earlier_day_joins_the_past_ones_and_is_not_the_last(store):
    store.save_evaluation("FER-01", NOW, b"now")
    for payload in (b"then", b"then, again"):
        store.keep_past("FER-01", NOW - 900 * HOUR, payload)
    assert [row.payload for row in store.past_evaluations("FER-01")] == [b"then, again", b"now"]
    assert store.evaluation("FER-01") == (NOW, b"now")


def test_evaluations_kept_for_good_are_packed_and_those_of_earlier_versions_are_read(opened):
    """What lies in the table is looked at by its own question; one that is damaged is told in a sentence."""
    store, base = opened.store, opened.store.database
    opened.register.add(oak())
    answer = json.dumps({"tag": "FER-01", "far": [k / 7 for k in range(2000)]}).encode()
    store.save_evaluation("FER-01", NOW, answer)
    store.keep_past("FER-01", NOW - 200 * HOUR, answer)
    sizes = base.ask("SELECT length(payload) FROM past_evaluation ORDER BY made_us")
    assert [size < len(answer) / 2 for (size,) in sizes] == [True, True]
    former, torn = b'{"tag": "FER-01", "failed": "no air"}', zlib.compress(answer)[:-9]
    with base.write() as (at, _):
        for weeks, payload in ((3, former), (2, torn)):
            values = {"tag": "FER-01", "made": to_us(NOW - weeks * 168 * HOUR), "payload": payload}
            at.run(
                "INSERT INTO past_evaluation (tag, made_us, payload) VALUES (:tag, :made, :payload)", values
            )
    operations.edit_timber(opened, "FER-01", now_utc=NOW, tag="FER-99", sure=True)
    assert store.past_evaluations("FER-01") == []
    kept = [one.payload for one in store.past_evaluations("FER-99")]
    assert kept == [former, torn, answer, answer]
    assert store.evaluation("FER-99") == (NOW, answer)
    said = [one for _, one in export.evaluations(opened, export.Asked(), past=True)]
    assert str(said[0]) == "this timber can't be worked out: no air"
    assert "a stored evaluation can't be read" in str(said[1])


def test_a_packed_evaluation_made_to_fill_the_memory_is_left_packed():
    wicked = zlib.compress(b" " * 64_000_001)
    assert len(wicked) < 100_000
    assert evaluation_archive.unpacked(wicked) is wicked
    assert evaluation_archive.unpacked(zlib.compress(b" " * 64_000_000)) == b" " * 64_000_000


def test_fingerprints_are_those_of_the_last_evaluations(store):
    store.save_evaluation("FER-01", NOW, b"{}", fingerprint="old")
    store.save_evaluation("FER-01", NOW + HOUR, b"{}", fingerprint="new")
    store.save_evaluation("FER-02", NOW, b"{}")
    assert store.fingerprints() == {"FER-01": "new"}


def test_notes_are_kept_by_key_and_leave_the_revision_alone(store):
    before = store.revision()
    store.note("told/FER-01", b"\x00 leave")
    store.note("told/FER-01", b"square")
    store.note("heard/100%", b"x")
    assert (store.noted("told/FER-01"), store.noted("told/FER-02")) == (b"square", None)
    assert store.notes("told/") == {"told/FER-01": b"square"}
    store.forget("told/FER-01")
    assert store.notes() == {"heard/100%": b"x"}
    assert store.revision() == before


def test_notes_can_be_written_together_with_readings(store):
    assert store.save([one()], notes={"heard/t": b"1"}) == 1
    assert store.noted("heard/t") == b"1"


def test_thinning_leaves_the_median_of_each_hour_of_old_sensor_readings(store):
    old = [one("air/shed/temp", value, NOW + timedelta(minutes=k)) for k, value in enumerate((9, 1, 5, 3))]
    young = [one("air/shed/temp", value, NOW + 48 * HOUR + k * HOUR / 9) for k, value in enumerate((7, 8))]
    store.append([*old, *young])
    before = store.revision()
    assert store.thin(NOW + 50 * HOUR, keep_days=1, preview=True) == 3
    assert len(store.read(old[0].series)) == 6
    assert store.thin(NOW + 50 * HOUR, keep_days=1) == 3
    assert store.thin(NOW + 50 * HOUR, keep_days=1) == 0
    kept = store.readings(Owner.AIR, "shed")
    assert [(r.value, r.taken_utc, r.flags) for r in kept] == [
        (3, NOW + timedelta(minutes=3), ("thinned",)),
        *((r.value, r.taken_utc, ()) for r in young),
    ]
    assert store.revision() > before
    assert store.thin(NOW + 50 * HOUR, keep_days=1, to="daily") == 0


def test_thinning_never_touches_weights_or_what_a_person_took_or_brought(store):
    every = [
        one(text, value, NOW + timedelta(minutes=k), source=source)
        for text, source in (
            ("timber/FER-01/weight", "mqtt"),
            ("timber/FER-01/pin-45/b/moisture", "hand"),
            ("timber/FER-01/wood-temp", "import"),
        )
        for k, value in enumerate((30, 31, 32))
    ]
    store.append(every)
    assert store.thin(NOW + 9999 * HOUR, keep_days=30, to="daily") == 0
    assert sorted(store.readings(Owner.TIMBER, "FER-01"), key=repr) == sorted(every, key=repr)


@pytest.mark.parametrize("ask", [{"keep_days": 0}, {"keep_days": 30, "to": "yearly"}])
def test_thinning_that_can_not_be_meant_is_refused(store, ask):
    with pytest.raises(BaulkError, match=r"days to keep whole|no thinning called 'yearly'; known: daily"):
        store.thin(NOW, **ask)


def test_a_broken_batch_leaves_nothing_behind(store):
    def two():
        yield one()
        raise RuntimeError

    with pytest.raises(RuntimeError):
        store.append(two())
    assert store.append([one()]) == 1


def test_readings_go_under_another_series_and_none_is_lost(store):
    stay, go = (
        one("timber/FER-01/pin-45/moisture", 22.0),
        one("timber/FER-01/pin-45/moisture", 23.0, NOW + HOUR),
    )
    store.append([stay, go])
    there = one("timber/FER-02/pin-60/a/moisture", 23.0, NOW + HOUR)
    aside = Rejected(raw=RAW, reason="set aside", cause=Cause.UNPLACED_SENSOR, waits_for="sensor:S7")
    store.reattribute([go], [there], [aside])
    assert store.readings(Owner.TIMBER, "FER-01") == [stay]
    assert store.readings(Owner.TIMBER, "FER-02") == [there]
    assert [row.waits_for for row in store.quarantined()] == ["sensor:S7"]


def test_a_reading_that_only_gets_another_flag_stays_where_it_is(store):
    plain = one("timber/FER-01/pin-45/moisture", 22.0)
    flagged = one("timber/FER-01/pin-45/moisture", 22.0, flags=("end-300",))
    store.append([plain])
    store.reattribute([plain], [flagged])
    assert store.readings(Owner.TIMBER, "FER-01") == [flagged]


class KilledError(Exception):
    """The program ended here."""


def test_many_readings_move_in_stretches_and_a_kill_after_any_of_them_loses_none(store, monkeypatch):
    monkeypatch.setattr(turns, "_STRETCH", 8)
    monkeypatch.setattr(turns, "LET_OTHERS_S", 0)
    pins = [one("timber/FER-01/pin-45/moisture", k, NOW + k * HOUR) for k in range(20)]
    swap = [one("timber/FER-01/pin-60/moisture", 50 + k, NOW + k * HOUR) for k in range(3)]  # two sensors
    store.append([*pins, *swap])
    right = {each: replace(each, series=Series.parse("timber/FER-02/pin-45/moisture")) for each in pins[3:]}
    right |= {each: replace(each, series=swap[0].series) for each in pins[:3]}
    right |= {each: replace(each, series=pins[0].series) for each in swap}
    write, steps = store._put_elsewhere, []

    def killed(rejected, new, again, away, notes):
        if len(steps) == left:
            raise KilledError
        assert max(len(new), len(again), len(away)) <= 8
        steps.append(None)
        write(rejected, new, again, away, notes)

    monkeypatch.setattr(store, "_put_elsewhere", killed)
    for left in range(9):  # noqa: B007 - `killed` looks at it
        del steps[:]
        here = store.readings(Owner.TIMBER, "FER-01")
        wrong = [each for each in here if each in right]
        with suppress(KilledError):
            store.reattribute(wrong, [right[each] for each in wrong])
        every = [*store.readings(Owner.TIMBER, "FER-01"), *store.readings(Owner.TIMBER, "FER-02")]
        assert {each.value for each in every} == {each.value for each in (*pins, *swap)}
    assert len(steps) < 8
    assert (len(every), set(every)) == (23, set(right.values()))


def test_a_flag_after_thinning_stays_and_the_export_holds_what_the_store_holds(opened, lying):
    old = [one("timber/FER-01/wood-temp", k, NOW + k * 7 * HOUR / 60, source="mqtt") for k in range(20)]
    later = NOW + timedelta(days=40)
    opened.store.append([*old, one("air/shed/temp", 7)])
    assert opened.store.thin(later, keep_days=30) == 17
    held = opened.store.readings(Owner.TIMBER, "FER-01")[0]
    opened.store.reattribute([held], [replace(held, flags=("end-300", "thinned"))])
    for _ in range(2):
        assert opened.store.readings(Owner.TIMBER, "FER-01")[0].flags == ("end-300", "thinned")
        assert opened.store.read(held.series)["flags"].iloc[0] == "end-300,thinned"
        assert opened.store.thin(later, keep_days=30) == 0
    out = io.StringIO()
    table_file.write_csv(export.readings(opened, export.Asked()), out)
    assert out.getvalue().count("\n") - 1 == lying() == 4


@pytest.fixture
def lying(opened, request):
    """How many readings lie there, by the server's or the database's own word."""

    def count():
        if opened.config.store.kind == "influx":
            return request.getfixturevalue("influx").lines("baulk")
        return opened.store.database.ask("SELECT count(*) FROM reading")[0][0]

    return count


def raw(value, minute, mid):
    return RawMessage(
        topic="baulk/v1/ferry-yard/air/shed",
        payload=b'[{"n":"temp","u":"Cel","v":%d}]' % value,
        arrived_utc=NOW + timedelta(minutes=minute, microseconds=mid),
        mid=mid,
    )


def test_messages_are_kept_as_they_came_and_readings_are_found_by_their_arrival(opened):
    store, raws = opened.store, [raw(k, k, k + 1) for k in range(20)]
    opened.register.save_place(Place(name="shed"))
    for start in range(0, 20, 5):
        pipeline.handle_batch(raws[start : start + 5], opened)
    store.append([one("air/shed/temp", 19.0, NOW - HOUR, arrived=NOW, source="hand")])
    assert store.raw.between(NOW, NOW + HOUR) == raws
    assert (store.raw.extent().count, store.raw.extent().first_utc) == (20, raws[0].arrived_utc)
    (last,) = store.raw.tail("", count=1, most=5, lasting=timedelta(0))
    assert list(last.messages()) == raws[15:]
    arrived = store.arrived(raws[3].arrived_utc, raws[6].arrived_utc)
    assert sorted(each.value for each in arrived) == [3, 4, 5]
    assert store.raw.tidy(NOW + timedelta(days=2), days=1, most_bytes=1e9) == 20


def test_what_was_sent_is_decoded_again_in_every_store(opened):
    raws = [raw(k, k, k + 1) for k in range(5)]
    opened.register.save_place(Place(name="shed"))
    pipeline.handle_batch(raws, opened)
    (wrong,) = opened.store.arrived(raws[2].arrived_utc, raws[3].arrived_utc)
    opened.store.reattribute([wrong], [replace(wrong, value=-9.0)])  # as by a mistake of ours
    looked = decode_again.look(opened, NOW + HOUR)
    assert (looked.changed, looked.added, looked.set_aside) == (1, 0, 0)
    assert decode_again.put_right(opened, NOW + HOUR).changed == 1
    assert [each.value for each in opened.store.readings(Owner.AIR, "shed")] == [0, 1, 2, 3, 4]
    assert not decode_again.look(opened, NOW + HOUR).anything
    decode_again.undo(opened)
    assert [each.value for each in opened.store.readings(Owner.AIR, "shed")] == [0, 1, -9, 3, 4]


def test_a_postgres_store_of_an_earlier_form_gets_its_log_of_messages(request, tmp_path):
    folder = folder_of("postgres", request, tmp_path)
    with shop.open(folder) as yard, yard.store._sql.write() as (at, _):
        at.run("DROP TABLE raw")
        at.run("UPDATE form SET n = 2")
    with shop.open(folder) as yard:
        yard.register.save_place(Place(name="shed"))
        assert pipeline.handle(raw(20, 0, 1), yard) == 1
        assert yard.store.raw.extent().count == 1
        assert yard.store._sql.ask("SELECT n FROM form") == [(3,)]


WEIGHT, PINS = Series.parse("timber/FER-01/weight"), Series.parse("timber/FER-01/pin-45/b/moisture")
BY = {"by": "Ann", "note": "misread"}


@pytest.fixture
def corrected(tmp_path):
    """A shop with a weight put right to and fro, pins moved deeper, one taken back, one left alone."""
    with shop.open(shop.init(tmp_path / "home", name="Home")) as home:
        home.register.add(replace(oak(), arrived_utc=NOW - 30 * 24 * HOUR))
        kept = [one(value=90.0 + k, taken=NOW - (9 - k) * HOUR, source="hand") for k in range(4)]
        kept.append(one(str(PINS), 27.5, NOW - HOUR, source="hand", flags=("end-305",)))
        home.store.append(kept)
        before = readings_csv(home)
        right = {"now_utc": NOW, "sure": True, **BY}
        first = corrections.put_right(home, kept[0], value=95.0, **right)
        again = corrections.put_right(home, first.now, value=90.0, **{**right, "now_utc": NOW + HOUR})
        corrections.put_right(
            home, again.now, value=95.0, **{**right, "now_utc": NOW + 2 * HOUR, "by": "Ben"}
        )
        corrections.put_right(
            home, kept[4], depth_mm=60.0, taken_utc=NOW - 2 * HOUR, **{**right, "now_utc": NOW + HOUR / 2}
        )
        corrections.take_back(home, kept[1], now_utc=NOW + HOUR / 4, **BY)
        undone = corrections.take_back(home, kept[2], now_utc=NOW, **BY)
        corrections.undo(home, undone, by="Ann", now_utc=NOW)
        yield before, home


def readings_csv(here):
    text = io.StringIO()
    table_file.write_csv(export.readings(here, export.Asked()), text)
    return text.getvalue()


def brought(there, text):
    file = import_readings.of_long(text.encode(), there)
    return file.bring(there, NOW + 3 * HOUR, file.look(there, NOW + 3 * HOUR))


def told(here):
    """What is stored, and each correction that counts: what it found and left, who, when and why."""

    def plain(each):
        return each and (str(each.series), each.value, each.taken_utc, set(each.flags))

    return (
        [plain(each) for each in here.store.readings(Owner.TIMBER, "FER-01")],
        [
            (plain(each.was), plain(each.now), each.was.source, each.by, each.note, each.at_utc)
            for each in correction_notes.listed(here.store, Owner.TIMBER, "FER-01")
            if each.counts
        ],
    )


@pytest.mark.parametrize("had_before", [False, True])
def test_a_corrected_reading_travels_with_what_it_was_who_when_and_why(opened, corrected, had_before):
    """Into an empty shop, and into one that brought the file in before anything was put right."""
    before, home = corrected
    opened.register.add(replace(oak(), arrived_utc=NOW - 30 * 24 * HOUR))
    if had_before:
        assert brought(opened, before).stored == 5
    report = brought(opened, readings_csv(home))
    assert (report.refused, report.clashes, report.corrected) == (0, (), 3)
    assert any("corrected readings 2, readings that were taken back 1" in each for each in report.notes)
    ours, theirs = told(home), told(opened)
    assert theirs == ours
    assert len(ours[1]) == 5
    assert opened.store.quarantine_count() == 0
    assert brought(opened, readings_csv(home)).new == 0  # once more: nothing
    assert brought(opened, before).new == 0  # nor does the old file bring back what was put right
    assert told(opened) == ours
    assert readings_csv(opened).count("taken-back") == 1  # and on it goes
    last = correction_notes.listed(opened.store, Owner.TIMBER, "FER-01")[-1]
    assert (last.by, last.now.value) == ("Ben", 95.0)
    corrections.undo(opened, last, by="Eve", now_utc=NOW + 4 * HOUR)
    assert next(each.value for each in opened.store.readings(Owner.TIMBER, "FER-01")) == 90.0


@pytest.mark.parametrize(
    ("cell", "why"),
    [
        ("[]", "list of 1 to 50"),
        ("{}", "list of 1 to 50"),
        ("nonsense", "can't be read"),
        ("[" * 9000, "can't be read"),
        ('[{"was": 3}]', "can't be read"),
        (("WEIGHT", "wood-temp"), "of another thing"),
        (("90.0", "NaN"), "must be a number"),
        (("90.0", "1e9"), "what it was before"),
        (("2026-05-14T09:30", "2031-05-14T09:30"), "ahead of the clock"),
        (("misread", "x" * 3000), "at most 2000 letters"),
    ],
)
def test_a_cell_of_corrections_that_is_no_such_thing_is_refused_with_its_row(tmp_path, corrected, cell, why):
    _, home = corrected
    rows = list(csv.DictReader(io.StringIO(readings_csv(home))))
    row = next(each for each in rows if each["corrections"] and each["value"])
    old, new = cell if isinstance(cell, tuple) else (row["corrections"], cell)
    row["corrections"] = row["corrections"].replace(
        old.replace("WEIGHT", "FER-01/weight"), new.replace("wood", "FER-01/wood")
    )
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0])
    writer.writeheader()
    writer.writerow(row)
    with shop.open(shop.init(tmp_path / "other", name="Other")) as other:
        other.register.add(replace(oak(), arrived_utc=NOW - 30 * 24 * HOUR))
        report = brought(other, out.getvalue())
        assert why in report.refused_rows[0].reason
        assert (report.refused, report.stored) == (1, 0)
        assert other.store.readings(Owner.TIMBER, "FER-01") == []

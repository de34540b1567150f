"""What is taken out as CSV comes in again, in another shop, as it was."""

from __future__ import annotations

import csv
import io
import json
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from baulk.ingest import operations

sys.path.insert(0, str(Path(__file__).parent))
import documents

from baulk.ingest import shop
from baulk.ingest.errors import ExchangeError
from baulk.ingest.exchange import export, import_readings, import_timbers, table_file
from baulk.ingest.exchange.export import Asked
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import AT_DEPTH, Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Event, EventKind, Timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
FIRST = datetime(2001, 1, 1, tzinfo=UTC)
moments = st.datetimes(FIRST.replace(tzinfo=None), NOW.replace(tzinfo=None), timezones=st.just(UTC))
sizes = st.floats(12, 900, allow_nan=False)
names = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._-]{0,20}", fullmatch=True)


@st.composite
def pieces(draw):
    width, depth = draw(sizes), draw(sizes)
    share = draw(st.floats(0.2, 1))
    arrived = draw(moments)
    return Timber(
        tag=draw(names),
        species=draw(st.sampled_from(["white oak", "Douglas-fir"])),
        section=Section(
            width_mm=width,
            depth_mm=depth,
            pith_x_mm=draw(st.floats(-900, 900)),
            pith_y_mm=draw(st.floats(-900, 900)),
        ),
        length_mm=draw(st.floats(100, 6e4)),
        finished=Finished(width_mm=width * share, depth_mm=depth * share),
        use_class=draw(st.sampled_from(["frame-outdoors", "backbone-above-water"])),
        place=draw(names),
        arrived_utc=arrived,
        ends_sealed=draw(st.booleans()),
        green_mc_pct=draw(st.none() | st.floats(0.01, 399)),
        heartwood_mm=draw(st.none() | st.floats(0, 5000)),
        retired_utc=draw(st.none() | st.just(arrived + (NOW - arrived) / 2)),
    )


@st.composite
def measured(draw):
    quantity = draw(st.sampled_from([Quantity.MOISTURE, Quantity.WEIGHT, Quantity.RESISTANCE, Quantity.TEMP]))
    pins = quantity in AT_DEPTH
    series = Series(
        owner=Owner.AIR if quantity is Quantity.TEMP else Owner.TIMBER,
        name=draw(names) if quantity is Quantity.TEMP else "FER-01",
        quantity=quantity,
        depth_mm=draw(st.integers(1, 177)) if pins else None,
        face=draw(st.none() | st.sampled_from(Face)) if pins else None,
    )
    low, high = {  # what a timber of this size and wood can be
        Quantity.TEMP: (-40, 50),
        Quantity.RESISTANCE: (1, 1e13),
        Quantity.MOISTURE: (0, 170),
        Quantity.WEIGHT: (40, 140),
    }[quantity]
    return Reading(
        series=series,
        value=draw(st.floats(low, high)),
        taken_utc=draw(moments),
        arrived_utc=NOW,
        flags=("end-305",) if pins and draw(st.booleans()) else (),
    )


@pytest.fixture(scope="module")
def empty(tmp_path_factory):
    """Makes empty shops."""
    count = iter(range(10_000))

    def make():
        folder = shop.init(
            tmp_path_factory.mktemp("trip") / str(next(count)), name="Other yard", units="inch"
        )
        return shop.open(folder)

    return make


def csv_of(table):
    text = io.StringIO()
    table_file.write_csv(table, text)
    return text.getvalue().encode()


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(pieces(), min_size=1, max_size=5, unique_by=lambda piece: piece.tag.lower()))
def test_timbers_come_back_to_the_last_digit(empty, given_pieces):
    with empty() as one, empty() as other:
        for piece in given_pieces:
            here = replace(piece, retired_utc=None)
            operations.add_timber(one, here, now_utc=NOW, sure=True, new_place=True)
            if piece.retired_utc:
                operations.add_event(
                    one, Event(tag=piece.tag, kind=EventKind.RETIRED, at_utc=piece.retired_utc, noted_utc=NOW)
                )
        file = import_timbers.of_file(csv_of(export.timbers(one, Asked())))
        done = file.bring(other, NOW, file.look(other, NOW))
        assert [row.reason for row in done.rows] == [""] * len(given_pieces)
        assert other.register.list(retired=True) == one.register.list(retired=True)
        again = file.look(other, NOW)
        assert {row.status for row in again.rows} == {import_timbers.Status.SAME}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(measured(), max_size=12))
def test_readings_come_back_to_the_last_digit(empty, given_readings):
    with empty() as one, empty() as other:
        for each in (one, other):
            each.register.add(timber())
        one.store.append(given_readings)
        file = import_readings.of_long(csv_of(export.readings(one, Asked())), other)
        report = file.bring(other, NOW, file.look(other, NOW))
        assert report.refused == 0
        assert everything(other) == everything(one)
        assert report.stored == len(everything(one))


def timber():
    return Timber(
        tag="FER-01",
        species="white oak",
        section=Section(width_mm=203.2, depth_mm=177.8),
        length_mm=2743.2,
        finished=Finished(width_mm=152.4, depth_mm=152.4),
        use_class="frame-outdoors",
        place="shed",
        arrived_utc=NOW - timedelta(days=30),
    )


def everything(opened):
    owners = dict.fromkeys((each.owner, each.name) for each in opened.store.series())
    return {
        (str(one.series), one.taken_utc, one.value, "end-305" in one.flags)
        for owner in owners
        for one in opened.store.readings(*owner)
    }


def test_what_is_wanted_can_be_narrowed(yard):
    for text, day in (("timber/FER-01/weight", 1), ("timber/FER-01/weight", 9), ("air/loft/temp", 5)):
        taken = datetime(2026, 5, day, tzinfo=UTC)
        yard.store.append([Reading(series=Series.parse(text), value=20, taken_utc=taken, arrived_utc=taken)])

    def taken(**asked):
        return [row[0] for row in export.readings(yard, Asked(**asked)).rows]

    assert len(taken()) == 3
    assert taken(places=("LOFT",)) == ["air/loft/temp"]
    assert len(taken(tags=("fer-01",))) == 2
    assert len(taken(tags=("fer-01",), since_utc=datetime(2026, 5, 2, tzinfo=UTC))) == 1
    with pytest.raises(NotFound, match="no place called 'attic'"):
        taken(places=("attic",))
    assert list(export.timbers(yard, Asked(places=("shed",))).rows)
    assert not list(export.timbers(yard, Asked(since_utc=NOW)).rows)


def test_parquet_holds_the_same_with_types(yard, tmp_path):
    taken = datetime(2026, 5, 1, tzinfo=UTC)
    yard.store.append(
        [Reading(series=Series.parse("air/loft/temp"), value=20.5, taken_utc=taken, arrived_utc=taken)]
    )
    assert table_file.write(export.readings(yard, Asked()), tmp_path / "r.parquet") == 1
    (row,) = pq.read_table(tmp_path / "r.parquet").to_pylist()
    assert (row["taken"], row["value"], row["unit"], row["depth_mm"]) == (taken, 20.5, "degC", None)
    table_file.write(export.timbers(yard, Asked()), tmp_path / "t.parquet")
    (row,) = pq.read_table(tmp_path / "t.parquet").to_pylist()
    assert (row["tag"], row["ends_sealed"], row["width_mm"]) == ("FER-01", True, 203.2)


def test_a_note_that_a_spreadsheet_would_work_out_is_taken_out_as_text(yard):
    operations.add_event(
        yard,
        Event(
            tag="FER-01", kind=EventKind.TURNED, at_utc=NOW, noted_utc=NOW, detail={"up": "b"}, note="=1+1"
        ),
    )
    rows = list(csv.DictReader(io.StringIO(csv_of(export.events(yard, Asked())).decode())))
    assert rows[-1]["note"] == "'=1+1"
    assert json.loads(rows[-1]["detail"]) == {"up": "b"}


def test_verdicts_come_out_with_their_interval(yard):
    said = {"core_now_pct": {"median": 20.0, "low": 18.0, "high": 22.5},
            "verdict": {"dates": {"square": "2027-01-01T00:00:00+00:00"}}}  # fmt: skip
    yard.store.save_evaluation("FER-01", NOW, documents.stored("FER-01", NOW, **said))
    (row,) = csv.DictReader(io.StringIO(csv_of(export.verdicts(yard, Asked())).decode()))
    assert (row["tag"], row["verdict"]) == ("FER-01", "leave")
    assert (row["rough_out_from"], row["square_from"]) == ("", "2027-01-01T00:00:00+00:00")
    assert (row["core_now_pct"], row["core_low_pct"], row["core_high_pct"]) == ("20.0", "18.0", "22.5")
    assert (row["square_probability"], row["reasons"], row["failed"]) == ("0.2", "Wet.", "")
    assert row["made"] == NOW.isoformat()


def test_an_evaluation_that_failed_or_cannot_be_read_comes_out_with_why(yard):
    head = {"tag": "FER-01", "made_utc": NOW.isoformat(), "model_version": "invented"}
    for stored, why in (({**head, "failed": "no air"}, "no air"), (head, "can't be read at")):
        yard.store.save_evaluation("FER-01", NOW, json.dumps(stored).encode())
        (row,) = csv.DictReader(io.StringIO(csv_of(export.verdicts(yard, Asked())).decode()))
        assert why in row["failed"]
        assert {row[name] for name in row if name not in {"tag", "made", "failed"}} == {""}


def test_a_file_is_there_whole_or_not_at_all(yard, tmp_path):
    def torn():
        yield ("a",)
        raise OSError(28, "No space left on device")

    with pytest.raises(ExchangeError, match="No space left"):
        table_file.write(table_file.Table(columns={"tag": "text"}, rows=torn()), tmp_path / "a.csv")
    assert list(tmp_path.glob("*.csv*")) == []
    with pytest.raises(OutOfRange, match=r"ends in \.csv or \.parquet"):
        table_file.write(export.timbers(yard, Asked()), tmp_path / "a.xls")


@pytest.mark.parametrize("group", [1, 7, 50_000])
def test_every_reading_is_taken_out_once_however_many_are_held_at_once(yard, monkeypatch, group):
    monkeypatch.setattr(export, "_AT_ONCE", group)
    start = datetime(2026, 5, 1, 22, tzinfo=UTC)
    taken = [start + timedelta(minutes=30) * k for k in range(200)]
    yard.store.append(
        Reading(series=Series.parse(f"air/shed/{what}"), value=20, taken_utc=each, arrived_utc=NOW)
        for each in taken
        for what in ("temp", "humidity")
    )
    at = list(export.readings(yard, Asked()).columns).index("taken")
    assert [row[at] for row in export.readings(yard, Asked()).rows] == sorted(taken * 2)
    since = taken[77]
    assert [row[at] for row in export.readings(yard, Asked(since_utc=since)).rows] == sorted(taken[77:] * 2)

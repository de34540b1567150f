"""Any bytes as a file: a report or one sentence, never anything else, and what is good of it goes in."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from baulk.ingest import shop
from baulk.ingest.exchange import import_readings, import_timbers
from baulk.ingest.wire.logger_columns import as_said
from baulk.models.errors import BaulkError
from baulk.models.quantity import Owner

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
ODD = """12|12,5|-1e5|212 lb|68F|8 x 7 in|6 x 6 in|12 ft|1/0 in|white oak|\u00bd|2026-01-01|2026-01-01T10:00Z
2026-03-29 01:30|2026-10-25 01:30|0001-01-01|9999-12-31 23:59|10000-01-01|2026-01-01T10:00:00.123456789+23:59
99999999999999999999|1e400|inf|NaN|%|air/shed/temp|timber/FER-01/pin-x/q/moisture|FER-01|moisture|weight|b|\0
\u202e|=1+1|frame-outdoors|yes|--|"|\u00e9|timber/FER-01/weight|kg|degC|a/b/c/d/e/f|1899-12-30|0|-0|+5|.5|5."""
cells = st.sampled_from(["", "x" * 300, *ODD.replace("\n", "|").split("|")]) | st.text(max_size=12)
LONG = "series,tag,place,quantity,depth,face,from end,taken,value,unit,flags"
WIDE = "Date,A,B"
TIMBERS = "tag,species,green,finished,length,pith,centre,use,place,arrived,sealed,green mc,retired"
lists = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    with shop.open(shop.init(tmp_path_factory.mktemp("fuzz") / "yard", name="Yard")) as opened:
        yield opened


def bodies(head):
    wide = head.count(",") + 1
    rows = st.lists(st.lists(cells, min_size=1, max_size=wide + 1), max_size=6)
    made = st.tuples(
        rows, st.sampled_from([",", ";", "\t"]), st.sampled_from(["utf-8", "utf-16", "utf-8-sig"])
    )
    written = made.map(
        lambda each: "\n".join([head.replace(",", each[1]), *(each[1].join(row) for row in each[0])]).encode(
            each[2], "surrogatepass"
        )
    )
    return st.one_of(written, st.binary(max_size=200), written.map(lambda body: body[: len(body) // 2]))


def one_sentence(call):
    try:
        return call()
    except BaulkError as err:
        said = str(err)
    assert "\n" not in said
    return None


@lists
@given(bodies(LONG))
@example(b"")
def test_readings_one_a_row(yard, body):
    def bring():
        file = import_readings.of_long(body, yard, zone="Europe/Lisbon")
        return file.bring(yard, NOW, file.look(yard, NOW))

    report = one_sentence(bring)
    if report is not None:
        assert report.stored == report.new
        assert all(each.reason for each in report.refused_rows)


@lists
@given(bodies(WIDE), st.sampled_from(["iso", "unix_s", "unix_ms", "%d/%m/%Y %H:%M", "%Q%"]))
def test_a_loggers_file(yard, body, form):
    def bring():
        columns = ("A=air/shed/temp:degF", "B=air/shed/humidity:ratio")
        logger = as_said("Date", columns, time_format=form, zone="America/New_York")
        file = import_readings.of_logger(body, logger, yard)
        return file.bring(yard, NOW, file.look(yard, NOW))

    report = one_sentence(bring)
    if report is not None:
        assert report.stored == report.new
    assert all(-40 <= one.value <= 110 for one in yard.store.readings(Owner.AIR, "shed"))


@lists
@given(bodies(TIMBERS))
def test_timbers(yard, body):
    def bring():
        file = import_timbers.of_file(body)
        return file.bring(yard, NOW, file.look(yard, NOW), update=True)

    report = one_sentence(bring)
    if report is not None:
        for row in report.rows:
            assert row.reason or row.timber is not None
            assert "\n" not in row.reason

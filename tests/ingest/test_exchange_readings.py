"""Readings from files: a data logger's and our own, looked at first and stored once."""

from __future__ import annotations

import csv
import subprocess
import sys
import time
import tracemalloc
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import config as settings
from baulk.ingest import operations
from baulk.ingest.errors import ConfigError, ExchangeError
from baulk.ingest.exchange import import_readings
from baulk.ingest.wire.logger_columns import Logger, as_said, column
from baulk.models.errors import BaulkError, NotFound
from baulk.models.quantity import Owner
from baulk.models.reading import AT_LEAST, Series
from baulk.models.section import Face

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
TEMP = "Temp (C)=air/shed/temp:degC"


def wide(text, yard, *columns, zone="UTC", time="Date", time_format="iso"):
    logger = Logger(
        time=time,
        time_format=time_format,
        zone=zone,
        columns=tuple(map(column, columns or (TEMP,))),
    )
    return import_readings.of_logger(text if isinstance(text, bytes) else text.encode(), logger, yard)


def bring(bringing, yard):
    report = bringing.look(yard, NOW)
    return bringing.bring(yard, NOW, report)


def stored(yard, text):
    return [
        (one.taken_utc, one.value) for one in yard.store.readings(*owner(text)) if str(one.series) == text
    ]


def owner(text):
    series = Series.parse(text)
    return series.owner, series.name


# --- a data logger's file


def test_a_look_stores_nothing_and_the_same_file_twice_is_stored_once(yard):
    file = wide("Date,Temp (C)\n2026-01-01 10:00,12.5\n2026-01-01 11:00,13\n", yard)
    report = file.look(yard, NOW)
    assert (report.rows, report.new, report.stored) == (2, 2, None)
    assert stored(yard, "air/shed/temp") == []
    assert bring(file, yard).stored == 2
    again = bring(file, yard)
    assert (again.new, again.series[0].known, again.stored) == (0, 2, 0)
    (first, _) = yard.store.readings(Owner.AIR, "shed")
    assert (first.value, first.source, first.taken_utc) == (
        12.5,
        "import",
        datetime(2026, 1, 1, 10, tzinfo=UTC),
    )


def test_semicolons_decimal_commas_and_a_loggers_own_words_above_the_headings(yard):
    head = "\ufeffSerial 1234\nFirmware 2\n\n date ;Temp (C);Remark\n"
    text = f"{head}01/02/2026 10:00;12,5;a\n01/02/2026 11:00;;b\n"
    report = bring(wide(text, yard, time_format="%d/%m/%Y %H:%M"), yard)
    assert (report.stored, report.blank, report.refused) == (1, 1, 0)
    assert stored(yard, "air/shed/temp") == [(datetime(2026, 2, 1, 10, tzinfo=UTC), 12.5)]


@pytest.mark.parametrize("encoding", ["cp1252", "utf-16", "utf-8"])
def test_a_degree_sign_is_found_whatever_the_encoding(yard, encoding):
    text = "Date\tTemp (°C)\n2026-01-01 10:00\t50\n".encode(encoding)
    report = bring(wide(text, yard, "Temp (°C)=air/shed/temp:degF"), yard)
    assert report.stored == 1
    assert stored(yard, "air/shed/temp")[0][1] == 10
    assert any("Windows-1252" in note for note in report.notes) == (encoding == "cp1252")


def test_an_hour_that_is_not_and_an_hour_that_is_twice_are_said_and_not_guessed(yard):
    first = "Date,Temp (C)\n2025-10-26 01:30,1\n2026-03-29 01:30,2\n"
    text = f"{first}2026-03-29 01:30+00:00,3\n2025-10-26 00:30,4\n"
    report = bring(wide(text, yard, zone="Europe/Lisbon"), yard)
    twice, never = report.refused_rows
    assert (twice.line, never.line) == (2, 3)
    assert "comes twice there, when the clocks go back" in twice.reason
    assert "is not on that clock" in never.reason
    assert "+00:00" in never.reason
    assert [at for at, _ in stored(yard, "air/shed/temp")] == [
        datetime(2025, 10, 25, 23, 30, tzinfo=UTC),
        datetime(2026, 3, 29, 1, 30, tzinfo=UTC),
    ]


def test_a_logger_without_summer_time_loses_no_hour(yard):
    text = "Date,Temp (C)\n2025-10-26 01:30,1\n2026-03-29 01:30,2\n2025-07-01,3\n"
    assert bring(wide(text, yard, zone="+01:00"), yard).stored == 3
    assert stored(yard, "air/shed/temp")[0][0] == datetime(2025, 6, 30, 23, tzinfo=UTC)


def test_a_time_without_a_zone_is_refused_before_anything_else(yard):
    with pytest.raises(ExchangeError, match="has no time zone; say which clock"):
        wide("Date,Temp (C)\n2026-01-01 10:00,12.5\n", yard, zone=None).look(yard, NOW)


@pytest.mark.parametrize(
    ("cell", "why"),
    [
        ("120", "looks like Fahrenheit"),
        ("abc", "is not a number"),
        ("1,234.5", "no thousands mark"),
        ("nan", "is not a number"),
        ("1e999", "is not a number"),
    ],
)
def test_what_can_not_be_true_is_refused_with_its_line_and_the_rest_goes_in(yard, cell, why):
    text = f'Date,Temp (C)\n2026-01-01 10:00,"{cell}"\n2026-01-01 11:00,12\n'
    report = bring(wide(text, yard), yard)
    (one,) = report.refused_rows
    assert (one.line, one.column) == (2, "Temp (C)")
    assert why in one.reason
    assert report.stored == 1


@pytest.mark.parametrize(
    ("when", "why"),
    [("2031-01-01", "lies in the future"), ("1990-01-01", "before the year 2000"), ("soon", "does not look")],
)
def test_a_time_that_can_not_be_is_refused(yard, when, why):
    (one,) = wide(f"Date,Temp (C)\n{when},12\n", yard).look(yard, NOW).refused_rows
    assert why in one.reason


def test_another_value_at_a_taken_time_is_named_and_kept_in_quarantine(yard):
    bring(wide("Date,Temp (C)\n2026-01-01 10:00,12\n", yard), yard)
    text = (
        "Date,Temp (C)\n2026-01-01 10:00,13\n2026-01-01 11:00,14\n2026-01-01 11:00,15\n2026-01-01 11:00,14\n"
    )
    report = bring(wide(text, yard), yard)
    (count,) = report.series
    assert (count.new, count.known, count.clash, report.stored) == (1, 1, 2, 1)
    assert report.clashes[0].startswith("line 2: air temperature in shed at ")
    assert yard.store.quarantine_count() == 2


def test_counts_are_right_for_a_file_that_is_not_in_order_and_repeats_itself(yard, monkeypatch):
    monkeypatch.setattr("baulk.ingest.exchange.csv_file.CHUNK", 3)
    hours = [5, 3, 4, 1, 5, 2, 3, 9, 1, 5]
    rows = "".join(f"2026-01-01 {hour:02}:00,{hour}\n" for hour in hours)
    report = bring(wide(f"Date,Temp (C)\n{rows}", yard), yard)
    assert (report.new, report.series[0].known) == (len(set(hours)), len(hours) - len(set(hours)))
    assert report.stored == report.new


def test_a_row_with_too_many_cells_is_refused_and_a_short_one_has_blanks(yard):
    report = bring(
        wide("Date,Temp (C)\n2026-01-01 10:00,12,7\n2026-01-01 11:00\n2026-01-01 12:00,9,,\n", yard), yard
    )
    assert (report.stored, report.blank) == (1, 1)
    assert "3 cells for 2 columns" in report.refused_rows[0].reason


def test_the_logger_of_the_settings_says_what_its_columns_are(yard_dir):
    with (yard_dir / "baulk.toml").open("a") as file:
        file.write(
            '[[logger]]\nname = "shed"\ntime = "Date"\nzone = "Europe/Lisbon"\n'
            'columns = { "Temp (C)" = "air/shed/temp:degF", "RH" = "air/shed/humidity:percent" }\n'
        )
    (logger,) = settings.load(yard_dir).logger
    assert [(each.heading, each.series, each.unit) for each in logger.columns] == [
        ("Temp (C)", "air/shed/temp", "degF"),
        ("RH", "air/shed/humidity", "percent"),
    ]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ('columns = { "T" = "air/shed/temp:celsius" }', "known: degC, degF, K"),
        ('columns = { "T" = "air/shed/temp" }', "with its unit behind the series"),
        ('columns = { "T" = "shed:degC" }', "looks like timber/TAG"),
        ('columns = { "T" = "air/shed/temp:degC" }\nzone = "Mars/Olympus"', "not a time zone"),
        ('columns = { "T" = "air/shed/temp:degC" }\ntime_format = "swiss"', "a time format is"),
    ],
)
def test_a_logger_that_can_not_be_meant_is_refused_in_words(yard_dir, line, why):
    with (yard_dir / "baulk.toml").open("a") as file:
        file.write(f'[[logger]]\nname = "shed"\ntime = "Date"\n{line}\n')
    with pytest.raises(ConfigError, match=why):
        settings.load(yard_dir)


# --- one reading a row


def test_weights_and_pins_as_a_person_types_them(yard):
    text = (
        "Tag;Quantity;Depth;Face;From end (in);Taken;Value;Unit\n"
        "fer-01;weight;;;;2026-05-01T10:00+01:00;212 lb;\n"
        "FER-01;moisture;45 mm;b;12;2026-05-01T10:00+01:00;23,5;%\n"
        "FER-01;wood temp;;;;2026-05-01T10:00+01:00;50;degF\n"
    )
    report = bring(import_readings.of_long(text.encode(), yard), yard)
    assert (report.stored, report.refused) == (3, 0)
    found = {str(one.series): one for one in yard.store.readings(Owner.TIMBER, "FER-01")}
    assert found["timber/FER-01/weight"].value == pytest.approx(96.16, abs=0.01)
    assert found["timber/FER-01/pin-45/b/moisture"].flags == ("end-305",)
    assert found["timber/FER-01/wood-temp"].value == 10


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("FER-09,weight,,2026-05-01T10:00Z,96,kg", "no timber called 'FER-09'; did you mean FER-01"),
        ("FER-01,weight,,2026-05-01T10:00Z,96,", "needs its unit, for nothing is guessed"),
        ("FER-01,weight,,2026-05-01T10:00Z,96,stone", "known: kg, g, lb"),
        ("FER-01,weight,,2026-05-01T10:00Z,,kg", "the value is missing"),
        ("FER-01,weight,,2026-05-01T10:00Z,50000,kg", "lies outside"),
        ("FER-01,weight,,,96,kg", "the time is missing"),
        ("FER-01,moisture,,2026-05-01T10:00Z,20,%", "needs a depth"),
        ("FER-01,girth,,2026-05-01T10:00Z,20,%", "quantities: resistance"),
        (",weight,,2026-05-01T10:00Z,20,kg", "neither a timber nor a place"),
        ("FER-01,weight,,2026-05-01T10:00Z,20 kg,lb", "another unit than its column"),
    ],
)
def test_a_row_that_makes_no_sense_is_refused_in_words_and_the_others_go_in(yard, row, why):
    text = f"tag,quantity,depth,taken,value,unit\n{row}\nFER-01,weight,,2026-05-02T10:00Z,90,kg\n"
    report = bring(import_readings.of_long(text.encode(), yard), yard)
    (one,) = report.refused_rows
    assert one.line == 2
    assert why in one.reason
    assert report.stored == 1


def test_the_end_of_a_meters_scale_is_at_least_and_comes_back_so(yard):
    head = "tag,quantity,depth,taken,value,unit\n"
    rows = (
        "FER-01,moisture,25 mm,2026-05-10T10:00Z,OL,\n"
        "FER-01,moisture,25 mm,2026-05-11T10:00Z,>27.5,%\n"
        "FER-01,moisture,25 mm,2026-05-12T10:00Z,26,%\n"
        "FER-01,weight,,2026-05-12T10:00Z,>80,kg\n"
    )
    report = bring(import_readings.of_long((head + rows).encode(), yard), yard)
    assert report.stored == 3
    assert "only a moisture meter says" in report.refused_rows[0].reason
    found = yard.store.readings(Owner.TIMBER, "FER-01")
    told = [(one.value, AT_LEAST in one.flags) for one in found]
    assert told == [(30.0, True), (27.5, True), (26.0, False)]


def test_the_end_of_a_meters_scale_in_a_loggers_column_is_at_least(yard):
    yard.register.add(replace(yard.register.get("FER-01"), tag="FER-02"))
    day = datetime(2026, 5, 1, tzinfo=UTC)
    operations.attach_sensor(yard, "S7", "FER-02", now_utc=NOW, at_utc=day, depth_mm=45)
    text = (
        "Date;Temp (C);MC;Moving\n2026-05-10 10:00;12,5;OL;>0,28\n"
        "2026-05-11 10:00;>13;>27,5;0,26\n2026-05-12 10:00;14;over the moon;over\n"
    )
    columns = (TEMP, "MC=timber/FER-01/pin-25/moisture:percent", "Moving=sensor/S7/moisture:ratio")
    report = bring(wide(text, yard, *columns), yard)
    assert [each.reason.split(" is ")[0] for each in report.refused_rows] == [
        "the value '>13'",  # no thermometer says so
        "the value 'over the moon'",
    ]

    def told(tag):
        return [(one.value, AT_LEAST in one.flags) for one in yard.store.readings(Owner.TIMBER, tag)]

    assert told("FER-01") == [(30.0, True), (27.5, True)]
    assert told("FER-02") == [(28.0, True), (26.0, False), (30.0, True)]
    assert all("sensor-S7" in one.flags for one in yard.store.readings(Owner.TIMBER, "FER-02"))


def test_refused_rows_come_out_with_their_reason_and_go_in_once_mended(yard, tmp_path):
    head = "tag;quantity;taken;value;unit\n"
    text = f"{head}FER-01;weight;2026-05-01T10:00Z;96;\nFER-01;weight;2026-05-02T10:00Z;95;kg\n"
    out = tmp_path / "refused.csv"
    import_readings.of_long(text.encode(), yard).look(yard, NOW, rejected=out)
    heading, row = csv.reader(out.read_text("utf-8-sig").splitlines(), delimiter=";")
    assert heading[-1] == "refused because"
    assert row[:4] == ["FER-01", "weight", "2026-05-01T10:00Z", "96"]
    out.write_text(out.read_text("utf-8-sig").replace(";96;;", ";96;kg;"))
    assert bring(import_readings.of_long(out, yard), yard).stored == 1


def test_refused_rows_do_not_overwrite_their_file(yard, tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("tag,quantity,taken,value,unit\nFER-01,weight,2026-05-01T10:00Z,96,\n")
    with pytest.raises(ExchangeError, match=r"would overwrite a\.csv"):
        import_readings.of_long(file, yard).look(yard, NOW, rejected=file)


def test_an_older_weight_brought_in_late_is_no_gain(yard):
    head = "tag,quantity,taken,value,unit\n"
    bring(import_readings.of_long(f"{head}FER-01,weight,2026-05-10T10:00Z,80,kg\n".encode(), yard), yard)
    bring(import_readings.of_long(f"{head}FER-01,weight,2026-04-10T10:00Z,95,kg\n".encode(), yard), yard)
    assert [one.flags for one in yard.store.readings(Owner.TIMBER, "FER-01")] == [(), ()]


# --- files that are none


@pytest.mark.parametrize(
    ("body", "why"),
    [
        (b"", "is empty"),
        (b"\n\n", "is empty"),
        (b"PK\x03\x04junk", "save the sheet as CSV"),
        (b"a\0b,c\n", "no text file"),
        (b"a,b\n\x81\n", "neither UTF-8 nor Windows-1252"),
        (b"Day,Temp\n1,2\n", "no line with 'Date' as headings; its first line says: Day, Temp"),
        (b"Date,Other\n2026-01-01,2\n", "no column 'Temp \\(C\\)'"),
        (b"Date,Temp (C),Temp (C)\n2026-01-01,2,3\n", "2 times"),
        (b'Date,Temp (C)\n2026-01-01,"2\n' + b"x" * 200_000, "never closed"),
    ],
)
def test_a_file_that_can_not_be_read_is_refused_in_one_sentence(yard, body, why):
    with pytest.raises(BaulkError, match=why) as err:
        wide(body, yard).look(yard, NOW)
    assert "\n" not in str(err.value)


def test_a_file_that_is_not_there_and_a_timber_that_is_not_there(yard, tmp_path):
    with pytest.raises(ExchangeError, match="there is no file"):
        import_readings.of_long(tmp_path / "none.csv", yard)
    with pytest.raises(NotFound, match="FER-01"):
        wide("Date,W\n2026-01-01,80\n", yard, "W=timber/FER-02/weight:kg")


def test_a_long_file_takes_no_more_memory_than_some_of_its_rows(yard, tmp_path):
    """What stays of each row is its time and its value."""
    start, file = datetime(2020, 1, 1, tzinfo=UTC), tmp_path / "long.csv"
    with file.open("w") as out:
        out.write("Date,A\n")
        out.writelines(
            f"{(start + k * timedelta(minutes=10)).isoformat()},{k % 40}.25\n" for k in range(100_000)
        )
    logger = Logger(time="Date", columns=(column("A=air/shed/temp:degC"),))
    tracemalloc.start()
    try:
        report = import_readings.of_logger(file, logger, yard).look(yard, NOW)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert report.new == 100_000
    assert peak < 40e6


@pytest.mark.parametrize(
    ("time", "columns", "options", "why"),
    [
        ("", [TEMP], {}, "column of the time"),
        ("Date", [], {}, "one column more"),
        ("Date", ["Temp"], {}, "a column is written as"),
        ("Date", ["T=air/shed/temp:C"], {}, "known: degC, degF, K"),
        ("Date", [TEMP], {"zone": "Mars"}, "not a time zone"),
        ("Date", [TEMP], {"time_format": "%Q"}, "is none"),
    ],
)
def test_what_a_person_says_of_a_logger_is_refused_in_one_sentence(time, columns, options, why):
    with pytest.raises(ExchangeError, match=why) as err:
        as_said(time, columns, **options)
    assert "\n" not in str(err.value)


KILLED = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from baulk.ingest import shop
from baulk.ingest.exchange import import_readings
with shop.open(sys.argv[1]) as opened:
    file = import_readings.of_long(Path(sys.argv[2]), opened)
    print("begun", flush=True)
    file.store(opened, datetime(2026, 5, 14, tzinfo=UTC))
"""


def test_an_import_that_is_killed_goes_on_when_it_is_begun_again(yard, yard_dir, tmp_path):
    file, start = tmp_path / "long.csv", datetime(2026, 1, 1, tzinfo=UTC)
    with file.open("w") as text:
        text.write("series,taken,value,unit\n")
        text.writelines(
            f"air/shed/temp,{(start + timedelta(minutes=k)).isoformat()},{k % 30},degC\n"
            for k in range(100_000)
        )
    child = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(yard_dir), str(file)], stdout=subprocess.PIPE, cwd=tmp_path
    )
    try:
        assert child.stdout.readline() == b"begun\n"
        until = time.monotonic() + 30
        while not yard.store.series(Owner.AIR) and time.monotonic() < until:
            time.sleep(0.01)
    finally:
        child.kill()
        child.wait()
        child.stdout.close()
    there = len(yard.store.readings(Owner.AIR, "shed"))
    assert 0 < there < 100_000
    report = bring(import_readings.of_long(file, yard), yard)
    assert (report.series[0].known, report.stored) == (there, 100_000 - there)
    assert len(yard.store.readings(Owner.AIR, "shed")) == 100_000


def test_a_sensor_that_moves_is_brought_in_where_it_was(yard):
    yard.register.add(replace(yard.register.get("FER-01"), tag="FER-02"))
    day = datetime(2026, 5, 1, tzinfo=UTC)
    operations.attach_sensor(yard, "S7", "FER-01", now_utc=NOW, at_utc=day, depth_mm=45, face=Face.B)
    operations.attach_sensor(
        yard,
        "S7",
        "FER-02",
        now_utc=NOW,
        at_utc=day + timedelta(days=5),
        depth_mm=32,
        from_end_mm=400,
        move=True,
    )
    text = "Date,MC\n" + "".join(f"2026-{month:02}-{at:02},2{at}\n" for month, at in ((4, 9), (5, 2), (5, 7)))
    report = bring(wide(text, yard, "MC=sensor/S7/moisture:percent"), yard)
    assert [each.series for each in report.series] == [
        "timber/FER-01/pin-45/b/moisture",
        "timber/FER-02/pin-32/moisture",
    ]
    (refused,) = report.refused_rows
    assert "the sensor S7 was on no timber at 2026-04-09" in refused.reason
    (one,) = yard.store.readings(Owner.TIMBER, "FER-02")
    assert (one.value, set(one.flags)) == (27, {"sensor-S7", "end-400"})
    number = yard.register.events("FER-02")[-1].number
    operations.undo(yard, number, by="Ana", now_utc=NOW)  # it was never there: its readings follow it back
    assert yard.store.readings(Owner.TIMBER, "FER-02") == []
    assert [each.value for each in yard.store.readings(Owner.TIMBER, "FER-01")] == [22, 27]

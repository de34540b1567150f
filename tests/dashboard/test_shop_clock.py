"""Commands take and print times by the shop's clock, wherever the machine stands."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from datetime import UTC, datetime

import pandas as pd
import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands, words
from baulk.dashboard.charts import time_series
from baulk.dashboard.commands import reaching
from baulk.ingest import decode_again, wire
from baulk.ingest import shop as shops
from baulk.ingest.errors import RegisterError
from baulk.ingest.evaluation import document_write
from baulk.ingest.evaluation.document_fields import sentences as document_sentences
from baulk.ingest.evaluation.inputs import Wish
from baulk.ingest.monitoring.notices import Notice
from baulk.ingest.mqtt import last_messages
from baulk.ingest.routing import Routed
from baulk.ingest.wire.message import RawMessage
from baulk.ingest.wire.zone import zone_of
from baulk.models import text
from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason
from baulk.models.text import _told_by
from baulk.models.timber import Event, EventKind

OAK = (
    "timber", "add", "FER-01", "--species", "white oak", "--size", "8 x 7 3/4", "--finished", "6 x 6 in",
    "--length", "12 ft", "--use", "backbone-above-water",
)  # fmt: skip


@pytest.fixture(params=["Pacific/Auckland", "Pacific/Honolulu"])
def here(request, shop_dir, monkeypatch):
    """Run commands on a shop on the other side of the world from a machine in Lisbon."""
    monkeypatch.setenv("TZ", "Europe/Lisbon")
    time.tzset()
    path = shop_dir / "baulk.toml"
    path.write_text(path.read_text().replace("[shop]\n", f'[shop]\nzone = "{request.param}"\n', 1))
    app = commands.build(("timber", "reading", "quarantine", "export"))

    def run(*given):
        env = {"BAULK_SHOP": str(shop_dir), "COLUMNS": "160"}
        done = CliRunner().invoke(app, list(given), env=env, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done.stdout

    run.zone, run.folder = zone_of(request.param), shop_dir
    yield run
    monkeypatch.undo()
    time.tzset()


def test_what_is_entered_by_the_shops_clock_is_shown_by_it(here):
    here(*OAK, "--at", "2026-01-05 07:30")
    here("timber", "move", "FER-01", "loft", "--new-place", "--at", "2026-02-01 23:45")
    here("timber", "attach", "FER-01", "S7", "--depth", "2 in", "--at", "2026-02-03 00:15")
    here("reading", "add", "FER-01", "weight", "212 lb", "--at", "2026-03-01 12:05")
    assert "arrived 2026-01-05 07:30" in here("timber", "show", "FER-01")
    assert "2026-03-01 12:05" in here("timber", "show", "FER-01")
    history = here("timber", "history", "FER-01")
    assert history.index("2026-01-05 07:30") < history.index("2026-02-01 23:45")
    assert "2026-02-03 00:15" in here("timber", "sensors")
    assert "2026-03-01 12:05" in here("reading", "list", "FER-01", "--days", "3000")
    stored = json.loads(here("timber", "show", "FER-01", "--json"))["timber"]["arrived_utc"]
    assert datetime.fromisoformat(stored) == datetime(2026, 1, 5, 7, 30, tzinfo=here.zone)
    for said in (history, here("timber", "show", "FER-01"), here("timber", "sensors")):
        assert "UTC" not in said


def test_quarantine_and_exports_keep_to_the_shops_clock(here):
    at = datetime(2026, 3, 1, 23, 50, tzinfo=UTC)
    with shops.open(here.folder) as opened:
        opened.store.quarantine(RawMessage(topic="a/b", payload=b"x", arrived_utc=at), reason="why")
    local = f"{at.astimezone(here.zone):%Y-%m-%d %H:%M}"
    assert local in here("quarantine", "list")
    assert local in here("quarantine", "groups")
    here(*OAK, "--at", "2026-01-05 00:30")
    assert "FER-01" in here("export", "timbers", "--since", "2026-01-05")
    assert "FER-01" not in here("export", "timbers", "--since", "2026-01-06")


def test_a_date_to_come_is_the_shops_midnight(here):
    found = reaching.date_ahead("2027-06-30", datetime(2026, 1, 1, tzinfo=UTC), here.zone)
    assert found == datetime(2027, 6, 30, tzinfo=here.zone)


def test_a_date_in_words_is_that_of_the_shops_clock(here):
    late = datetime(2027, 1, 1, 0, 30, tzinfo=here.zone).astimezone(UTC)
    words.keep_to(here.zone)
    try:
        assert words.when(late, datetime(2026, 1, 1, tzinfo=UTC), 1.0).endswith("Jan 2027")
    finally:
        words.keep_to(None)


def test_what_a_stored_document_says_keeps_to_the_shops_clock_and_its_moments_to_utc(here):
    late = datetime(2027, 1, 1, 0, 30, tzinfo=here.zone).astimezone(UTC)
    reason = Reason(code="calibration.one_day", values={"read_utc": late})
    with shops.open(here.folder) as opened:
        wish = Wish(units="metric", zone=opened.config.shop.zone)
    found = document_write.listing("notes", [reason], wish)
    assert "1 January 2027" in found["notes"][0]
    assert found["notes_coded"] == (reason,)


def test_sentences_tell_dates_by_the_shops_clock_those_within_others_too(here):
    late = datetime(2027, 1, 1, 0, 30, tzinfo=here.zone).astimezone(UTC)
    told = text.sentence(
        Reason(code="calibration.one_day", values={"read_utc": late}), "metric", zone=here.zone
    )
    assert "1 January 2027" in told
    how = Reason(code="buying.by_verdict").to_json()
    late_too = {"ready_utc": late.isoformat(), "how": how}  # as JSON has a reason within a reason
    values = _told_by(here.zone, {"inner": {"values": late_too}})
    assert values["inner"]["values"]["ready_utc"].startswith("2027-01-01T00:30")
    assert values["inner"]["values"]["how"] == how
    notice = Notice(
        kind="sensor",
        about="S7",
        reason=Reason(code="sensor.on_nothing", values={"sensor": "S7", "taken_utc": late}),
        since_utc=late,
    )
    assert "at 2027-01-01 00:30; " in notice.words("metric", zone=here.zone)


def test_reasons_and_notices_are_worded_by_it_on_the_way_out(here):
    late = datetime(2027, 1, 1, 0, 30, tzinfo=here.zone).astimezone(UTC)
    words.keep_to(here.zone)
    try:
        coded = Reason(code="calibration.one_day", values={"read_utc": late})
        (said,) = document_sentences((coded,), ("stored",), "metric", zone=words.zone())
    finally:
        words.keep_to(None)
    assert "1 January 2027" in said


def test_a_yard_goes_out_and_comes_in_again_with_its_moves(here, tmp_path):
    here(*OAK, "--at", "2026-01-05 07:30")
    here(
        "timber",
        "move",
        "FER-01",
        "loft",
        "--new-place",
        "--at",
        "2026-02-01 23:45",
        "--note",
        "by the crane",
    )
    files = [str(tmp_path / f"{what}.csv") for what in ("timbers", "events")]
    for what, file in zip(("timbers", "events"), files, strict=True):
        here("export", what, "-o", file)
    other = shops.init(tmp_path / "other", name="Other yard", units="inch")
    before = here("timber", "history", "FER-01")

    def there(*given):
        env = {"BAULK_SHOP": str(other), "COLUMNS": "160"}
        done = CliRunner().invoke(commands.build(("timber",)), list(given), env=env, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return done.stdout

    bring = ("timber", "import", files[0], "--events", files[1])
    assert "events that are not in the register: 1" in there(*bring)
    told = there(*bring, "--yes")
    assert "timbers entered: 1, changed: 0" in told
    assert "events entered: 1, there already: 0" in told
    assert "moved from shed to loft (by the crane)" in there("timber", "history", "FER-01")
    assert before.count("\n") == there("timber", "history", "FER-01").count("\n")
    again = there(*bring, "--yes")
    assert "there already and the same: 1" in again


def test_a_place_entered_wrongly_is_edited_from_the_start(here):
    here(*OAK, "--at", "2026-01-05 07:30")
    assert "place" in here("timber", "edit", "FER-01", "--place", "loft", "--new-place")
    assert "set on its bearers in loft" in here("timber", "history", "FER-01")
    assert "lies in  loft; arrived 2026-01-05 07:30" in here("timber", "show", "FER-01")
    assert "moved" not in here("timber", "history", "FER-01")


def test_charts_draw_by_the_shops_clock_wherever_the_reader_is(here):
    late = datetime(2027, 1, 1, 0, 30, tzinfo=here.zone)
    words.keep_to(here.zone)
    try:
        (drawn,) = time_series.times([late.timestamp()])
        frame = pd.DataFrame({"time": pd.to_datetime([late]).tz_convert("UTC"), "rh_pct": [60.0]})
        spec = time_series.air(frame, "rh_pct", "humidity", time_series.DEEP).to_dict()
        upright = time_series.upright(late.astimezone(UTC), "now", time_series.INK, [1, 0], 2)[0].to_dict()
    finally:
        words.keep_to(None)
    assert (drawn.tzinfo, drawn.isoformat()) == (None, "2027-01-01T00:30:00")
    for each in (spec, upright):
        times = {row["time"] for rows in each["datasets"].values() for row in rows}
        assert times == {"2027-01-01T00:30:00"}  # without a zone: a browser shows it as it stands


def test_refusals_and_details_tell_moments_by_the_shops_clock(here):
    here(*OAK, "--at", "2026-01-05 00:30")
    gone = datetime(2026, 3, 1, 0, 30, tzinfo=here.zone)
    with shops.open(here.folder) as opened:
        detached = Event(
            tag="FER-01", kind=EventKind.SENSOR_DETACHED, at_utc=gone.astimezone(UTC), detail={"sensor": "S7"}
        )
        with pytest.raises(RegisterError, match="is not on FER-01 at 2026-03-01 00:30; it is on none"):
            opened.register.add_event(detached)
        to_come = replace(detached, at_utc=datetime(2097, 1, 1, 0, 30, tzinfo=here.zone), noted_utc=gone)
        with pytest.raises(OutOfRange, match="2097-01-01 00:30 lies in the future"):
            opened.register.add_event(to_come)
        early = replace(detached, at_utc=datetime(2025, 6, 1, 0, 30, tzinfo=here.zone))
        with pytest.raises(OutOfRange, match="2025-06-01 lies before FER-01 arrived on 2026-01-05"):
            opened.register.add_event(early)
        pack = b'[{"n": "temp", "u": "Cel", "v": 18, "t": %d}]' % gone.timestamp()
        raw = RawMessage(topic=f"baulk/v1/{opened.config.slug}/air/shed", payload=pack, arrived_utc=gone)
        (reading,) = wire.understand(raw, slug=opened.config.slug, sources=()).readings
        told = last_messages._said(raw, Routed(readings=(reading,)), opened.config, ())
        line = decode_again._said(reading, opened.config.zone)
    assert told.readings[0].endswith("at 2026-03-01 00:30:00")
    assert line.endswith("at 2026-03-01 00:30:00")

"""Old sensor readings are thinned at night, if the settings ask for it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from baulk.dashboard.commands import forecast_watch
from baulk.ingest import shop
from baulk.ingest.monitoring import nightly
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

NIGHT = datetime(2026, 5, 14, 2, 0).astimezone()
HOUR = timedelta(hours=1)


@pytest.fixture
def yard(tmp_path, request):
    folder = shop.init(tmp_path / "yard", name="Ferry yard")
    path = folder / "baulk.toml"
    text = path.read_text()
    if getattr(request, "param", True):
        text = text.replace('path = "shop.db"', 'path = "shop.db"\nthin_after_days = 30\nthin_to = "daily"')
    path.write_text(text)
    with shop.open(folder) as opened:
        series = Series.parse("air/shed/temp")
        start = (NIGHT - timedelta(days=40)).astimezone(UTC).replace(hour=0)
        opened.store.append(
            [
                Reading(series=series, value=k, taken_utc=start + k * HOUR, arrived_utc=NIGHT)
                for k in range(10)
            ]
        )
        yield opened


def test_a_night_thins_once(yard):
    assert nightly.thin(yard, NIGHT) == 9
    assert not nightly.thinning_due(yard, NIGHT + HOUR)
    assert nightly.thin(yard, NIGHT + HOUR) == 0
    assert nightly.thinning_due(yard, NIGHT + timedelta(days=1))
    assert [one.value for one in yard.store.readings(Owner.AIR, "shed")] == [4]


def test_by_day_only_what_two_nights_have_missed(yard):
    nightly.thin(yard, NIGHT)
    assert not nightly.thinning_due(yard, NIGHT + 34 * HOUR)
    assert nightly.thinning_due(yard, NIGHT + 58 * HOUR)


def test_a_clock_set_back_does_not_stop_it_for_years(yard):
    nightly.thin(yard, NIGHT + timedelta(days=900))
    assert nightly.thinning_due(yard, NIGHT)


@pytest.mark.parametrize("yard", [False], indirect=True)
def test_nothing_is_thinned_unless_the_settings_ask(yard):
    assert nightly.thin(yard, NIGHT) == 0
    assert len(yard.store.readings(Owner.AIR, "shed")) == 10


def test_the_watch_over_forecasts_thins_at_night(yard, capsys, in_this_process):
    class Stop:
        rounds = 0

        def wait(self, _):
            self.rounds += 1
            return self.rounds > 2

        def is_set(self):
            return False

    forecast_watch.watch(yard, Stop(), in_this_process, workers=1)
    assert (
        capsys.readouterr().out.count("9 old sensor readings thinned, as [store] thin_after_days asks") == 1
    )

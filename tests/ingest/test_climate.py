"""No year is like another: the season's mean, and how far its months may lie from it."""

from __future__ import annotations

import csv
import importlib.util
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from baulk.ingest import config
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import climate
from baulk.models import air_scenarios, sorption
from baulk.models.air import AirSeries

DAY = 86_400.0
JUNE = datetime(2022, 6, 1, tzinfo=UTC).timestamp()
MONTHS = (
    "\n[climate]\ntemp_c = [1,2,3,4,5,6,7,8,9,10,11,12]\nrh_pct = [61,62,63,64,65,66,67,68,69,70,71,72]\n"
)


@pytest.fixture
def settings(tmp_path):
    folder = shops.init(tmp_path / "set", name="Set", units="metric")
    path = folder / config.FILE
    path.write_text(path.read_text() + MONTHS)
    return config.load(folder)


def record(first_s, days, temp, rh):
    at_s = first_s + 3600.0 * np.arange(days * 24)
    hour = np.arange(at_s.size) % 24
    swing = np.sin(2 * np.pi * hour / 24)
    return AirSeries(posix_s=at_s, temp_c=temp + 4 * swing, rh_pct=rh - 15 * swing)


def one_after_the_other(*parts):
    joined = {
        name: np.concatenate([getattr(each, name) for each in parts])
        for name in ("posix_s", "temp_c", "rh_pct")
    }
    return AirSeries(**joined)


def typical_days():
    """Daily means of temperature and humidity of the twelve months of Greensboro, as pvlib ships it."""
    spec = importlib.util.find_spec("pvlib")
    path = Path(spec.submodule_search_locations[0]) / "data" / "723170TYA.CSV"
    with path.open(encoding="utf-8", newline="") as file:
        table = list(csv.reader(file))
    columns = [table[1].index(name) for name in ("Dry-bulb (C)", "RHum (%)")]
    hours = np.array([[float(line[at]) for at in columns] for line in table[2:]])
    month = np.array([int(line[0][:2]) for line in table[2:]]).reshape(365, 24)[:, 12]
    return month, hours.reshape(365, 24, 2).mean(axis=1)


def month_sd_by_waves(month, daily):
    """What the mean and two waves of the year leave of twelve monthly means, each out of another year."""
    means = np.array([daily[month == k].mean() for k in range(1, 13)])
    turn = 2 * np.pi * (np.arange(12) + 0.5) / 12
    waves = [wave(k * turn) for k in (1, 2) for wave in (np.cos, np.sin)]
    shape = np.column_stack([np.ones(12), *waves])
    left = means - shape @ np.linalg.lstsq(shape, means, rcond=None)[0]
    return np.sqrt(np.sum(left**2) / 7)


def month_sd_by_days(month, daily):
    """What the days of a month leave open of its mean, neighbours hanging together."""
    found = []
    for k in range(1, 13):
        days = daily[month == k]
        at = np.arange(days.size)
        off = days - np.polyval(np.polyfit(at, days, 1), at)
        next_day = max(np.sum(off[:-1] * off[1:]) / np.sum(off**2), 0.0)
        found.append(off.var(ddof=2) * (1 + next_day) / (1 - next_day) / days.size)
    return np.sqrt(np.mean(found))


@pytest.mark.parametrize(
    ("column", "told"), [(0, air_scenarios.MONTH_TEMP_SD_C), (1, air_scenarios.MONTH_RH_SD_PCT)]
)
def test_the_usual_spread_of_months_is_what_a_typical_year_says_in_two_ways(column, told):
    # pvlib/data/723170TYA.CSV (National Solar Radiation Data Base): its months come from different real years
    month, daily = typical_days()
    waves, days = (sd(month, daily[:, column]) for sd in (month_sd_by_waves, month_sd_by_days))
    assert waves == pytest.approx(told, rel=0.05)
    assert days == pytest.approx(waves, rel=0.2)


def test_the_weeks_of_a_typical_year_lie_about_their_month_as_is_told():
    # the same file; with the drift of the season through the month it is too much, without any too little
    month, daily = typical_days()
    sd = (air_scenarios.MONTH_TEMP_SD_C, air_scenarios.MONTH_RH_SD_PCT)
    found = []
    for k in range(1, 13):
        days = daily[month == k]
        weeks = np.array([days[i : i + 7].mean(axis=0) for i in (0, 7, 14, 21)]) - days.mean(axis=0)
        at = np.arange(4) - 1.5
        drift = np.outer(at, at @ weeks / np.sum(at**2))
        found.append([weeks / sd, (weeks - drift) / sd])
    most, least = np.sqrt(np.mean(np.square(found), axis=(0, 2)))
    assert np.all(least < air_scenarios.WEEK_SHARE)
    assert np.all(most > air_scenarios.WEEK_SHARE)


def test_the_futures_have_the_season_as_their_mean_and_their_months_differ_by_the_spread(settings):
    season = climate.season(None, settings)
    futures = season.years(JUNE, JUNE + 211 * DAY, count=40)
    middle = season.between(JUNE, JUNE + 211 * DAY)
    temp, rh = (np.array([getattr(each, name) for each in futures]) for name in ("temp_c", "rh_pct"))
    assert temp.mean(axis=0) == pytest.approx(middle.temp_c)
    settles, usual = sorption.emc_pct(temp, rh).mean(axis=0), sorption.emc_pct(middle.temp_c, middle.rh_pct)
    assert settles == pytest.approx(usual, abs=0.02)
    month = middle.posix_s.astype("datetime64[s]").astype("datetime64[M]")
    for each in np.unique(month)[:-1]:
        own = month == each
        assert temp[:, own].mean(axis=1).std() == pytest.approx(air_scenarios.MONTH_TEMP_SD_C)
        assert rh[:, own].mean(axis=1).std() == pytest.approx(air_scenarios.MONTH_RH_SD_PCT, rel=0.01)
        within = rh[:, own] - rh[:, own].mean(axis=1, keepdims=True)
        assert within.std() == pytest.approx(
            air_scenarios.WEEK_SHARE * air_scenarios.MONTH_RH_SD_PCT, rel=0.25
        )


def test_years_are_the_same_for_every_timber_of_a_round_and_others_for_whatever_they_hang_on(settings):
    first, last = JUNE, JUNE + 20 * DAY
    season, again = (climate.season(None, settings) for _ in range(2))
    usual = season.years(first, last, 3)
    assert again.years(first, last, 3) is usual
    spread = air_scenarios.Spread(temp_c=season.spread.temp_c + 1, rh_pct=season.spread.rh_pct)
    others = [
        season.years(first + 1, last, 3),
        season.years(first, last + DAY, 3),
        season.years(first, last, 4),
        replace(season, temp_c=season.temp_c + 1).years(first, last, 3),
        replace(season, rh_pct=season.rh_pct - 1).years(first, last, 3),
        replace(season, spread=spread).years(first, last, 3),
    ]
    columns = [
        np.concatenate([[air.posix_s[0]], air.temp_c, air.rh_pct])
        for air in (usual[0], *(a[0] for a in others))
    ]
    for i, one in enumerate(columns):
        assert not any(np.array_equal(one, each) for each in columns[:i])
    whole = replace(season, temp_c=np.full((12, 24), 12), rh_pct=np.full((12, 24), 60))  # whole numbers too
    even = replace(season, temp_c=np.full((12, 24), 12.0), rh_pct=np.full((12, 24), 60.0))
    np.testing.assert_array_equal(whole.years(first, last, 2)[1].temp_c, even.years(first, last, 2)[1].temp_c)


def test_years_that_differ_much_are_expected_to_differ_much_and_like_ones_less(settings):
    year = 365.25 * DAY

    def spread(*humidities):
        own = one_after_the_other(*(record(JUNE + i * year, 30, 18, rh) for i, rh in enumerate(humidities)))
        return climate.season(own, settings).spread.rh_pct

    even, uneven = spread(60, 60.5, 60, 60.5, 60), spread(50, 70, 50, 70, 50)
    assert even[5] < air_scenarios.MONTH_RH_SD_PCT < uneven[5]
    assert even[7] == uneven[7] == air_scenarios.MONTH_RH_SD_PCT, "August was never measured"


def test_a_month_measured_once_is_less_certain_than_the_settings_long_mean(settings):
    own = record(JUNE, 30, 18, 60)
    spread = climate.season(own, settings).spread
    assert spread.temp_c[5] == pytest.approx(air_scenarios.MONTH_TEMP_SD_C * 2**0.5)
    assert spread.temp_c[6] == air_scenarios.MONTH_TEMP_SD_C


def test_a_month_measured_in_several_years_is_their_mean(settings):
    own = one_after_the_other(record(JUNE, 30, 16, 60), record(JUNE + 365 * DAY, 30, 20, 60))
    assert climate.season(own, settings).temp_c[5].mean() == pytest.approx(18)


def test_the_season_holds_the_mean_of_the_hours_moisture_not_the_moisture_of_the_mean_hour(settings):
    # dry and damp days by turns: the mean EMC of the hours lies above the EMC of their mean humidity
    at_s = JUNE + 3600.0 * np.arange(30 * 24)
    rh = np.where((np.arange(at_s.size) // 24) % 2, 45.0, 95.0)
    own = AirSeries(posix_s=at_s, temp_c=np.full(at_s.size, 18.0), rh_pct=rh)
    season = climate.season(own, settings)
    settles = sorption.emc_pct(season.temp_c[5], season.rh_pct[5])
    assert settles == pytest.approx(np.full(24, float(np.mean(sorption.emc_pct(18.0, rh)))), abs=0.01)
    assert settles.mean() > float(sorption.emc_pct(18.0, rh.mean())) + 1


def test_a_typical_year_colder_than_the_equation_knows_is_taken_all_the_same(tmp_path):
    folder = shops.init(tmp_path / "cold", name="Cold", units="metric")
    path = folder / config.FILE
    path.write_text(path.read_text() + '\n[climate]\ntypical_year = "year.csv"\n')
    (folder / "year.csv").write_text("temp_c,rh_pct\n" + "-41.5,70\n" * 8760)
    season = climate.season(None, config.load(folder))
    assert np.all(season.temp_c == -41.5)
    assert season.rh_pct == pytest.approx(np.full((12, 24), 70.0), abs=0.01)

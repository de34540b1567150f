"""While a timber lies: hours in which wood rots, beetles in sapwood, what is due; and the words of it."""

from __future__ import annotations

import dataclasses
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from baulk.models import keeping, species, text
from baulk.models.air import AirSeries
from baulk.models.keeping import Lying, Resistance
from baulk.models.reason import Reason
from baulk.models.section import Finished, Section
from baulk.models.text import keeping as words
from baulk.models.timber import Event, EventKind, Timber

NOW = datetime(2027, 6, 20, 12, tzinfo=UTC)


def steady(temp_c, days=100, every_h=1.0):
    at_s = NOW.timestamp() - np.arange(days * 24 / every_h, 0, -1) * every_h * 3600
    return AirSeries(posix_s=at_s, temp_c=np.full(at_s.size, temp_c), rh_pct=np.full(at_s.size, 80.0))


def lies(wood="white oak", *, shell_pct=28.0, mean=45.0, temp_c=18.0, days=90, events=(), air=None, **how):
    timber = Timber(
        tag="FER-03", species=wood, section=Section(width_mm=200, depth_mm=200), length_mm=3000,
        finished=Finished(width_mm=150, depth_mm=150), use_class="backbone-above-water", place="shed",
        arrived_utc=NOW - timedelta(days=days), **how,
    )  # fmt: skip
    return Lying(
        timber=timber, wood=species.get(wood), events=tuple(events), shell_pct=shell_pct, mean_pct=mean,
        air=steady(temp_c) if air is None else air,
    )  # fmt: skip


def codes(lying):
    return [each.code.partition(".")[2] for each in keeping.remarks(lying, NOW)]


def event(kind, days_ago, **detail):
    return Event(tag="FER-03", kind=kind, at_utc=NOW - timedelta(days=days_ago), detail=detail)


# Wood Handbook, FPL-GTR-282, chapter 14: decay is relatively slow below 10 and above 35 degC
@pytest.mark.parametrize(("temp_c", "hours"), [(9.9, 0), (10, 24), (20, 24), (35, 24), (35.1, 0)])
def test_hours_count_where_the_handbook_says_that_decay_goes_on(temp_c, hours):
    until = NOW.timestamp()
    found = keeping.warm_hours(steady(temp_c), since_s=until - 86_400, until_s=until)
    assert found == pytest.approx(hours)


def test_a_gap_in_the_air_counts_for_six_hours_and_no_more():
    until = NOW.timestamp()
    lonely = AirSeries(posix_s=np.array([until - 86_400]), temp_c=np.array([20.0]), rh_pct=np.array([80.0]))
    assert keeping.warm_hours(lonely, since_s=until - 2 * 86_400, until_s=until) == 6


# NAVFAC MO-312, 4.2: decay stops at 20 % or less
def test_a_shell_that_is_safe_or_air_that_nobody_measures_counts_no_hour():
    assert keeping.decay_hours(lies(shell_pct=20.0), NOW) == 0
    assert keeping.decay_hours(dataclasses.replace(lies(), air=None), NOW) == 0
    assert keeping.decay_hours(lies(shell_pct=20.1), NOW) == pytest.approx(60 * 24)
    assert keeping.decay_hours(lies(days=10), NOW) == pytest.approx(240)  # only since it arrived


# NAVFAC MO-312, Table 2-1
@pytest.mark.parametrize(
    ("wood", "stands"),
    [
        ("white oak", Resistance.GOOD),
        ("northern red oak", Resistance.POOR),
        ("Douglas-fir", Resistance.MIDDLING),
        ("western redcedar", Resistance.GOOD),
        ("Sitka spruce", Resistance.POOR),
        ("European oak", None),
    ],
)
def test_how_heartwood_stands_decay_is_as_the_table_prints_it(wood, stands):
    assert keeping.resistance(species.get(wood)) is stands


def test_every_wood_of_the_three_groups_is_one_that_the_species_table_has():
    assert set(species.names()) >= (keeping._GOOD | keeping._MIDDLING | keeping._POOR)


def test_durable_heartwood_alone_gives_no_notice_but_its_sapwood_does():
    assert keeping.notice(lies(heartwood_mm=500.0), NOW) is None
    assert keeping.notice(lies(heartwood_mm=90.0), NOW) is not None
    assert keeping.notice(lies("northern red oak", heartwood_mm=500.0), NOW) is not None
    assert keeping.notice(lies("northern red oak", days=20), NOW) is None  # 480 hours
    assert keeping.notice(lies("northern red oak", retired_utc=NOW), NOW) is None


@pytest.mark.parametrize(
    ("lying", "told"),
    [
        (lies(days=30, heartwood_mm=90.0), ["decay", "stain", "ambrosia"]),
        (lies(days=30, heartwood_mm=500.0), ["decay"]),  # nothing lives in heartwood
        (lies(days=30, heartwood_mm=90.0, temp_c=5.0), []),  # nor in the cold
        (lies(days=30, heartwood_mm=90.0, temp_c=12.0), ["decay", "stain"]),  # too cold to fly
        (lies(days=30, heartwood_mm=90.0, shell_pct=14.0, mean=18.0), ["powderpost"]),
        (lies(days=30, heartwood_mm=90.0, shell_pct=14.0, mean=45.0), ["powderpost"]),  # dry outside
        (lies("Scots pine", days=30, heartwood_mm=90.0, shell_pct=14.0, mean=18.0), ["longhorn"]),
        (lies("western redcedar", days=30, heartwood_mm=90.0, shell_pct=14.0, mean=18.0), []),
    ],
)
def test_what_lives_in_sapwood_is_told_when_it_is_about(lying, told):
    assert codes(lying) == told


def test_what_is_due_counts_from_the_last_time_that_it_was_done():
    cold = {"temp_c": 5.0, "ends_sealed": True, "days": 200}
    assert codes(lies(**cold)) == ["turn", "stickers", "coat"]
    done = [
        event(EventKind.TURNED, 20, up="c"),
        event(EventKind.STICKERED, 20, faces="ac"),
        event(EventKind.COATED, 20, faces="ac"),
    ]
    assert codes(lies(**cold, events=done)) == []
    undone = [dataclasses.replace(each, undone_utc=NOW) for each in done]
    assert codes(lies(**cold, events=undone)) == ["turn", "stickers", "coat"]
    assert codes(lies(**cold, shell_pct=12.0, mean=18.0)) == []  # dry: nothing is due
    assert codes(lies(temp_c=5.0, days=200)) == ["turn", "stickers"]  # never coated


def test_a_timber_in_its_place_no_longer_lies():
    fitted = event(EventKind.FITTED, 5)
    assert codes(lies(events=[fitted])) == []
    assert keeping.notice(lies("northern red oak", events=[fitted]), NOW) is None
    back = dataclasses.replace(fitted, undone_utc=NOW)
    assert "decay" in codes(lies(events=[back]))
    assert codes(lies(retired_utc=NOW)) == []


TOLD = [
    (
        "keeping.decay",
        {"hours_h": 900, "days": 60.0, "shell_pct": 24.2, "species": "white oak", "resistance": "good",
         "has_sapwood": True, "dry_utc": NOW},
        ("lay 900 hours in air of", "now 24 %", "by 20 June 2027", "oak stands decay well, its sapwood"),
    ),
    (
        "keeping.decay",
        {"hours_h": 200, "days": 60.0, "shell_pct": 24.2, "species": "iroko", "resistance": None,
         "has_sapwood": False, "dry_utc": None},
        ("No table here says how the heartwood of iroko stands decay. Move air", "wear a mask"),
    ),
    ("keeping.stain", {"shell_pct": 26.0}, ("the shell is at 26 %", "poisonous", "dust")),
    ("keeping.ambrosia", {"warmest_c": 18.0}, ("pinholes", "green sapwood")),
    ("keeping.powderpost", {"species": "white oak"}, ("sapwood of white oak", "label and the local law")),
    ("keeping.longhorn", {"species": "Scots pine"}, ("softwood such as Scots pine", "gnawing")),
    ("keeping.turn", {"days": 70}, ("70 days on the same side", "hoist or enough people")),
    ("keeping.stickers", {"days": 130}, ("moved for 130 days", "secured")),
    ("keeping.coat", {"days": 200}, ("200 days old", "no flame")),
    ("notice.decay", {"tag": "FER-03", "shell_pct": 26}, ("FER-03 has lain warm", "at 26 %")),
]  # fmt: skip


@pytest.mark.parametrize(("code", "values", "parts"), TOLD)
def test_each_remark_is_told_with_its_caution_in_the_readers_units(code, values, parts):
    reason = Reason.from_json(Reason(code=code, values=values).to_json())
    inch, metric = (text.sentence(reason, system) for system in ("inch", "metric"))
    for part in parts:
        assert part in inch
        assert part in metric
    assert not re.search(r"\d (mm|kg|°C)\b", inch)
    assert not re.search(r"\d (in|lb|°F)\b(?! the)", metric)


def test_every_code_stands_in_the_table_above():
    assert {code for code, *_ in TOLD} == set(words.SENTENCES)

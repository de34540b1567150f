"""Two timbers whose tags were exchanged are found across the yard, told, and said in both verdicts."""

from __future__ import annotations

import dataclasses
import json
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import documents
from ferry_pair import DAY, NOW, air, judging, old, young

from baulk.dashboard.commands import forecast_turns
from baulk.ingest import shop
from baulk.ingest.evaluation import batch, swaps
from baulk.ingest.monitoring import notices
from baulk.ingest.store import notes
from baulk.models.calibrate.calibration import Swap
from baulk.models.quantity import Quantity

SINCE = NOW - 90 * DAY


@pytest.fixture
def yard(tmp_path):
    with shop.open(shop.init(tmp_path / "yard", name="Ferry yard", units="metric")) as opened:
        opened.store.append(air())
        yield opened


def enter(opened, *records):
    for piece, readings in records:
        opened.register.add(piece)
        opened.store.append(readings)
    tags = [piece.tag for piece, _ in records]
    assert batch.run(opened, tags, NOW, workers=1).failed == {}
    return tags


def exchanged(one, two):
    """Both records with what was read since a day under the other's tag."""

    def under(readings, tag):
        return [dataclasses.replace(r, series=dataclasses.replace(r.series, name=tag)) for r in readings]

    def cut(readings):
        return [r for r in readings if r.taken_utc < SINCE], [r for r in readings if r.taken_utc >= SINCE]

    (piece, mine), (other, theirs) = one, two
    (a, a_late), (b, b_late) = cut(mine), cut(theirs)
    return (piece, [*a, *under(b_late, piece.tag)]), (other, [*b, *under(a_late, other.tag)])


def reasons(opened, tag):
    return json.loads(opened.store.evaluation(tag)[1])["verdict"]["reasons"]


def look(opened, now):
    """Look as the commands do; return what they say."""
    return forecast_turns.look_for_swaps(opened, now, 1, None, lambda: False)


def notice(opened):
    found = notices.look(opened, NOW)
    return [(each.about, each.reason) for each in found if each.kind == "swapped tags"]


def test_a_swap_is_found_told_once_and_stands_in_both_verdicts_until_it_is_put_right(yard):
    right = young(), old(shift=3)  # read on another day of the week
    tags = enter(yard, *exchanged(*right))
    for tag in tags:
        assert json.loads(yard.store.evaluation(tag)[1])["calibration"]["stepped_posix_s"] is not None
    assert not any("fits FER" in each for tag in tags for each in reasons(yard, tag))
    (words,) = look(yard, NOW)
    assert "tags or sensors were swapped" in words
    assert notice(yard) == [("FER-07 and FER-08", notes.swaps(yard.store)[0].reason)]
    for tag in tags:
        assert words in reasons(yard, tag)
    assert look(yard, NOW + DAY) == []  # told already
    (found,) = swaps.look(yard, NOW + DAY)
    assert abs(found.since_posix_s - SINCE.timestamp()) < 10 * judging.DAY_S
    assert [(each.tags, each.found_utc) for each in notes.swaps(yard.store)] == [(("FER-07", "FER-08"), NOW)]
    assert notes.swap_reason(yard.store, "FER-07", NOW - DAY) is None  # an earlier day did not know

    for (piece, readings), tag in zip(right, tags, strict=True):
        assert piece.tag == tag
        late = [each for each in readings if each.taken_utc >= SINCE]
        with yard.store._sql.write() as (at, _):  # as when each sensor is attached where it belongs
            yard.store._readings.leave(at, late)
        yard.store.append(late)
    batch.run(yard, tags, NOW, workers=1)
    assert look(yard, NOW) == []
    assert notice(yard) == []
    assert not any("swapped" in each for tag in tags for each in reasons(yard, tag))


def test_a_clean_yard_of_eight_gives_none_and_nobody_is_fitted_for_it(yard, monkeypatch):
    enter(
        yard,
        *(young(f"FER-1{number}", seed=number, shift=number % 7) for number in range(4)),
        *(old(f"FER-2{number}", seed=20 + number, shift=number % 7) for number in range(4)),
    )
    monkeypatch.setattr(swaps.compute, "fitted_to", lambda *_: pytest.fail("was fitted"))
    assert swaps.look(yard, NOW) == []
    assert yard.store.noted(notes.SWAPS) is None


def test_a_new_meter_that_reads_everything_drier_is_a_step_but_no_swap(yard, monkeypatch):
    def with_a_new_meter(piece, readings):
        pins = [each for each in readings if each.series.quantity is Quantity.MOISTURE]
        return piece, [
            dataclasses.replace(each, value=each.value - 7 * (each.taken_utc >= SINCE)) for each in pins
        ]

    tags = enter(yard, with_a_new_meter(*young()), with_a_new_meter(*old()))
    said = [json.loads(yard.store.evaluation(tag)[1])["calibration"]["stepped_posix_s"] for tag in tags]
    assert any(said)
    assert swaps.look(yard, NOW) == []
    monkeypatch.setattr(swaps, "_pairs", lambda _: [tuple(tags)])
    assert swaps.look(yard, NOW) == []


def stepped(tag, days_ago, before_days=7):
    """An evaluation whose series stepped so many days ago."""
    at_s = (NOW - days_ago * DAY).timestamp()
    one = {"series": f"timber/{tag}/weight", "measured_pct": 20.0, "model_pct": 20.0, "sd_pct": 1.0}
    rows = [{**one, "posix_s": at_s - before_days * judging.DAY_S}, {**one, "posix_s": at_s}]
    return tag, NOW, documents.stored(tag, NOW, calibration={"stepped_posix_s": at_s}, readings=rows)


def paired(opened, monkeypatch, *stored, gain=lambda *_: 30.0):
    asked = []
    for tag, made, payload in stored:
        opened.register.add(dataclasses.replace(judging.timber(), tag=tag))
        opened.store.save_evaluation(tag, made, payload)

    def swapped(a, b):
        asked.append((a, b))
        return Swap(tags=(a, b), since_posix_s=0.0, gain=gain(a, b))

    monkeypatch.setattr(swaps, "_fit", lambda _shop, tag, _now: tag)
    monkeypatch.setattr(swaps.calibration, "swapped", swapped)
    return asked, swaps.look(opened, NOW)


def test_only_timbers_that_stepped_at_one_time_are_held_against_each_other(yard, monkeypatch):
    asked, _ = paired(
        yard, monkeypatch, stepped("A", 90), stepped("B", 86), stepped("C", 40), stepped("D", 98.5)
    )
    assert asked == [("A", "B")]


def test_a_look_is_bounded_and_each_timber_stands_in_its_surest_pair(yard, monkeypatch):
    many = [stepped(f"T{number:02d}", 90 + number / 100) for number in range(10)]
    asked, best = paired(
        yard, monkeypatch, *many, gain=lambda a, b: 100.0 if (a, b) == ("T02", "T03") else 30.0
    )
    assert len(asked) == swaps.MOST_PAIRS
    assert best[0].tags == ("T02", "T03")
    told = [tag for each in best for tag in each.tags]
    assert len(told) == len(set(told))


def test_what_another_version_or_a_retired_timber_left_is_passed_over(yard, monkeypatch):
    yard.store.note(notes.SWAPS, b'{"else": 1}')
    asked, best = paired(
        yard,
        monkeypatch,
        stepped("A", 90),
        ("B", NOW, b"{}"),
        ("C", NOW, b'{"calibration": {"stepped_posix_s": "x"}, "readings": []}'),
        ("D", NOW, b'{"failed": "why"}'),
    )
    yard.store.save_evaluation(*stepped("GONE", 90))
    assert (asked, best) == ([], [])
    assert swaps.look(yard, NOW) == []

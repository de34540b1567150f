"""Wane as people note it: at its corner, at all four where nobody said at which, and after a planing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import product

import numpy as np
import pytest

from baulk.models import species, wane
from baulk.models.allowance import bend, chance
from baulk.models.allowance.parts import Ask, Wet
from baulk.models.errors import OutOfRange
from baulk.models.plan.sawing import bevel, obstacles
from baulk.models.section import Section
from baulk.models.timber import Event, EventKind
from baulk.models.verdict import comes_out

NOW = datetime(2026, 11, 27, tzinfo=UTC)
SECTION = Section(width_mm=120, depth_mm=120)


def event(kind, day, **detail):
    return Event(tag="T", kind=kind, at_utc=NOW + timedelta(days=day), detail=detail, number=day)


def measured(day, **detail):
    return event(EventKind.MEASURED, day, **detail)


def test_wane_without_a_corner_is_taken_at_all_four_until_one_is_named():
    first = measured(1, wane_mm=30.0)
    seen = wane.noted([first])
    assert (set(seen.legs_mm), seen.everywhere) == ({"ab", "bc", "cd", "da"}, True)
    one = wane.noted([first, measured(2, wane_ab_mm=38.0, wane_ab_down_mm=25.0)])
    assert (one.legs_mm["ab"], one.legs_mm["cd"], one.everywhere) == ((38, 25), (30, 30), True)
    whole = measured(3, **{f"wane_{each}_mm": 0.0 for each in ("bc", "cd", "da")})
    named = wane.noted([first, measured(2, wane_ab_mm=38.0, wane_ab_down_mm=25.0), whole])
    assert (dict(named.legs_mm), named.everywhere) == ({"ab": (38, 25)}, False)


def test_a_corner_that_was_named_alone_is_the_only_one():
    seen = wane.noted([measured(1, wane_cd_mm=20.0)])
    assert (dict(seen.legs_mm), seen.everywhere) == ({"cd": (20, 20)}, False)
    (only,) = obstacles.bevels(Section(width_mm=200, depth_mm=15), seen)
    assert (only.corner, only.across_mm, only.down_mm) == ("cd", 20, 15)  # no further than the section


def test_a_planing_takes_its_half_from_either_side():
    planed = event(
        EventKind.PLANED, 2, width_mm=190.0, depth_mm=180.0, from_width_mm=200.0, from_depth_mm=200.0
    )
    left = wane.noted([measured(1, wane_ab_mm=40.0, wane_ab_down_mm=20.0), planed])
    # 5 of 40 and 10 of 20: three eighths of the bevel are left
    assert left.legs_mm["ab"] == pytest.approx((15, 7.5))
    section = Section(width_mm=200, depth_mm=200)
    within = Section(width_mm=190, depth_mm=180)
    old, new = bevel.wane(section, "ab", (40, 20)), bevel.wane(within, "ab", left.legs_mm["ab"])
    for x, y in product(range(60, 95), range(60, 90)):
        assert old.cuts(0, 0, x, y) == new.cuts(0, 0, x, y)  # the same line, whichever section it is told of
    assert not wane.noted([measured(1, wane_ab_mm=10.0), planed]).legs_mm
    one_side = event(EventKind.PLANED, 2, width_mm=190.0, depth_mm=200.0, from_width_mm=200.0)
    left = wane.noted([measured(1, wane_ab_mm=40.0, wane_ab_down_mm=20.0), one_side])
    assert left.legs_mm["ab"] == pytest.approx((35.0, 17.5))  # 5 of 40 mm went, whatever the slope
    unknown = event(EventKind.PLANED, 2, width_mm=190.0, depth_mm=180.0)
    assert not wane.noted([measured(1, wane_mm=40.0), unknown]).legs_mm


def test_a_corner_is_written_in_either_order_and_in_either_unit():
    assert wane.corner_of("ab 1 1/2 x 1 in", "mm") == ("ab", (pytest.approx(38.1), pytest.approx(25.4)))
    assert wane.corner_of("CB 38 x 25", "mm") == ("bc", (38, 25))
    assert wane.detail_of(["ab none"], "in") == {"wane_ab_mm": 0.0, "wane_ab_down_mm": 0.0}
    for wrong in ("ac 1 x 1 in", "1 x 1 in", "ab", "ab 2 in"):
        with pytest.raises(OutOfRange):
            wane.corner_of(wrong, "in")


def fits(room, corners, **more):
    """Whether 100 x 100 come out of so much more, nothing being lost to anything but wane."""
    still = comes_out.drawn(SECTION, species.get("white oak"), Wet(mean_pct=12.0), np.full(2, 12.0))
    ask = Ask(
        width_mm=100, depth_mm=100, bow=bend.known(0.0), crook=bend.known(0.0), planing_mm=0.0,
        corners_mm=corners, **more,
    )  # fmt: skip
    return bool(chance.comes_out(ask, (100 + room[0], 100 + room[1]), still).fits[0])


@pytest.mark.parametrize("room", [(20, 5), (5, 20), (12, 12), (3, 0)])
@pytest.mark.parametrize(
    "corners",
    [
        {"ab": (30, 30)},
        {"ab": (15, 25), "cd": (15, 25)},
        {"ab": (11.9, 11.9), "bc": (11.9, 11.9)},
        {"ab": (10, 30), "bc": (8, 8), "cd": (20, 20)},
        dict.fromkeys(("ab", "bc", "cd", "da"), (11.0, 11.0)),
    ],
)
def test_a_piece_comes_out_past_wane_where_some_place_of_a_raster_is_clear(room, corners):
    # the raster knows only points inside a polygon: four corners of the piece above four straight lines
    def clear(x, y):
        beside = {
            "ab": (room[0] - x, room[1] - y),
            "bc": (room[0] - x, y),
            "cd": (x, y),
            "da": (x, room[1] - y),
        }
        return all(
            beside[at][0] * down + beside[at][1] * across >= across * down - 1e-9
            for at, (across, down) in corners.items()
        )

    steps = np.linspace(0, 1, 41)
    anywhere = any(clear(room[0] * u, room[1] * v) for u, v in product(steps, steps))
    assert fits(room, corners) <= anywhere  # never promised where no place is clear
    corner_or_middle = any(clear(room[0] * u, room[1] * v) for u, v in product((0, 0.5, 1), repeat=2))
    assert fits(room, corners) == corner_or_middle

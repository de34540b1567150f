"""What a yard has learned, and how many timbers speak."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from baulk.models.calibrate.yard_lessons import lessons
from baulk.models.yard.estimates import Estimate, Own
from baulk.models.yard.kinship import Origin, Taught
from baulk.models.yard.track_record import Spread

OAK = {"white oak": (0.2, 0.7)}
CAME = datetime(2025, 4, 7, 9, tzinfo=UTC)


def taught(tag, lot=0, **says):
    timber = Origin(
        tag=tag, species="white oak", arrived_utc=CAME + timedelta(days=30 * lot), arrived_at="shed",
        place="shed", meter="hand-held meter",
    )  # fmt: skip
    return Taught(
        timber=timber, own=Own(says={name: Estimate(value=v, sd=sd) for name, (v, sd) in says.items()})
    )


def test_woods_meters_places_and_forecasts_are_told_with_how_many_speak():
    known = [
        taught(
            f"T{k}", k // 4, ln_d=(-0.7, 0.2), meter_bias=(1.5, 0.4), ln_surface=(0.4, 0.15),
            emc_offset=(-1.0, 0.3),
        )
        for k in range(24)
    ]  # fmt: skip
    found = lessons(known, OAK, {"white oak": Spread(factor=1.15, compared=12), "red oak": Spread()})
    assert [(each.kind, each.about, each.timbers) for each in found] == [
        ("wood", "white oak", 24), ("meter", "hand-held meter", 24), ("place", "shed", 24),
        ("place", "shed", 24), ("forecasts", "white oak", 12),
    ]  # fmt: skip
    wood, meter, surface, emc, forecasts = found
    assert wood.value == pytest.approx(np.exp(-0.9), rel=0.1)
    assert wood.low < wood.value < wood.high
    assert [each.reason.code for each in found] == [
        "yard.wood_dries", "yard.meter_reads", "yard.place_dries_faces", "yard.place_settles",
        "yard.forecasts_widened",
    ]  # fmt: skip
    assert wood.reason.values["factor"] == pytest.approx((wood.low, wood.value, wood.high), abs=0.001)
    assert meter.value == pytest.approx(1.5, abs=0.1)
    assert surface.value > 1
    assert emc.reason.values["off_pct"][1] == pytest.approx(-1.0, abs=0.1)
    assert dict(forecasts.reason.values) == {"species": "white oak", "factor": 1.15}
    assert (wood.backing, forecasts.backing) == ("24 timbers", "12 comparisons")


def test_nothing_is_told_of_what_nobody_speaks_of():
    assert lessons([], OAK, {}) == ()
    assert lessons([taught("T1", ln_d=(0.0, 600.0))], OAK, {"white oak": Spread()}) == ()
    (one,) = lessons([taught("T1", ln_d=(0.3, 0.2))], OAK, {})
    assert one.backing == "1 timber"

"""`baulk store thin`: look first, then do."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.dashboard.commands import store
from baulk.ingest import shop
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series


def test_old_readings_are_thinned_after_a_look(shop_dir, baulk):
    start = datetime(2024, 3, 1, tzinfo=UTC)
    series = Series.parse("air/shed/temp")
    with shop.open(shop_dir) as yard:
        yard.store.append(
            Reading(series=series, value=k, taken_utc=start + k * timedelta(minutes=10), arrived_utc=start)
            for k in range(12)
        )
    asked = ("--shop", str(shop_dir), "store", "thin", "--older-than", "365d")
    looked = baulk(*asked, "--preview", "--json")
    assert json.loads(looked.stdout) == {"keep_days": 365, "to": "hourly", "preview": True, "gone": 10}
    done = baulk(*asked)
    assert done.stdout.startswith(
        "10 sensor readings older than 365 days went; the median of each hour stays"
    )
    with shop.open(shop_dir) as yard:
        assert [one.value for one in yard.store.readings(Owner.AIR, "shed")] == [2, 8]


@pytest.mark.parametrize(("text", "days"), [("365d", 365), ("52 W", 364), ("2y", 730.5), ("90", 90)])
def test_a_length_of_time_is_read(text, days):
    assert store.days(text) == days


@pytest.mark.parametrize("text", ["", "-3d", "soon", "3 months", "1e9d"])
def test_another_is_refused_with_an_example(text):
    with pytest.raises(OutOfRange, match="looks like 365d, 52w or 2y"):
        store.days(text)

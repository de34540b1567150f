"""A shop with a few timbers and their readings, for the tests of whole yards."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
DAY = timedelta(days=1)
TAGS = tuple(f"FER-{number:02d}" for number in range(1, 7))


def timber(tag, **more):
    given = {
        "species": "white oak",
        "section": Section(width_mm=150, depth_mm=150),
        "length_mm": 2400,
        "finished": Finished(width_mm=110, depth_mm=110),
        "use_class": "backbone-above-water",
        "place": "shed",
        "arrived_utc": NOW - 120 * DAY,
    }
    return Timber(tag=tag, **{**given, **more})


def reading(series, value, when):
    return Reading(series=series, value=value, taken_utc=when, arrived_utc=when)


def pin(tag, value, when):
    series = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.MOISTURE, depth_mm=20)
    return reading(series, value, when)


def air(place="shed", *, days=120, temp_c=12.0, rh_pct=68.0):
    found = []
    for hours in range(0, days * 24, 6):
        when = NOW - days * DAY + timedelta(hours=hours)
        for quantity, value in ((Quantity.TEMP, temp_c + hours % 5), (Quantity.HUMIDITY, rh_pct + hours % 7)):
            series = Series(owner=Owner.AIR, name=place, quantity=quantity)
            found.append(reading(series, value, when))
    return found


def fill(shop, tags=TAGS):
    shop.store.append(air())
    for number, tag in enumerate(tags):
        shop.register.add(timber(tag))
        shop.store.append(
            pin(tag, 38 - 2.0 * k - 0.3 * number, NOW - (100 - 10 * k) * DAY) for k in range(10)
        )

"""What to look for while a timber lies, from a shop's own evaluation and air."""

from __future__ import annotations

import dataclasses
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import documents

from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import keeping_record
from baulk.ingest.monitoring import notices
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 7, 14, 12, tzinfo=UTC)


def warm(shop, place, days, temp_c):
    for quantity, value in ((Quantity.TEMP, temp_c), (Quantity.HUMIDITY, 70.0)):
        series = Series(owner=Owner.AIR, name=place, quantity=quantity)
        readings = [
            Reading(series=series, value=value, taken_utc=at, arrived_utc=at, source="mqtt")
            for at in (NOW - timedelta(hours=6 * n) for n in range(1, days * 4))
        ]
        shop.store.append(readings)


def test_weeks_of_warm_air_about_a_wet_shell_are_a_remark_and_a_notice_until_it_is_dry(shop_dir, oak):
    oak = dataclasses.replace(oak, arrived_utc=NOW - timedelta(days=50))
    with shops.open(shop_dir) as shop:
        operations.add_timber(shop, oak)
        assert keeping_record.look(shop, oak.tag, NOW) == ()  # before its first evaluation
        warm(shop, oak.place, 40, 18.0)
        for shell, told in ((26.0, True), (18.0, False)):
            body = documents.stored(oak.tag, NOW, shell_now_pct=documents.span(shell, 2.0))
            shop.store.save_evaluation(oak.tag, NOW + timedelta(seconds=told), body)
            found = [each.code for each in keeping_record.look(shop, oak.tag, NOW)]
            assert ("keeping.decay" in found) is told
            assert ("decay" in [each.kind for each in notices.look(shop, NOW)]) is told

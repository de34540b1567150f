"""Checks that were seen against what the kept evaluations of a shop had foretold."""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import documents

from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import check_record
from baulk.models.timber import Event, EventKind

NOW = datetime(2026, 5, 14, 12, tzinfo=UTC)


def test_a_margin_that_foretold_a_check_and_one_that_did_not(shop_dir, oak):
    with shops.open(shop_dir) as shop:
        operations.add_timber(shop, oak)
        assert check_record.look(shop, oak.tag) == ((), ())
        for days_ago, median in ((50, -0.5), (20, 0.5)):
            made = NOW - timedelta(days=days_ago)
            margin = documents.margin(median)
            margin["ahead"]["posix_s"] = [(made + timedelta(days=i)).timestamp() for i in range(15)]
            shop.store.save_evaluation(
                oak.tag, made, documents.stored(oak.tag, made, checking=margin), past=True
            )
        for days_ago, width in ((30, 0.6), (8, 2.0)):
            event = Event(
                tag=oak.tag, kind=EventKind.CHECKED, at_utc=NOW - timedelta(days=days_ago),
                detail={"face": "a", "width_mm": width},
            )  # fmt: skip
            operations.add_event(shop, event)
        (check,), told = check_record.look(shop, oak.tag)
    assert check.width_mm == 2.0
    assert [each.code for each in told] == [
        "checking.was_not_foretold", "checking.was_foretold", "checking.account",
    ]  # fmt: skip
    assert told[-1].values == {"grew": 2, "foretold": 1, "quiet": 0, "in_vain": 0}

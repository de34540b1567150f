"""Stages of a piece out of their order are asked about, not refused, and can be taken back."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from baulk.ingest import operations, pipeline
from baulk.ingest import shop as shops
from baulk.ingest.errors import Unlikely
from baulk.ingest.store.rejected import Cause
from baulk.models.timber import AFTER, BEFORE, Event, EventKind

from .conftest import NOW, raw, timber


def on(day):
    return datetime(2026, 4, day, 9, tzinfo=UTC)


@pytest.fixture
def shop(tmp_path):
    with shops.open(shops.init(tmp_path / "shop", name="Ferry Yard", units="metric")) as opened:
        opened.register.add(timber("FER-01", arrived_utc=datetime(2026, 3, 1, tzinfo=UTC)))
        yield opened


def note(shop, stage, day, **more):
    return operations.add_event(
        shop,
        Event(
            tag="FER-01", kind=EventKind(stage), at_utc=on(day), noted_utc=NOW, detail={}, by="Ida", note=""
        ),
        **more,
    )


def standing(shop):
    return [
        each.kind.value
        for each in sorted(shop.register.events("FER-01"), key=lambda each: each.at_utc)
        if each.counts and each.kind in BEFORE
    ]


@pytest.mark.parametrize("first", ["fitted", "primed"])
def test_in_order_nothing_is_asked_and_a_piece_is_primed_before_it_is_fitted_or_after(shop, first):
    for day, stage in enumerate(dict.fromkeys((first, "fitted", "primed", "bedded", "launched")), 1):
        note(shop, stage, day)
    assert sorted(standing(shop)[:2]) == ["fitted", "primed"]
    assert standing(shop)[2:] == ["bedded", "launched"]


@pytest.mark.parametrize(
    ("before", "stage", "why"),
    [
        ((), "bedded", "FER-01 is not noted as fitted before that day"),
        ((("primed", 2),), "launched", "it is fitted before it is launched"),
        ((("fitted", 20),), "bedded", "not noted as fitted before that day"),  # fitted, but only later
        ((("fitted", 1), ("bedded", 2)), "primed", r"noted as bedded at 2026-04-02 .* primed before that"),
        ((("fitted", 1), ("launched", 2)), "bedded", "noted as launched"),
        ((("fitted", 1), ("bedded", 2), ("launched", 3)), "fitted", "noted as bedded"),
    ],
)
def test_out_of_order_it_is_asked_and_whoever_knows_better_may_enter_it_and_take_it_back(
    shop, before, stage, why
):
    for each, day in before:
        note(shop, each, day)
    held = standing(shop)
    with pytest.raises(Unlikely, match=why):
        note(shop, stage, 10)
    assert standing(shop) == held  # nothing was entered by asking
    note(shop, stage, 10, sure=True)
    number = max(each.number for each in shop.register.events("FER-01"))
    assert len(standing(shop)) == len(held) + 1
    operations.undo(shop, number, by="Ida", now_utc=NOW)
    assert standing(shop) == held


def test_what_was_taken_back_counts_for_nothing(shop):
    note(shop, "fitted", 1)
    number = max(each.number for each in shop.register.events("FER-01"))
    operations.undo(shop, number, by="Ida", now_utc=NOW)
    with pytest.raises(Unlikely, match="not noted as fitted"):
        note(shop, "bedded", 3)


def test_by_message_it_waits_in_quarantine(shop):
    topic = f"baulk/v1/{shop.config.slug}/timber/FER-01/event"
    said = json.dumps({"kind": "launched", "at_utc": on(3).isoformat()})
    pipeline.handle(raw(said, topic), shop)
    (row,) = shop.store.quarantined()
    assert row.cause is Cause.UNLIKELY
    assert "not noted as fitted" in row.reason
    assert standing(shop) == []


def test_the_two_tables_of_the_order_do_not_contradict_each_other():
    assert set(BEFORE) == set(AFTER)
    for kind, earlier in BEFORE.items():
        for each in earlier:
            assert kind in AFTER[each]  # who has to come first does not come later
            assert each not in AFTER[kind]

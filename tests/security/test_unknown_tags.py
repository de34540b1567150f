"""A flood of tags that nobody entered: each costs what any message costs, however many timbers a shop has."""

from __future__ import annotations

import pickle
import time

import pytest

from baulk.ingest import routing, shop
from baulk.ingest.wire.message import RawMessage
from baulk.models import errors
from baulk.models.errors import NotFound

MANY = frozenset(f"FER-{number:05d}" for number in range(5000))


def flood(now_utc, count=50):
    body = b'[{"n":"weight","u":"kg","v":90}]'
    return [
        RawMessage(topic=f"baulk/v1/test-yard/timber/FER-X{number:03d}", payload=body, arrived_utc=now_utc)
        for number in range(count)
    ]


def test_an_unknown_tag_is_not_compared_with_those_that_are_known(shop_dir, now_utc, monkeypatch):
    def compared(*_args, **_options):
        pytest.fail("tags were compared")

    monkeypatch.setattr(errors.difflib, "get_close_matches", compared)
    with shop.open(shop_dir) as opened:
        (one, *_) = (routing.route(each, opened, MANY) for each in flood(now_utc))
    assert one.waits_for == "FER-X000"
    assert one.reason == "no timber called 'FER-X000'; enter it, or put the tag right at its sensor"


def test_an_unknown_tag_costs_below_two_milliseconds_among_five_thousand(shop_dir, now_utc):
    with shop.open(shop_dir) as opened:
        messages = flood(now_utc)
        routing.route(messages[0], opened, MANY)
        began = time.process_time()
        for each in messages:
            routing.route(each, opened, MANY)
        assert (time.process_time() - began) / len(messages) < 0.002  # 37 ms with a likely name for each


def test_a_pack_that_names_thousands_of_unknown_tags_takes_no_time_squared(shop_dir, now_utc):
    records = ",".join(
        f'{{"n":"urn:x:timber/NIX-{number}/weight","u":"kg","v":90}}' for number in range(9000)
    )
    message = RawMessage(
        topic="baulk/v1/test-yard/timber/NIX-1", payload=f"[{records}]".encode(), arrived_utc=now_utc
    )
    with shop.open(shop_dir) as opened:
        began = time.process_time()
        routing.route(message, opened, MANY)
        assert time.process_time() - began < 2.0


def test_a_name_that_is_not_found_survives_the_way_between_processes():
    back = pickle.loads(pickle.dumps(NotFound("species", "wite oak", ["white oak"])))  # noqa: S301 - our own
    assert str(back) == "no species called 'wite oak'; did you mean white oak?"
    assert back.name == "wite oak"

"""Notices: each once, not at night, gone when their cause is; messengers that fail are tried again."""

from __future__ import annotations

import http.server
import json
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from baulk.ingest import operations

sys.path.insert(0, str(Path(__file__).parent))
import documents

from baulk.ingest import config as settings
from baulk.ingest import shop as shops
from baulk.ingest.errors import ConfigError
from baulk.ingest.monitoring import health, notices, notify, sensor_rows
from baulk.ingest.mqtt import publish
from baulk.ingest.wire.message import RawMessage
from baulk.models import text
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason
from baulk.models.timber import Event, EventKind

NOW = datetime(2026, 5, 14, 12, 0, tzinfo=UTC)


def judged(tag="FER-01", step="leave", square=None, margin=None, apart=None, suspected=()):
    said = {"step": step, "dates": {"square": square and square.isoformat()}, "contradiction": apart}
    more = {} if margin is None else {"checking": documents.margin(margin)}
    return documents.stored(tag, NOW, verdict=said, calibration={"suspected": list(suspected)}, **more)


@pytest.fixture
def shop(shop_dir, oak, monkeypatch):
    path = shop_dir / settings.FILE
    path.write_text(path.read_text() + '\n[notices]\nquiet_from = "00:00"\nquiet_to = "00:00"\n')
    monkeypatch.delenv(notify.ENV, raising=False)
    with shops.open(shop_dir) as opened:
        operations.add_timber(opened, oak)
        yield opened


def evaluate(shop, **how):
    shop.store.save_evaluation("FER-01", NOW, judged(**how))


def kinds(shop, now=NOW):
    return [each.kind for each in notices.look(shop, now)]


def test_nothing_is_open_in_a_quiet_shop(shop):
    assert kinds(shop) == []
    assert notices.due(shop, NOW) == []


def test_a_timber_that_is_ready_is_told_once_and_again_for_the_next_step(shop):
    evaluate(shop, step="rough out")
    assert kinds(shop) == ["ready"]
    (one,) = notices.due(shop, NOW)
    assert one.reason == Reason(code="notice.ready", values={"tag": "FER-01", "step": "rough out"})
    notices.told(shop, [one], NOW)
    for hours in range(1, 5):
        notices.look(shop, NOW + timedelta(hours=hours))
        assert notices.due(shop, NOW + timedelta(hours=hours)) == []
    evaluate(shop, step="square")
    notices.look(shop, NOW + timedelta(hours=6))
    assert [each.about for each in notices.due(shop, NOW)] == ["FER-01, square"]


def test_a_cause_that_flickers_is_told_once_and_one_that_comes_back_later_again(shop):
    evaluate(shop, margin=-0.5)
    assert kinds(shop) == ["check risk"]
    notices.told(shop, notices.due(shop, NOW), NOW)
    evaluate(shop, margin=0.5)
    assert kinds(shop, NOW + timedelta(hours=1)) == []
    evaluate(shop, margin=-0.5)
    assert kinds(shop, NOW + timedelta(hours=2)) == ["check risk"]
    assert notices.due(shop, NOW) == []
    evaluate(shop, margin=0.5)
    notices.look(shop, NOW + timedelta(days=1))
    evaluate(shop, margin=-0.5)
    notices.look(shop, NOW + timedelta(days=9))
    assert [each.kind for each in notices.due(shop, NOW)] == ["check risk"]


def test_a_dry_week_ahead_is_told_with_its_day_while_the_surface_is_still_well(shop):
    risk = NOW.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=6)
    margin = documents.margin(0.5)
    margin["ahead"] |= {"at_risk": True, "risk_utc": risk.isoformat()}
    shop.store.save_evaluation("FER-01", NOW, documents.stored("FER-01", NOW, checking=margin))
    assert kinds(shop) == ["check risk"]
    (one,) = notices.due(shop, NOW)
    assert one.reason == Reason(code="notice.check_risk", values={"tag": "FER-01", "from_utc": risk})
    assert "will by" in text.sentence(one.reason, "metric")


def test_a_margin_of_an_earlier_version_is_told_by_the_day_itself(shop):
    margin = documents.margin(-0.5)
    del margin["ahead"]
    shop.store.save_evaluation("FER-01", NOW, documents.stored("FER-01", NOW, checking=margin))
    assert kinds(shop) == ["check risk"]


def test_a_day_that_slips_by_more_than_two_weeks_is_told_and_a_smaller_slip_is_not(shop):
    first = NOW + timedelta(days=100)
    evaluate(shop, square=first)
    assert kinds(shop) == []
    evaluate(shop, square=first + timedelta(days=10))
    assert kinds(shop) == []
    evaluate(shop, square=first + timedelta(days=20))
    (one,) = notices.look(shop, NOW)
    assert one.kind == "slipped"
    told = {"tag": "FER-01", "days": 20, "expected_utc": first + timedelta(days=20), "was_utc": first}
    assert one.reason == Reason(code="notice.slipped", values=told)
    evaluate(shop, square=None)
    assert notices.look(shop, NOW)[0].reason.code == "notice.no_date"
    evaluate(shop, square=first - timedelta(days=5))
    assert kinds(shop) == []


APART = {
    "words": "Scale and pins contradict each other.",
    "since_utc": "2026-03-04T00:00:00+00:00",
    "scale_mean_now_pct": {"low": 50.0, "median": 57.3, "high": 60.0},
    "pins_mean_now_pct": {"low": 12.0, "median": 14.2, "high": 16.0},
    "weights": 7,
    "sections": 0,
    "pin_readings": 7,
}


def test_scale_and_pins_that_contradict_each_other_are_told_and_no_date_slips_by_it(shop):
    evaluate(shop, square=NOW + timedelta(days=100))
    assert kinds(shop) == []
    evaluate(shop, apart=APART)
    (one,) = notices.look(shop, NOW)
    assert (one.kind, one.about) == ("contradiction", "FER-01")
    assert one.reason.values == {
        "tag": "FER-01",
        "since_utc": datetime(2026, 3, 4, tzinfo=UTC),
        "scale_mean_pct": 57,
        "pins_mean_pct": 14,
    }
    notices.told(shop, notices.due(shop, NOW), NOW)
    assert notices.due(shop, NOW + timedelta(hours=1)) == []
    evaluate(shop, square=NOW + timedelta(days=110))
    assert kinds(shop, NOW + timedelta(days=3)) == []


def test_pins_that_the_calibration_leaves_out_whole_are_told_by_their_series(shop):
    series = "timber/FER-01/pin-76/b/moisture"
    evaluate(shop, suspected=[series])
    (one,) = notices.look(shop, NOW)
    assert (one.kind, one.about) == ("suspected pins", series)
    assert one.reason == Reason(code="notice.suspected_pins", values={"series": series})
    title, body = notify.message("Yard", [one], shop.config.shop.units)
    assert title == "Yard: suspected pins, pins 3 in deep in face b of FER-01"
    assert "76" not in body
    (out,) = [json.loads(each.payload) for each in publish.messages(shop) if each.topic.endswith("/notices")]
    assert out["open"][0]["code"] == "notice.suspected_pins"
    assert out["open"][0]["values"] == {"series": series}
    assert "3 in deep in face b of FER-01" in out["open"][0]["sentence"]


def test_what_version_0_1_0_kept_is_still_open_in_its_own_words(shop):
    old = {
        "kind": "ready",
        "about": "FER-01, square",
        "sentence": "FER-01 can be squared now",
        "since_utc": NOW.isoformat(),
        "told_utc": NOW.isoformat(),
    }
    shop.store.note(notices.KEY, json.dumps({"notices": [old], "gone": {}, "dates": {}}).encode())
    (one,) = notices.open_ones(shop)
    assert one.words("metric") == "FER-01 can be squared now"
    evaluate(shop, step="square")
    (now,) = notices.look(shop, NOW)
    assert now.reason.code == "notice.ready"
    assert notices.due(shop, NOW) == []  # told before the update


def test_a_notice_that_stays_as_it_is_is_not_written_or_published_again(shop):
    evaluate(shop, apart=APART, suspected=["timber/FER-01/weight"], margin=-0.4)
    silent = Series(owner=Owner.AIR, name="shed", quantity=Quantity.HUMIDITY)
    at = [NOW - timedelta(days=4, hours=n) for n in range(5)]
    shop.store.append(
        [Reading(series=silent, value=60.0 + n, taken_utc=t, arrived_utc=t) for n, t in enumerate(at)]
    )
    assert len(notices.look(shop, NOW)) == 4
    changed = notices.changed_utc(shop)
    notices.look(shop, NOW + timedelta(minutes=1, microseconds=17))
    assert notices.changed_utc(shop) == changed


def test_mould_weather_of_a_place_with_timber_is_told(shop):
    temp = Series(owner=Owner.AIR, name="shed", quantity=Quantity.TEMP)
    humidity = Series(owner=Owner.AIR, name="shed", quantity=Quantity.HUMIDITY)
    rows = []
    for hour in range(0, 28 * 24, 2):
        at = NOW - timedelta(hours=hour)
        for series, value in ((temp, 18.0 + hour % 3), (humidity, 92.0 + hour % 5)):
            rows.append(Reading(series=series, value=value, taken_utc=at, arrived_utc=at))
    shop.store.append(rows)
    assert "mould" in kinds(shop)


def test_a_humidity_sensor_that_drifts_against_its_neighbours_is_told_and_stands_in_its_row(shop):
    rows = []
    for place, off in (("shed", 0.0), ("shop", 5.0), ("loft", -4.0)):
        for day in range(56):
            at = NOW - timedelta(days=day, hours=1)
            rh = 60.0 + day % 5 + off - (15.0 if place == "loft" and day < 14 else 0.0)
            for kind, value in ((Quantity.TEMP, 18.0), (Quantity.HUMIDITY, rh)):
                series = Series(owner=Owner.AIR, name=place, quantity=kind)
                rows.append(Reading(series=series, value=value, taken_utc=at, arrived_utc=at))
    shop.store.append(rows)
    told = [one for one in notices.look(shop, NOW) if one.kind == "drifting air"]
    assert [one.about for one in told] == ["loft"]
    assert told[0].reason.values["change_pct"] < -20
    drifts = {row.on: row.drifts for row in sensor_rows.rows(shop, health.look(shop, NOW), NOW)}
    assert drifts["air/loft"] == (told[0].reason,)
    assert drifts["air/shed"] == ()


def test_what_the_settings_leave_out_is_not_told(shop_dir, oak):
    path = shop_dir / settings.FILE
    path.write_text(path.read_text() + '\n[notices]\nwithout = ["quarantine"]\n')
    with shops.open(shop_dir) as shop:
        shop.store.quarantine(RawMessage(topic="a", payload=b"?", arrived_utc=NOW, retained=False), "odd")
        assert kinds(shop) == []


@pytest.mark.parametrize(
    ("hour", "quiet"), [(20, False), (21, True), (23, True), (3, True), (6, True), (7, False), (12, False)]
)
def test_the_quiet_time_may_reach_over_midnight(hour, quiet):
    at = datetime(2026, 5, 14, hour, 0).astimezone()
    assert notices.quiet(at, "21:00", "07:00") is quiet
    assert notices.quiet(at, "12:30", "14:00") is False
    assert notices.quiet(at, None, None) is False


def test_what_opens_at_night_waits_and_what_closes_meanwhile_is_never_told(shop_dir, oak):
    path = shop_dir / settings.FILE
    path.write_text(path.read_text() + '\n[notices]\nquiet_from = "21:00"\nquiet_to = "07:00"\n')
    night = datetime(2026, 5, 14, 23, 0).astimezone()
    morning = night + timedelta(hours=9)
    with shops.open(shop_dir) as shop:
        operations.add_timber(shop, oak)
        evaluate(shop, step="square")
        notices.look(shop, night)
        assert notices.due(shop, night) == []
        assert [each.kind for each in notices.due(shop, morning)] == ["ready"]
        evaluate(shop, step="leave")
        notices.look(shop, morning)
        assert notices.due(shop, morning) == []


def test_open_notices_go_out_on_one_retained_topic_and_again_only_when_they_change(shop):
    evaluate(shop, step="square")
    notices.look(shop, NOW)
    out = [one for one in publish.messages(shop) if one.topic.endswith("/notices")]
    assert [one.topic for one in out] == [f"baulk/v1/{shop.config.slug}/notices"]
    assert [each["kind"] for each in json.loads(out[0].payload)["open"]] == ["ready"]
    sent = {one.tag: one.made_utc for one in out}
    assert not [one for one in publish.messages(shop, sent) if one.topic.endswith("/notices")]
    evaluate(shop, step="leave")
    notices.look(shop, NOW + timedelta(minutes=1))
    (again,) = [one for one in publish.messages(shop, sent) if one.topic.endswith("/notices")]
    assert json.loads(again.payload)["open"] == []


def test_a_damaged_memory_begins_anew(shop):
    for damaged in (b"", b"[]", b'{"notices": [{}]}', b"\xff", b'{"gone": 7}'):
        shop.store.note(notices.KEY, damaged)
        assert notices.open_ones(shop) == []
        evaluate(shop, step="square")
        assert kinds(shop) == ["ready"]


class _Hook(http.server.BaseHTTPRequestHandler):
    got: list[dict[str, str]]
    answer = 200

    def log_message(self, *words):
        """Stay quiet."""

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if type(self).answer == 200:
            type(self).got.append(json.loads(body))
        self.send_response(type(self).answer)
        self.end_headers()


@pytest.fixture
def hook():
    """A web hook on this machine that keeps what it is sent."""
    handler = type("Hook", (_Hook,), {"got": [], "answer": 200})
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    handler.address = f"json://127.0.0.1:{server.server_address[1]}/x"
    yield handler
    server.shutdown()
    server.server_close()


def turn_until(messenger, now, until, seconds=20):
    limit = time.monotonic() + seconds
    told = []
    while not until(told):
        assert time.monotonic() < limit
        told += messenger.turn(now)
        time.sleep(0.02)
    return told


def test_a_messenger_gets_each_notice_once(shop, hook, monkeypatch):
    monkeypatch.setenv(notify.ENV, hook.address)
    evaluate(shop, step="square")
    messenger = notify.Messenger(shop)
    turn_until(messenger, NOW, lambda told: told)
    for minutes in range(2, 30, 2):
        assert messenger.turn(NOW + timedelta(minutes=minutes)) == []
    messenger.close()
    assert [each["title"] for each in hook.got] == ["Test yard: ready, FER-01, square"]
    assert "FER-01 can be squared now." in hook.got[0]["message"]


def test_a_messenger_that_fails_is_tried_again_later_and_the_other_one_not_twice(shop, hook, monkeypatch):
    monkeypatch.setenv(notify.ENV, f"{hook.address} nonsense://x")
    evaluate(shop, step="square")
    messenger = notify.Messenger(shop)
    turn_until(messenger, NOW, lambda _: messenger.said)
    assert "begins with nonsense: is not understood" in messenger.said
    assert hook.address not in messenger.said
    assert notices.due(shop, NOW)
    later = NOW + timedelta(minutes=2)
    limit = time.monotonic() + 10
    while messenger._failures < 2:
        assert time.monotonic() < limit
        messenger.turn(later)
        time.sleep(0.02)
    messenger.close()
    assert len(hook.got) == 1


def test_looking_takes_a_small_share_of_the_time_also_in_a_large_yard(shop, monkeypatch):
    clock, looks = [0.0], []
    monkeypatch.setattr(notify, "monotonic", lambda: clock[0])
    seconds = 3.0

    def slow(_shop, now_utc):
        clock[0] += seconds
        looks.append(now_utc)

    monkeypatch.setattr(notices, "look", slow)
    messenger = notify.Messenger(shop)
    for minute in range(60):
        messenger.turn(NOW + timedelta(minutes=minute))
    assert len(looks) * seconds <= 0.0101 * 3600 + seconds
    seconds = 0.01
    looks.clear()
    for minute in range(120, 130):
        messenger.turn(NOW + timedelta(minutes=minute))
    messenger.close()
    assert len(looks) == 10


def test_a_messenger_that_answers_with_a_fault_has_the_notice_still_due(shop, hook, monkeypatch):
    hook.answer = 500
    monkeypatch.setenv(notify.ENV, hook.address)
    failed = notify.send([hook.address], "a", "b")
    assert list(failed.values()) == ["the messenger json: did not take the message"]


def test_without_a_messenger_page_and_topic_have_it(shop):
    evaluate(shop, step="square")
    messenger = notify.Messenger(shop)
    assert [each.kind for each in messenger.turn(NOW)] == ["ready"]
    messenger.close()
    assert notices.due(shop, NOW) == []
    assert notices.open_ones(shop)


def test_addresses_that_others_can_read_are_refused(tmp_path):
    path = tmp_path / notify.FILE
    path.write_text("# mail\njson://127.0.0.1:1/a\n\n")
    path.chmod(0o644)
    with pytest.raises(ConfigError, match="chmod 600"):
        notify.addresses(tmp_path, {})
    path.chmod(0o600)
    assert notify.addresses(tmp_path, {notify.ENV: "a://b c://d"}) == [
        "a://b",
        "c://d",
        "json://127.0.0.1:1/a",
    ]


def test_many_notices_make_one_message():
    many = [
        notices.Notice(
            kind="ready",
            about=f"T-{n}",
            reason=Reason(code="notice.ready", values={"tag": f"T-{n}", "step": "square"}),
            since_utc=NOW,
        )
        for n in range(20)
    ]
    title, body = notify.message("Yard", many, "metric")
    assert title == "Yard: 20 notices"
    assert body.count("\n") == notify.MOST
    assert "8 more" in body


def test_the_command_lists_what_is_open_and_tries_messengers(baulk, shop_dir, oak, hook):
    with shops.open(shop_dir) as shop:
        operations.add_timber(shop, oak)
        evaluate(shop, step="square")
    said = baulk("notices", "--shop", str(shop_dir), "--json")
    assert [each["kind"] for each in json.loads(said.stdout)] == ["ready"]
    none = baulk("notices", "--test", "--shop", str(shop_dir))
    assert none.returncode == 1
    assert "there is no messenger" in none.stderr
    tried = baulk("notices", "--test", "--shop", str(shop_dir), BAULK_NOTICE_URLS=hook.address)
    assert tried.returncode == 0, tried.stderr
    assert len(hook.got) == 1


def test_a_check_that_grows_raises_a_notice_until_it_is_old_news(shop):
    def check(days_ago, width_mm):
        event = Event(
            tag="FER-01", kind=EventKind.CHECKED, at_utc=NOW - timedelta(days=days_ago),
            detail={"face": "b", "width_mm": width_mm},
        )  # fmt: skip
        operations.add_event(shop, event)

    check(9, 0.5)
    assert "check growth" not in kinds(shop)
    check(2, 0.6)  # no more than two leaves of a feeler gauge tell apart
    assert "check growth" not in kinds(shop)
    check(1, 2.0)
    (told,) = [each for each in notices.look(shop, NOW) if each.kind == "check growth"]
    assert told.about == "FER-01, check b"
    assert told.words("metric").startswith(
        "the check in face b of FER-01 has grown from 0.6 mm to 2.0 mm wide"
    )
    assert "check growth" not in kinds(shop, NOW + timedelta(days=60))

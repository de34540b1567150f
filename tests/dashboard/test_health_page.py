"""The Sensors page: findings, sensors, quarantine and its mending."""

from __future__ import annotations

import json
from datetime import timedelta

from baulk.dashboard.server import access
from baulk.ingest import pipeline
from baulk.ingest import shop as shops
from baulk.ingest.monitoring import sensor_drift
from baulk.ingest.store import forwarders
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason
from baulk.models.timber import EventKind


def html(app):
    return "\n".join(each.proto.body for each in app.get("html"))


def open_page(app, name="health"):
    app.run()
    app.switch_page(f"views/{name}.py").run()
    assert not app.exception
    return app


def message(invented, slug, tag):
    pack = [{"n": "weight", "u": "kg", "v": 83.5, "t": invented.NOW.timestamp() - 3600}]
    return RawMessage(
        topic=f"baulk/v1/{slug}/timber/{tag}",
        payload=json.dumps(pack).encode(),
        arrived_utc=invented.NOW,
        retained=False,
    )


def test_sensors_are_listed_by_their_last_word(app):
    told = html(open_page(app))
    assert "air humidity" in told
    assert "1 hour" in told
    assert "pins 1 1/4 in deep, face b" in told


def test_a_yard_far_away_that_is_not_heard_of_is_among_the_findings(app, shop_folder, invented):
    with shops.open(shop_folder) as shop:
        said = forwarders.ForwarderMessage(
            name="shed", here=False, at_utc=invented.NOW - timedelta(days=3), waiting=9, used_mb=1,
            room_mb=100, far_broker=True, clock_kept=True,
        )  # fmt: skip
        shop.store.note(forwarders.KEY + said.name, said.model_dump_json().encode())
    told = html(open_page(app))
    assert "forwarder</b>" in told
    assert "shed" in told


def test_a_message_for_a_timber_not_yet_tagged_waits_and_is_stored_on_trying_again(
    app, shop_folder, invented
):
    with shops.open(shop_folder) as shop:
        shop.store.quarantine(
            message(invented, shop.config.slug, "FER-77"), "no timber FER-77", waits_for="FER-77"
        )
    page = open_page(app)
    assert "no timber FER-77" in html(page)
    assert "could not be stored" in html(page)
    page.button(key="replay").click().run()
    assert "0 readings stored; still waiting: 1 message" in html(page)
    with shops.open(shop_folder) as shop:
        shop.register.add(invented.piece("FER-77"))
    page.button(key="replay").click().run()
    assert not page.exception
    assert "1 reading stored; still waiting: 0 messages" in html(page)
    assert any("Empty." in each.value for each in page.caption)


def test_what_a_message_said_can_not_become_part_of_the_page(app, shop_folder, invented):
    with shops.open(shop_folder) as shop:
        raw = RawMessage(
            topic="a/<b>",
            payload=b"<script>alert(1)</script>\x1b[2J",
            arrived_utc=invented.NOW,
            retained=False,
        )
        shop.store.quarantine(raw, "<i>odd</i>")
    told = html(open_page(app))
    assert "<script>" not in told
    assert "&lt;script&gt;" in told
    assert "<i>odd" not in told


def test_a_silent_sensor_comes_first(app, shop_folder, invented):
    with shops.open(shop_folder) as shop:
        shop.store.append(invented.readings("FER-05", 40.0, last=invented.NOW - timedelta(days=100)))
    told = html(open_page(app))
    assert "silent sensor" in told
    assert told.index("silent sensor") < told.index("Last reading")


def test_a_sensor_that_drifts_is_among_the_findings_and_not_well(app, shop_folder, invented):
    values = {"series": "air/shed/temp", "warmer_k": 3.0, "count": 2}
    reason = Reason(code="notice.temp_departed", values=values)
    found = {"air/shed/temp": reason.to_json()}
    body = {"at_utc": invented.NOW.isoformat(), "departed": found, "moved": {}, "feed": False}
    with shops.open(shop_folder) as shop:
        shop.store.note(sensor_drift.KEY, json.dumps(body).encode())
    page = open_page(app)
    assert "<b>drift</b>: The air temperature in shed shows 5 °F warmer" in html(page)
    assert any("The other" in each.value for each in page.markdown)


def test_what_the_yard_has_learned_is_shown_with_how_many_timbers_speak(app, shop_folder, invented):
    assert "times as fast" not in html(open_page(app))
    origin = {
        "species": "white oak", "arrived_utc": invented.NOW.isoformat(), "arrived_at": "shed",
        "place": "shed", "meter": None,
    }  # fmt: skip
    rows = [
        {
            "tag": f"T{k}",
            "fitted_utc": invented.NOW.isoformat(),
            "origin": origin,
            "says": {"ln_d": [-0.6, 0.2]},
            "together": None,
        }
        for k in range(9)
    ]
    body = {"format": 2, "made_utc": invented.NOW.isoformat(), "taught": rows, "records": {}}
    with shops.open(shop_folder) as shop:
        shop.store.note("yard", json.dumps(body).encode())
    page = open_page(app)
    told = html(page)
    assert "White oak of a new lot is expected to dry 0." in told
    assert "9 timbers" in told
    assert any("What the yard has learned" in each.label for each in page.expander)


def test_two_values_for_one_moment_are_settled_with_a_tap(app, shop_folder, invented):
    series = Series.parse("air/shed/temp")
    at = invented.NOW - timedelta(minutes=7, seconds=13)
    with shops.open(shop_folder) as shop:
        shop.store.append(
            Reading(series=series, value=value, taken_utc=at, arrived_utc=at) for value in (20.0, 25.0)
        )
        (row,) = shop.store.quarantined()
    page = open_page(app)
    chosen = page.selectbox(key="quarantine-group")
    chosen.select_index(1).run()
    labels = [page.button(key=f"clash-{row.number}-{way}").label for way in ("keep", "take")]
    assert labels == ["Keep 68 °F, as stored", "Take 77 °F instead"]
    page.button(key=f"clash-{row.number}-take").click().run()
    assert not page.exception
    with shops.open(shop_folder) as shop:
        (kept,) = shop.store.readings(Owner.AIR, "shed", at, at)
    assert kept.value == 25.0


def test_an_unlikely_event_is_added_with_a_tap(app, shop_folder, invented):
    body = {"kind": "checked", "at_utc": invented.NOW.isoformat(), "by": "Ann",
            "detail": {"face": "a", "width_mm": 38.1}}  # fmt: skip
    with shops.open(shop_folder) as shop:
        topic = topics.event("FER-05", shop.config.slug)
        raw = RawMessage(topic=topic, payload=json.dumps(body).encode(), arrived_utc=invented.NOW)
        pipeline.handle(raw, shop)
        (row,) = shop.store.quarantined()
    page = open_page(app)
    page.selectbox(key="quarantine-group").select_index(1).run()
    assert any("1 1/2 in" in each.value and "Ann" in each.value for each in page.markdown)
    page.button(key=f"unlikely-{row.number}-add").click().run()
    assert not page.exception
    with shops.open(shop_folder) as shop:
        assert not shop.store.quarantined()
        (event,) = shop.register.events("FER-05", kind=EventKind.CHECKED)
    assert (event.by, event.detail["width_mm"]) == ("Ann", 38.1)
    assert event.note.startswith("taken as right by")


def press(page, label):
    next(each for each in page.button if each.label == label).click().run()
    assert not page.exception
    return page


def test_the_worst_comes_first_and_the_well_ones_are_one_line(app, shop_folder, invented):
    page = open_page(app)
    assert any("report as they should" in each.value for each in page.markdown)
    with shops.open(shop_folder) as shop:
        shop.store.append(invented.readings("FER-05", 40.0, last=invented.NOW - timedelta(days=100)))
        shop.store.quarantine(
            message(invented, shop.config.slug, "FER-77"), "no timber FER-77", waits_for="FER-77"
        )
    told = html(open_page(page))
    assert told.index("silent sensor") < told.index("could not be stored")


def test_a_place_is_added_and_edited_and_the_edit_taken_back(app, shop_folder):
    page = open_page(app, "files")
    page.text_input(key="place-Add a place-name-0").set_value("loft")
    page.text_input(key="place-Add a place-volume-0").set_value("1000 cu ft")
    press(page, "Save place")
    page.selectbox(key="place_which").set_value("loft").run()
    page.text_input(key="place-loft-note-0").set_value("above the saw")
    press(page, "Save place")

    def loft():
        with shops.open(shop_folder) as shop:
            return next(each for each in shop.register.places() if each.name == "loft")

    assert (loft().note, round(loft().volume_m3, 2)) == ("above the saw", 28.32)
    press(page, "Undo")
    assert loft().note == ""


def test_a_backup_is_made_at_once_and_taken_away(app):
    page = press(open_page(app, "files"), "Back up now")
    assert "is made and proved" in html(page)
    assert any(each.proto.label.startswith("Export baulk-") for each in page.get("download_button"))


def test_the_password_changes_only_for_who_knows_the_old_one(app, shop_folder):
    page = open_page(app, "files")
    page.text_input(key="password-new-0").set_value("keel and frame 7")
    page.text_input(key="password-again-0").set_value("keel and frame 8")
    press(page, "Save password")
    assert any("not the same both times" in each.value for each in page.error)
    assert access.lock_of(shop_folder) == "open"
    page.text_input(key="password-new-0").set_value("keel and frame 7")
    page.text_input(key="password-again-0").set_value("keel and frame 7")
    press(page, "Save password")
    assert access.right(shop_folder, "keel and frame 7")
    assert not access.right(shop_folder, "keel and frame 8")

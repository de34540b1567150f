"""A plan of a room's air from a shop: what is gathered, what is refused, what is kept and what goes out."""

from __future__ import annotations

import itertools
import json
import math
import shutil
import threading
import time
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial

import jsonschema
import paho.mqtt.client as mqtt
import pytest

from baulk.ingest import hand_readings, shop, weather_ahead
from baulk.ingest.errors import BrokerError
from baulk.ingest.evaluation import compute, gather
from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.monitoring import nightly
from baulk.ingest.mqtt import message_schema, publish_plan
from baulk.ingest.planning import crowded_room, humidity, kept_air, kept_form, verdict_chances
from baulk.ingest.store import air_answers
from baulk.models.errors import BaulkError, NotFound, OutOfRange
from baulk.models.plan.humidity.summary import summary
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Event, EventKind, Place, Timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)  # as `now_utc`


def timber(tag, now, **changes):
    given = {
        "species": "white oak",
        "section": Section(width_mm=150, depth_mm=150, pith_y_mm=-200),
        "length_mm": 2500.0,
        "finished": Finished(width_mm=110, depth_mm=110),
        "use_class": "frame-under-cover",
        "place": "shed",
        "arrived_utc": now - timedelta(days=200),
        "green_mc_pct": 70.0,
    }
    return Timber(tag=tag, **(given | changes))


def air(place, now, days, temp=14.0, rh=70.0, every_h=6):
    series = {
        quantity: Series(owner=Owner.AIR, name=place, quantity=quantity)
        for quantity in (Quantity.TEMP, Quantity.HUMIDITY)
    }
    found = []
    for i in range(int(days * 24 / every_h)):
        at = now - timedelta(hours=i * every_h)
        swing = math.sin(i * every_h * math.pi / 12)
        weather = 8 * math.sin(i * every_h / 40.0)
        found += [
            Reading(series=series[Quantity.TEMP], value=temp + 2 * swing, taken_utc=at, arrived_utc=at),
            Reading(
                series=series[Quantity.HUMIDITY], value=rh - 3 * swing + weather, taken_utc=at, arrived_utc=at
            ),
        ]
    return found


def filled(folder):
    """Make a yard with two timbers to dry and one that may stay wet in its shed."""
    shop.init(folder, name="Ferry yard", units="metric")
    with shop.open(folder) as opened:
        opened.register.add(timber("OAK-1", NOW))
        opened.register.add(
            timber("PINE-1", NOW, species="longleaf pine", use_class="deck", green_mc_pct=50.0)
        )
        opened.register.add(timber("KEEL-1", NOW, use_class="backbone-immersed"))
        opened.register.add(timber("FAR-1", NOW, place="loft"))
        opened.store.append(air("shed", NOW, 230))
    return folder


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    """The yard with its timbers fitted and their ensembles kept, as after a night; it is for copying."""
    folder = filled(tmp_path_factory.mktemp("fitted") / "room")
    with shop.open(folder) as opened:
        humidity.gather(opened, humidity.Asked(place="shed"), NOW)
    return folder


@pytest.fixture
def room(tmp_path, fitted):
    with shop.open(shutil.copytree(fitted, tmp_path / "room")) as opened:
        yield opened


@pytest.fixture
def new_room(tmp_path):
    """The yard before anything was worked out, for those that look at what is kept."""
    with shop.open(filled(tmp_path / "room")) as opened:
        yield opened


def test_a_room_is_planned_with_everything_that_lies_in_it(room, now_utc):
    made = humidity.plan(room, humidity.Asked(place="shed"), now_utc)
    assert made.pieces == {"OAK-1": "dry", "PINE-1": "dry", "KEEL-1": "wet"}
    assert {each.tag for each in made.gains} == {"OAK-1", "PINE-1"}
    assert made.water_unknown[0].code == "humidity.volume_unknown"
    few = [each.values["tag"] for each in made.assumptions if each.code == "humidity.few_readings"]
    assert "OAK-1" in few
    assert all(each.low_pct - 2 <= each.set_pct <= each.high_pct + 1e-6 for each in made.weeks)


def test_if_nothing_is_done_the_date_is_the_verdicts(room, now_utc):
    stored = compute.answer(gather.gather("PINE-1", room, now_utc)).to_json()
    room.store.save_evaluation("PINE-1", now_utc, stored)
    told = parse(stored).verdict
    assert len(told.chances.days) == len(told.chances.ready) > 50
    asked = humidity.Asked(place="shed", hold_rh=65.0, pieces=("PINE-1",))
    made = humidity.plan(room, asked, now_utc)
    found, horizon = made.gains[0].nothing_utc, now_utc + timedelta(days=730)  # a plan looks further
    assert (found if found and found < horizon else None) == told.dates["square"]
    assert "humidity.dates_told" in {each.code for each in made.assumptions}
    assert verdict_chances.of(room, "PINE-1", now_utc + timedelta(days=8)) is None  # told too long ago


def test_only_the_chosen_are_brought_to_their_square_and_the_rest_still_guards_its_surface(room, now_utc):
    asked = humidity.Asked(place="shed", pieces=("pine-1",), hold_rh=65.0)
    made = humidity.plan(room, asked, now_utc)
    assert made.pieces == {"OAK-1": "beside", "PINE-1": "dry", "KEEL-1": "wet"}
    assert [each.tag for each in made.gains] == ["PINE-1"]
    assert made.weeks[0].checking_pct is not None


def test_a_what_if_fits_nothing_anew(new_room, now_utc, monkeypatch):
    asked = humidity.Asked(place="shed", hold_rh=70.0, held_c=16.0)
    first = humidity.plan(new_room, asked, now_utc)

    def fit(*_given):
        raise AssertionError("the ensemble was kept and is fresh")

    monkeypatch.setattr(compute, "fitted_to", fit)
    began = time.process_time()
    again = humidity.plan(new_room, asked, now_utc + timedelta(minutes=5))
    assert time.process_time() - began < 3.0
    assert again.gains[0].plan_weeks.median == pytest.approx(first.gains[0].plan_weeks.median, abs=1.0)
    with pytest.raises(AssertionError):  # half a day later it is fitted anew
        humidity.plan(new_room, asked, now_utc + timedelta(hours=13))


def test_the_surface_of_a_timber_is_kept_with_its_ensemble(new_room, now_utc, monkeypatch):
    asked = humidity.Asked(place="shed")
    first = {each.tag: each.surface for each in humidity.gather(new_room, asked, now_utc).need.stocks}
    monkeypatch.setattr(compute, "fitted_to", None)
    again = humidity.gather(new_room, asked, now_utc + timedelta(minutes=5)).need.stocks
    for each in again:
        was = first[each.tag]
        assert each.surface.wanted_pct == pytest.approx(was.wanted_pct, rel=1e-5)
        assert each.surface.layers.mc_pct == pytest.approx(was.layers.mc_pct, rel=1e-5)
        assert each.surface.strained.crept_pct == pytest.approx(was.strained.crept_pct, rel=1e-5, abs=1e-9)
        assert each.surface.stood_pct == pytest.approx(was.stood_pct)
        assert each.surface.layers.mc_pct.shape[-1] == each.members.size
        assert 10 < each.surface.stood_pct < 20  # air of 13 %, some points of weather


def test_a_new_reading_of_a_timber_makes_its_ensemble_old(room, now_utc, monkeypatch):
    humidity.gather(room, humidity.Asked(place="shed"), now_utc)
    fitted = []
    real = compute.fitted_to
    monkeypatch.setattr(
        compute, "fitted_to", lambda inputs, *more: fitted.append(inputs.timber.tag) or real(inputs, *more)
    )
    pin = Series(owner=Owner.TIMBER, name="PINE-1", quantity=Quantity.MOISTURE, depth_mm=20.0)
    hand_readings.add(room, pin, 22.0, now_utc=now_utc)
    humidity.gather(room, humidity.Asked(place="shed"), now_utc + timedelta(minutes=1))
    assert fitted == ["PINE-1"]


def test_a_damaged_note_is_fitted_anew(room, now_utc):
    room.store.note("plan-stock/OAK-1", b'{"seen": 3}')
    gathered = humidity.gather(room, humidity.Asked(place="shed"), now_utc)
    assert {each.tag for each in gathered.need.stocks} == {"OAK-1", "PINE-1", "KEEL-1"}


def test_the_rooms_size_is_kept_in_the_register_and_used(room, now_utc):
    humidity.save_place(room, "shed", volume_m3=250.0, air_changes_per_h=0.4)
    made = humidity.plan(room, humidity.Asked(place="shed", hold_rh=60.0, price_kwh=0.3), now_utc)
    assert (made.volume_m3, made.exchange.per_h, made.exchange.how) == (250.0, 0.4, "given")
    assert made.weeks[0].need_l_day is not None
    assert "humidity.outside_not_measured" in [each.code for each in made.assumptions]


def exchanging(now, days, rate):
    """A hall and the weather outside it, hourly, its air exchanged at a known rate; both at 15 degC."""
    hours = int(24 * days)
    outside = [70 + 12 * math.sin(i / 17) + 6 * math.sin(i / 5.3) for i in range(hours)]
    inside = [outside[0]]
    for before, after in itertools.pairwise(outside):
        inside.append(inside[-1] + (1 - math.exp(-rate)) * ((before + after) / 2 - inside[-1]) + 0.4)
    found = []
    for place, values in (("hall", inside), ("outside", outside)):
        for i, rh in enumerate(values):
            at = now - timedelta(hours=hours - i)
            for quantity, value in ((Quantity.TEMP, 15.0), (Quantity.HUMIDITY, min(rh, 99.0))):
                series = Series(owner=Owner.AIR, name=place, quantity=quantity)
                found.append(Reading(series=series, value=value, taken_utc=at, arrived_utc=at))
    return found


def test_air_changes_are_learned_from_a_sensor_outside(room, now_utc):
    room.store.append(exchanging(now_utc + timedelta(hours=1), 30, 0.5))
    later = now_utc + timedelta(hours=1)
    room.register.add(timber("HALL-1", now_utc, place="hall"))
    made = humidity.plan(room, humidity.Asked(place="hall", hold_rh=60.0, volume_m3=200.0), later)
    assert made.exchange.how == "learned"
    assert made.exchange.low <= 0.5 <= made.exchange.high


def test_air_changes_that_the_readings_cannot_tell_are_refused_in_words(room, now_utc):
    room.store.append(air("outside", now_utc, 2))
    made = humidity.plan(room, humidity.Asked(place="shed", hold_rh=60.0, volume_m3=200.0), now_utc)
    assert made.exchange is None
    (why,) = made.water_unknown
    assert why.code == "humidity.air_changes_not_learned"
    assert "days only" in why.values["error"]
    assert why in summary(made)


def test_glued_work_may_be_named_by_its_band(room, now_utc):
    asked = humidity.Asked(place="shed", hold_rh=60.0, finished_pct=(8.0, 12.0))
    made = humidity.plan(room, asked, now_utc)
    assert made.weeks[0].finished_high_pct < 70
    assert made.bands[-1].name == "the band given"


def test_what_cannot_be_is_refused_in_sentences(room, now_utc):
    room.register.save_place(Place(name="attic"))
    for asked, why in (
        (lambda: humidity.Asked(place="shedd"), "did you mean shed"),
        (lambda: humidity.Asked(place="attic"), "holds no timber"),
        (lambda: humidity.Asked(place="shed", pieces=("FAR-1",)), "lies in loft, not in shed"),
        (lambda: humidity.Asked(place="shed", pieces=("NO-1",)), "no timber called 'NO-1'"),
        (lambda: humidity.Asked(place="shed", held_c=70.0), "was it in °F"),
        (lambda: humidity.Asked(place="shed", finished_pct=(12.0, 8.0)), "from a lower to a higher"),
        (lambda: humidity.Asked(place="shed", volume_m3=-3.0), "the room's volume"),
        (lambda: humidity.Asked(place="shed", hold_rh=120.0), "between 0 and 100"),
        (lambda: humidity.Asked(place="shed", people_h_day=-1.0), "the hours of work"),
    ):
        with pytest.raises(BaulkError, match=why) as err:
            humidity.plan(room, asked(), now_utc)
        assert isinstance(err.value, NotFound | OutOfRange)


def test_the_set_point_goes_out_retained_with_an_expiry_and_its_caution(broker_yard_dir, now_utc, mosquitto):
    got, seen = [], threading.Event()
    with shop.open(broker_yard_dir) as opened:
        opened.store.append(air("shed", now_utc, 60))
        assert [each.place for each in opened.register.list()] == ["shed"]
        made = humidity.plan(opened, humidity.Asked(place="shed", hold_rh=70.0), now_utc)
        where = publish_plan.publish(opened, kept_air.answer(made), now_utc)
    assert where == "baulk/v1/ferry-yard/air/shed/plan"

    def arrived(_client, _user, message):
        got.append(message)
        seen.set()

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.on_message = arrived
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    client.subscribe(where, qos=1)
    assert seen.wait(10)
    client.disconnect()
    client.loop_stop()
    (message,) = got
    body = json.loads(message.payload)
    jsonschema.validate(body, message_schema.json_schema()["plan"], jsonschema.Draft202012Validator)
    assert message.retain
    assert message.qos == 1
    assert 86_000 < message.properties.MessageExpiryInterval <= 86_400
    assert body["hold"] is True
    assert body["set_pct"] == 70.0
    assert "never a safety control" in body["caution"]
    assert body["caution_coded"] == {"code": "caution.set_point", "values": {"hours": 24.0}}


def test_a_broker_that_is_away_is_told_in_a_sentence(room, now_utc):
    made = humidity.plan(room, humidity.Asked(place="shed", hold_rh=70.0), now_utc)
    with pytest.raises(BaulkError, match="broker"):
        publish_plan.publish(room, kept_air.answer(made), now_utc)


def test_only_an_event_makes_finished_work_and_a_verdict_square_does_not(room, now_utc, monkeypatch):
    rough, fitted = timber("RIB-1", now_utc), timber("RIB-2", now_utc)
    for each in (rough, fitted):
        room.register.add(each)
    room.register.add_event(Event(tag="RIB-2", kind=EventKind.FITTED, at_utc=now_utc - timedelta(days=2)))
    real = humidity.evaluation_gather.gather
    monkeypatch.setattr(
        humidity.evaluation_gather, "gather", lambda *a, **k: replace(real(*a, **k), previous="square")
    )
    gathered = humidity.gather(room, humidity.Asked(place="shed"), now_utc)
    parts = {each.tag: each.part for each in gathered.need.stocks}
    assert parts["RIB-1"] == "beside"
    assert parts["RIB-2"] == "keep"
    assert [each.name for each in gathered.need.bands] == ["RIB-2"]


def test_a_plan_says_which_months_nobody_measured(room, now_utc):
    (said,) = humidity.gather(room, humidity.Asked(place="shed"), now_utc).air
    assert said.code == "humidity.air_nearest"
    assert len(said.values["months"]) + len(said.values["missing"]) == 12
    assert now_utc.month - 2 in (*said.values["months"], -1)


def test_the_night_makes_the_plan_once_and_it_comes_back_as_it_was(room, now_utc):
    kept_air.keep_wish(room, "shed", kept_air.Wish(price_kwh=0.3, people_h_day=4.0, finished_pct=(8.0, 12.0)))
    humidity.save_place(room, "shed", volume_m3=250.0, air_changes_per_h=0.4)
    assert nightly.plan_airs(room, now_utc) == 1  # nobody measures the loft
    assert nightly.plan_airs(room, now_utc + timedelta(minutes=5)) == 0
    kept = kept_air.made(room, "shed")
    assert kept.plan.price_kwh == 0.3
    assert kept.plan.bands[-1].low_pct == 8.0
    again = kept_form.read(kept_air.Kept, json.loads(json.dumps(kept_form.plain(kept))))
    assert again == kept
    assert summary(kept.plan)[0] == kept.plan.headline
    assert kept.plan.made_utc == now_utc
    assert air_answers.all_of(room.store) == {"shed": kept_air.answer(kept.plan)}


def test_the_night_makes_way_between_two_places_and_goes_on_with_the_rest(room, now_utc, monkeypatch):
    begun = []
    monkeypatch.setattr(
        kept_air, "make", lambda _shop, place, _at: begun.append(place) or kept_air.Kept(made_utc=now_utc)
    )
    assert humidity.places(room) == ("shed", "loft")
    nightly.plan_airs(room, now_utc, interrupt=lambda: True)
    assert begun == ["shed"]
    assert nightly.due(room, now_utc + timedelta(minutes=1))
    nightly.plan_airs(room, now_utc + timedelta(minutes=1), stop=lambda: True)
    assert begun == ["shed"], "told to end, it begins none"
    nightly.plan_airs(room, now_utc + timedelta(minutes=2), interrupt=lambda: True)
    assert begun == ["shed", "loft"]
    nightly.plan_airs(room, now_utc + timedelta(minutes=3))
    assert begun == ["shed", "loft"]


def test_a_shop_without_timber_has_no_rooms_to_plan_all_night(room, now_utc):
    for each in room.register.list():
        room.register.edit(each.tag, now_utc=now_utc, retired_utc=now_utc)
    nightly.plan_airs(room, now_utc)
    for key in (nightly.AGED_KEY, nightly.MESSAGES_KEY):
        room.store.note(key, now_utc.isoformat().encode())
    assert not nightly.due(room, now_utc + timedelta(minutes=1))


def test_a_place_over_which_the_process_ends_is_not_begun_again_that_night(room, now_utc, monkeypatch):
    begun = []

    def dies(_shop, place, _at):
        begun.append(place)
        raise MemoryError

    monkeypatch.setattr(kept_air, "make", dies)
    for minutes in (0, 1, 2):
        with suppress(MemoryError):
            nightly.plan_airs(room, now_utc + timedelta(minutes=minutes))
    assert begun == ["shed", "loft"]


def test_a_crowded_room_is_planned_by_some_of_each_kind_and_says_so(room, now_utc, monkeypatch):
    monkeypatch.setattr(crowded_room, "MOST", 5)
    monkeypatch.setattr(crowded_room, "sample", partial(crowded_room.sample, most=5))
    for number in range(2, 12):
        room.register.add(timber(f"OAK-{number}", now_utc))
    asked = humidity.Asked(place="shed", hold_rh=65.0, pieces=("OAK-7",))
    gathered = humidity.gather(room, asked, now_utc)
    stocks = {each.tag: each for each in gathered.need.stocks}
    assert stocks["OAK-7"].part == "dry"
    assert {"PINE-1", "KEEL-1"} < set(stocks)
    assert len(stocks) == 6
    oaks = [each for each in stocks.values() if each.tag.startswith("OAK") and each.tag != "OAK-7"]
    assert sum(each.expansion_factor for each in oaks) == pytest.approx(10)
    (said,) = [each for each in gathered.notes if each.code == "humidity.representatives"]
    assert said.values == {"place": "shed", "sampled": 6, "count": 13}


def test_the_finished_piece_that_tolerates_least_is_always_in_a_crowded_room_and_what_failed_stands_for_none(
    room, now_utc, monkeypatch
):
    monkeypatch.setattr(crowded_room, "MOST", 2)
    monkeypatch.setattr(crowded_room, "sample", partial(crowded_room.sample, most=2))
    for number in range(2, 9):
        room.register.add(timber(f"OAK-{number}", now_utc))
    big = timber("FIT-1", now_utc, finished=Finished(width_mm=140, depth_mm=100))
    room.register.add(big)
    room.register.add_event(Event(tag="FIT-1", kind=EventKind.FITTED, at_utc=now_utc - timedelta(days=2)))
    gather.keep(compute.not_worked_out("OAK-2", now_utc, "its air is not known"), room)
    here = [each for each in room.register.list() if each.place == "shed"]
    found = crowded_room.representatives(room, here, ())
    assert "FIT-1" in found
    assert found["OAK-2"] == 1.0, "tried again, and told why where it fails again"
    assert 4 <= len(found) <= 5


def test_a_room_that_cannot_be_planned_keeps_why(room, now_utc):
    room.register.save_place(Place(name="attic"))
    kept = kept_air.make(room, "attic", now_utc)
    assert kept.plan is None
    assert "holds no timber" in kept_air.made(room, "attic").failed
    assert air_answers.all_of(room.store) == {}
    room.store.note(kept_air.PLAN + "attic", b'{"made_utc": 3}')
    assert kept_air.made(room, "attic") is None
    with pytest.raises(OutOfRange, match="the price"):
        kept_air.keep_wish(room, "attic", kept_air.Wish(price_kwh=-1.0))


def test_a_plan_to_leave_the_doors_has_no_set_point_to_publish(room, now_utc):
    made = humidity.plan(room, humidity.Asked(place="shed", hold_rh=70.0), now_utc)
    left = replace(made, what_if=False, offered=0)
    with pytest.raises(BrokerError, match="hold nothing"):
        publish_plan.publish(room, kept_air.answer(left), now_utc)
    closed = replace(left.weeks[0], low_pct=80.0, high_pct=60.0)
    answer = kept_air.answer(replace(left, weeks=(closed, *left.weeks[1:])))
    assert (answer.set_pct, answer.low_pct, answer.high_pct) == (None, None, None)  # no window, no limits


def test_weather_that_was_given_stands_in_the_coming_days_and_the_season_behind_them(room, now_utc):
    room.store.append(air("outside", now_utc, 60, temp=12.0, rh=75.0))
    before = humidity.gather(room, humidity.Asked(place="shed"), now_utc)
    told = [f"{(now_utc + timedelta(hours=i)).isoformat()},30,30" for i in range(0, 97, 6)]
    weather_ahead.keep(room, weather_ahead.read("\n".join(["time,temp_c,rh_pct", *told]), now_utc))
    after = humidity.gather(room, humidity.Asked(place="shed"), now_utc)
    warm, usual = after.need.room.year, before.need.room.year
    assert warm.temp_c[2] > usual.temp_c[2] + 3
    assert list(warm.temp_c[20:]) == pytest.approx(list(usual.temp_c[20:]))  # beyond four days
    assert after.water.outside.rh_pct[0] == pytest.approx(30.0, abs=0.5)
    assert [each.code for each in after.air][-1] == "humidity.weather_used"

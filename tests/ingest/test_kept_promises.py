"""Plans kept over simulated weeks: which stay, what is read of what came, and what the next plan is told."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import shop
from baulk.ingest.evaluation import compute, gather
from baulk.ingest.exchange import backup, restore
from baulk.ingest.planning import humidity, kept_air, kept_promises, kept_used
from baulk.ingest.planning.kept_air import Kept
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.promise import Followed
from baulk.models.plan.humidity.used import Used
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Event, EventKind, Timber

WEEK = timedelta(weeks=1)
TAGS = ("OAK-1", "OAK-2", "OAK-3", "OAK-4")


def timber(tag, now):
    return Timber(
        tag=tag,
        species="white oak",
        section=Section(width_mm=80, depth_mm=80, pith_y_mm=-120),
        length_mm=1500.0,
        finished=Finished(width_mm=60, depth_mm=60),
        use_class="frame-under-cover",
        place="shed",
        arrived_utc=now - timedelta(days=200),
        green_mc_pct=40.0,
    )


def air(now, days):
    found = []
    for i in range(days * 4):
        at = now - timedelta(hours=6 * i)
        for quantity, value in ((Quantity.TEMP, 14.0), (Quantity.HUMIDITY, 70.0 + i % 4)):
            series = Series(owner=Owner.AIR, name="shed", quantity=quantity)
            found.append(Reading(series=series, value=value, taken_utc=at, arrived_utc=at))
    return found


NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder of a yard, a real plan of its air, and an evaluation of one of its timbers."""
    folder = shop.init(tmp_path_factory.mktemp("promises") / "yard", name="Ferry yard", units="metric")
    with shop.open(folder) as opened:
        for tag in TAGS:
            opened.register.add(timber(tag, NOW))
        opened.store.append(air(NOW, 230))
        found = humidity.plan(opened, humidity.Asked(place="shed", hold_rh=65.0), NOW)
        payload = compute.answer(gather.gather("OAK-1", opened, NOW)).to_json()
    return folder, replace(found, what_if=False), payload


@pytest.fixture
def yard(made, tmp_path):
    folder = shutil.copytree(made[0], tmp_path / "yard")
    with shop.open(folder) as opened:
        yield opened


@pytest.fixture
def plan(made):
    return made[1]


def later(plan, weeks, **changes):
    return replace(plan, made_utc=plan.made_utc + weeks * WEEK, **changes)


def keep(yard, plan):
    kept_air.keep(yard, "shed", Kept(made_utc=plan.made_utc, plan=plan))


def told(yard, tag, when, payload, step, date=None):
    """Store an evaluation whose verdict says a step."""
    body = json.loads(payload)
    body["made_utc"] = when.isoformat()
    body["verdict"] |= {"step": step, "dates": {**body["verdict"]["dates"], "square": date}}
    yard.store.save_evaluation(tag, when, json.dumps(body).encode())


def promises(yard):
    return kept_promises.kept(yard, "shed")


def test_the_first_plan_of_each_week_is_kept_as_what_comes_if_nothing_is_done(yard, plan):
    for day in range(15):
        keep(yard, replace(plan, made_utc=plan.made_utc + timedelta(days=day)))
    kept = promises(yard)
    assert [one.what for one in kept] == ["nothing"] * len(kept)
    weeks = [one.made_utc.astimezone(yard.config.zone).isocalendar()[:2] for one in kept]
    assert len(weeks) == len(set(weeks)) == 3
    nothing = plan.alternatives[0]
    assert {one.tag: one.ready_utc for one in kept[0].timbers} == {
        one.tag: one.ready_utc for one in nothing.timbers
    }
    assert kept[0].weeks[3].rh_pct == pytest.approx(plan.weeks[3].expected_pct, abs=0.01)
    assert kept[0].timbers[0].moisture[0].median > kept[0].timbers[0].moisture[6].median
    keep(yard, later(plan, 9, what_if=True))  # a what-if promises nothing
    assert len(promises(yard)) == 3


def test_one_that_is_followed_says_who_and_what_and_can_be_taken_back(yard, plan):
    keep(yard, plan)
    said = Followed(by="Ann", at_utc=plan.made_utc + timedelta(hours=3))
    made = kept_promises.follow(yard, plan, said, what="hold")
    (before,) = promises(yard)
    assert (before, before.followed.by, before.weeks[0].rh_pct) == (made, "Ann", 65.0)
    with pytest.raises(OutOfRange, match="one of nothing, hold, not 'sing'"):
        kept_promises.follow(yard, plan, said, what="sing")
    kept_promises.unfollow(yard, made, None)
    assert promises(yard) == ()


def test_old_weeks_are_thinned_and_what_is_followed_stays(yard, plan, monkeypatch):
    monkeypatch.setattr(kept_promises, "MOST", 30)
    monkeypatch.setattr(kept_promises, "WHOLE_WEEKS", 13)
    small = replace(plan, weeks=plan.weeks[:1], gains=())
    followed = kept_promises.follow(yard, small, Followed(by="Ann", at_utc=plan.made_utc))
    for week in range(1, 100):
        kept_promises.keep_first(yard, later(small, week))
    kept = promises(yard)
    assert kept[0] == followed
    assert 20 < len(kept) <= 30
    ages = [(kept[-1].made_utc - one.made_utc) // WEEK for one in kept[1:]]
    assert ages[::-1][:13] == list(range(13))
    assert {b - a for a, b in zip(ages[::-1][13:], ages[::-1][14:], strict=False)} <= {4, 5}


def test_a_note_of_another_version_and_a_place_with_a_like_name_are_passed_over(yard, plan):
    keep(yard, plan)
    yard.store.note(f"{kept_promises.PROMISE}shed/20200101T000000", b'{"made_utc": 3}')
    kept_promises.follow(yard, replace(plan, place="shed/loft"), Followed(by="", at_utc=plan.made_utc))
    assert len(promises(yard)) == 1
    yard.store.note(kept_promises.LESSON + "shed", b"[1]")
    assert kept_promises.taught(yard, plan) == plan


def test_over_simulated_weeks_plans_that_promised_too_early_move_the_next_ones_dates(yard, plan, made):
    now_utc, payload = NOW, made[2]
    dates = {tag: now_utc + timedelta(days=70 + 7 * i) for i, tag in enumerate(TAGS)}
    ways = tuple(
        replace(way, timbers=tuple(replace(one, ready_utc=dates[one.tag]) for one in way.timbers))
        for way in plan.alternatives
    )
    plan = replace(plan, alternatives=ways)
    keep(yard, plan)
    kept_promises.follow(yard, plan, Followed(by="Ann", at_utc=now_utc), what="hold")
    early = kept_promises.back(yard, "shed", now_utc + 2 * WEEK)
    assert [each.too_early for each in early.plans] == [True]
    assert early.lesson is None
    # each becomes ready 84 days after its day, in the week that an evaluation says so
    for week in range(1, 40):
        when = now_utc + week * WEEK
        for tag in TAGS:
            step = "square" if when >= dates[tag] + timedelta(days=84) else "leave"
            told(yard, tag, when, payload, step)
    crack = {"face": "a", "depth_mm": 9.0, "width_mm": 1.0, "length_mm": 200.0}
    for weeks in (3, 8):  # the same one, measured twice
        yard.register.add_event(
            Event(tag="OAK-2", kind=EventKind.CHECKED, at_utc=now_utc + weeks * WEEK, detail=crack)
        )
    yard.store.append(air(now_utc + 10 * WEEK, 60))
    after = now_utc + 39 * WEEK
    found = kept_promises.back(yard, "shed", after)
    (one,) = found.plans
    assert {each.tag: round(each.late_days) for each in one.timbers} == dict.fromkeys(TAGS, 84)
    assert one.checked == ("OAK-2",)
    assert one.air.weeks >= 8
    assert one.air.rh_off_pct.mean == pytest.approx(6.5, abs=0.5)  # 71.5 measured, 65 to be held
    assert found.lesson.counts
    # scatter 7200 / 5, weight 4 / 1440 against 1 / 900: 84 * 0.0027778 / 0.0038889 = 60
    assert found.lesson.told_days == pytest.approx(60.0)

    new = later(plan, 39)
    keep(yard, new)
    as_told = kept_promises.taught(yard, new)
    assert as_told.assumptions[0].code == "back.lesson_used"
    moved = as_told.alternatives[1].timbers[0]
    assert moved.ready_utc == max(dates[moved.tag] + timedelta(days=60), new.made_utc)
    assert moved.spread_days > plan.alternatives[1].timbers[0].spread_days
    # what is kept to be looked back on is what the model said, or the lesson would chase itself
    assert promises(yard)[-1].timbers[0].ready_utc == dates[moved.tag]
    assert kept_air.made(yard, "shed").plan == new


def test_a_timber_that_left_teaches_nothing_and_its_check_still_counts(yard, plan):
    keep(yard, plan)
    for weeks, kind, detail in (
        (1, EventKind.CHECKED, {"face": "b"}),
        (2, EventKind.MOVED, {"from": "shed", "to": "loft"}),
    ):
        yard.register.add_event(Event(tag="OAK-1", kind=kind, at_utc=NOW + weeks * WEEK, detail=detail))
    (one,) = kept_promises.back(yard, "shed", NOW + 8 * WEEK).plans
    assert [each.tag for each in one.timbers if each.left] == ["OAK-1"]
    assert one.checked == ("OAK-1",)


def used(litres, since, until):
    return Used(
        since_utc=since, until_utc=until, litres=litres, kwh=None, by="Ann", note="tank", noted_utc=until
    )


def test_litres_that_were_read_off_stand_against_a_followed_plan_and_come_back_with_a_backup(
    yard, plan, tmp_path
):
    keep(yard, plan)
    hold = next(each for each in plan.alternatives if each.what == "hold")
    by_week = tuple((float(week), week / 10) for week in range(52))
    ways = tuple(replace(each, by_week=by_week) if each is hold else each for each in plan.alternatives)
    followed = kept_promises.follow(
        yard, replace(plan, alternatives=ways), Followed(by="Ann", at_utc=NOW), what="hold"
    )
    kept_used.tell(yard, "shed", used(34.0, NOW + 2 * WEEK, NOW + 5 * WEEK))
    with pytest.raises(OutOfRange, match="already"):
        kept_used.tell(yard, "shed", used(5.0, NOW + 4 * WEEK, NOW + 6 * WEEK))
    later_one = kept_used.tell(yard, "shed", used(8.0, NOW + 5 * WEEK, NOW + 6 * WEEK))
    assert kept_used.take_back(yard, "shed") == later_one
    kept_used.tell(yard, "shed/loft", used(99.0, NOW, NOW + WEEK))
    (one,) = kept_promises.back(yard, "shed", NOW + 8 * WEEK).plans
    assert (one.used.litres, one.used.promised_litres) == (34.0, pytest.approx(2 + 3 + 4))
    # another plan that is followed from the third week on takes its place
    next_one = kept_promises.follow(yard, later(plan, 3), Followed(by="Ann", at_utc=NOW + 3 * WEEK))
    assert kept_promises.back(yard, "shed", NOW + 8 * WEEK).plans[1].used is None
    kept_promises.unfollow(yard, next_one, None)

    zipped = backup.make(yard.config, tmp_path / "yard.zip", NOW).file
    restore.restore(zipped, tmp_path / "again")
    with shop.open(tmp_path / "again") as again:
        assert promises(again) == (followed,)
        assert kept_used.told(again, "shed") == kept_used.told(yard, "shed")
        (same,) = kept_promises.back(again, "shed", NOW + 8 * WEEK).plans
        assert same == one


def test_a_plan_that_an_earlier_version_kept_is_read_without_its_weeks_of_water(yard, plan):
    keep(yard, plan)
    (key,) = yard.store.notes(kept_promises.PROMISE)
    body = json.loads(yard.store.noted(key))
    del body["by_week"]
    yard.store.note(key, json.dumps(body).encode())
    (one,) = promises(yard)
    assert one.by_week == ()

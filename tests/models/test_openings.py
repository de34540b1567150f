"""Checks, shakes, splits and kerfs: their days and growth, which one opens the heart, what is planed off."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from baulk.models import openings, species, text
from baulk.models.allowance import bend, chance
from baulk.models.allowance.parts import Ask
from baulk.models.calibrate.inputs import history
from baulk.models.face_cover import CONDUCTANCE_M_S, FaceCover
from baulk.models.reason import Reason
from baulk.models.section import Face, Finished, Kerf, Section, weakest_face
from baulk.models.surface import account
from baulk.models.timber import Event, EventKind, Timber
from baulk.models.verdict import comes_out

CAME = datetime(2026, 1, 5, tzinfo=UTC)
INCH = 25.4
OAK = Timber(
    tag="FER-01",
    species="white oak",
    section=Section(width_mm=200.0, depth_mm=200.0),
    length_mm=3000.0,
    finished=Finished(width_mm=150.0, depth_mm=150.0),
    use_class="backbone-above-water",
    place="shed",
    arrived_utc=CAME,
)


def event(kind, day, **detail):
    return Event(tag="FER-01", kind=kind, at_utc=CAME + timedelta(days=day), detail=detail)


def check(day, **detail):
    return event(EventKind.CHECKED, day, **{"face": "b", **detail})


def test_one_check_is_followed_through_its_days():
    events = (
        check(20, width_mm=0.4, length_mm=300.0, since="2026-01-20"),
        check(30, opening="shake", length_mm=80.0),
        check(40, width_mm=2.0, depth_mm=30.0),
        check(40, name="north", width_mm=0.3),
    )
    first, shake, other = openings.seen(events)
    assert (first.kind, first.face, first.width_mm, first.depth_mm, first.length_mm) == (
        "check", Face.B, 2.0, 30.0, 300.0,
    )  # fmt: skip
    assert first.since_utc == datetime(2026, 1, 20, tzinfo=UTC)
    assert (shake.kind, other.name, other.depth_mm) == ("shake", "north", None)


def test_only_what_two_measurements_can_tell_is_growth():
    within, beyond = (
        openings.seen((check(1, width_mm=1.0, depth_mm=20.0), check(9, width_mm=1.0 + more, depth_mm=22.0)))[
            0
        ]
        for more in (0.2, 0.4)
    )
    assert within.growth == ()  # 0.28 mm are two standard deviations of the difference of two leaves
    (grown,) = beyond.growth
    assert (grown.what, grown.from_mm, grown.to_mm) == ("width", 1.0, 1.4)
    (reason,) = openings.growth_reasons(beyond)
    assert text.sentence(reason, "metric") == (
        "The check in face b has grown from 1.0 mm to 1.4 mm wide between 6 January 2026 and 14 January 2026."
    )
    assert "from 0.04 in to 0.06 in wide" in text.sentence(reason, "inch")


def test_planing_makes_a_check_shallower_and_takes_a_shallow_one_away():
    deep, shallow = check(1, depth_mm=30.0), check(2, face="a", depth_mm=8.0)
    planed = event(
        EventKind.PLANED, 5, width_mm=180.0, depth_mm=180.0, from_width_mm=200.0, from_depth_mm=200.0
    )
    (left,) = openings.seen((deep, shallow, planed))
    assert (left.face, left.depth_mm) == (Face.B, 20.0)
    again = openings.seen((deep, planed, check(9, depth_mm=26.0)))[0]
    assert again.depth_mm == 26.0  # measured anew after the planing


def test_a_check_that_goes_toward_the_heart_says_where_the_body_is_open():
    assert weakest_face(replace(OAK.section, pith_y_mm=20.0))[0] is Face.A
    wood = replace(OAK, section=replace(OAK.section, pith_y_mm=20.0))
    seen = openings.kerfed(wood, [check(9, depth_mm=70.0)])
    assert seen.section.kerf == Kerf(face=Face.B, depth_mm=70.0, sawn=False)
    assert weakest_face(seen.section)[0] is Face.B
    assert openings.kerfed(wood, [check(9, depth_mm=40.0)]) is wood  # not half of the way
    assert openings.kerfed(wood, [check(9, opening="shake", depth_mm=70.0)]) is wood
    kerf = event(EventKind.KERFED, 1, face="c", depth_mm=119.0, width_mm=4.7625)
    both = openings.kerfed(wood, [kerf, check(9, depth_mm=70.0)]).section.kerf
    assert (both.face, both.width_mm, both.sawn) == (Face.C, 4.7625, True)  # leaves less wood to break


def test_the_check_that_opens_the_heart_is_not_planed_off_and_the_others_only_from_their_own_face():
    events = (check(9, depth_mm=70.0), check(9, face="a", depth_mm=12.0), check(9, face="c", depth_mm=1.0))
    found = comes_out.recorded(OAK, events)
    assert found.checks_mm == {Face.A: 12.0, Face.C: 1.0}
    free = replace(OAK, section=replace(OAK.section, pith_x_mm=150.0))
    assert comes_out.recorded(free, events).checks_mm[Face.B] == 70.0
    ask = comes_out.asked(OAK, species.get("white oak"), found, wanted=0.9)
    # planing takes 2 mm off each face (common practice); face a needs 12, the width nothing more
    assert ask.faces_mm == (4.0, 14.0)
    assert ask.turned().faces_mm == (14.0, 4.0)


def test_a_measured_check_depth_decides_whether_the_piece_comes_out():
    moved = comes_out.drawn(
        OAK.section, species.get("white oak"), comes_out.Wet(mean_pct=64.0), np.full(256, 16.0)
    )

    def probability(**sizes):
        ask = Ask(width_mm=150.0, depth_mm=150.0, bow=bend.known(2.0), crook=bend.known(2.0), **sizes)
        return chance.comes_out(ask, (170.0, 170.0), moved).probability

    assert probability() > 0.9
    assert probability(checks_mm={Face.A: 9.0}) < 0.5
    assert probability(checks_mm={Face.A: 1.5}) == probability()  # the plane takes it


def test_a_width_alone_is_no_size_to_saw_from_and_both_of_a_day_are():
    width = event(EventKind.MEASURED, 50, width_mm=196.0)
    assert comes_out.recorded(OAK, (width,)).width_mm == 200.0
    depth = event(EventKind.MEASURED, 50.4, depth_mm=195.0, face="b")
    other = event(EventKind.MEASURED, 50.5, depth_mm=194.0, face="d")
    found = comes_out.recorded(OAK, (width, depth, other))
    assert (found.width_mm, found.depth_mm) == (196.0, 194.0)
    assert found.since_s == other.at_utc.timestamp()
    late = event(EventKind.MEASURED, 90, depth_mm=193.0)
    assert comes_out.recorded(OAK, (width, late)).since_s == CAME.timestamp()


def covers(*events):
    from baulk.models.air import AirSeries  # noqa: PLC0415

    begin = CAME.timestamp()
    air = AirSeries(
        posix_s=begin + np.arange(0, 100) * 86_400.0, temp_c=np.full(100, 15.0), rh_pct=np.full(100, 70.0)
    )
    return history(OAK, events, air, start_s=begin, now_s=begin + 99 * 86_400).faces[-1][1]


def test_wax_stays_when_the_film_over_it_is_taken_off():
    wax = event(EventKind.COATED, 1, faces="ac", coat="wax")
    film = event(EventKind.COATED, 5, faces="abcd", coat="wrap")
    bare = event(EventKind.COATED, 9, faces="", coat="wrap")
    assert set(covers(wax, film).values()) == {FaceCover.WRAPPED}
    left = covers(wax, film, bare)
    assert (left[Face.A], left[Face.B]) == (FaceCover.COATED, FaceCover.EXPOSED)
    assert set(covers(wax, film, event(EventKind.COATED, 9, faces="")).values()) == {FaceCover.EXPOSED}
    assert CONDUCTANCE_M_S[FaceCover.WRAPPED] < CONDUCTANCE_M_S[FaceCover.COATED]


@pytest.mark.parametrize("system", ["inch", "metric"])
def test_advice_follows_what_is_there(system):
    values = {"face": "b", "as_likely": "", "depth_mm": 60.0, "kerf": False, "opening_mm": 9.0}
    values |= {"crown_mm": 3.0, "side_lean_mm": 4.0}

    def said(**more):
        return text.SENTENCES["verdict.boxed_heart"]({**values, **more}, system)

    advice = "A relief kerf to the heart on a hidden face gives the check its place."
    assert said().endswith(advice)
    for there in ({"kerf": True}, {"check": True, "checked": "b"}, {"checked": "b"}):
        assert advice not in said(**there)
    assert "It has checked in face d already" in said(checked="d")


# --- twist


def test_a_measured_twist_costs_what_the_turned_section_leaves_of_a_straight_one():
    """A square of 150 mm inside one turned by an angle each way: its half-width is h (cos a + sin a)."""
    twisted = event(EventKind.MEASURED, 9, twist_mm=12.0)
    found = comes_out.recorded(OAK, (twisted,))
    assert found.twist_mm == 12.0
    half_length = comes_out.recorded(
        replace(OAK, length_mm=1500.0), (replace(twisted, detail={"twist_mm": 12.0, "length_mm": 3000.0}),)
    )
    assert half_length.twist_mm == 6.0
    ask = comes_out.asked(OAK, species.get("white oak"), found, wanted=0.9)
    angle = 12.0 / 200.0 * (2850.0 / 3000.0)  # over the finished length
    wide, deep = ask.untwisting_mm
    assert wide == deep == pytest.approx(150.0 * np.sin(angle / 2))
    assert comes_out.asked(
        OAK, species.get("white oak"), comes_out.recorded(OAK, ()), wanted=0.9
    ).untwisting_mm == (0, 0)


# --- what the margin had foretold


def told(made_day, chance, days=14):
    at = [(CAME + timedelta(days=made_day + i)).timestamp() for i in range(days + 1)]
    return account.Told(
        made_utc=CAME + timedelta(days=made_day), posix_s=tuple(at), chance=tuple(chance for _ in at)
    )


def test_the_margin_is_held_to_account_for_each_look():
    events = (
        check(20, width_mm=0.5),  # opened, foretold on day 5
        check(40, width_mm=2.0),  # grew, not foretold
        check(60, width_mm=2.0),  # quiet, a risk had been told
        check(80, width_mm=2.0),  # quiet, nothing told: no evaluation then
        check(60, opening="shake", width_mm=3.0),
    )
    known = [told(5, 0.9), told(28, 0.1), told(45, 0.7)]
    looks = account.looks(openings.seen(events), known, CAME)
    assert [(each.grew, each.foretold) for each in looks] == [
        (True, True), (True, False), (False, True), (False, False),
    ]  # fmt: skip
    missed, foretold, total = account.reasons(looks)
    assert (missed.code, foretold.code) == ("checking.was_not_foretold", "checking.was_foretold")
    assert total.values == {"grew": 2, "foretold": 1, "quiet": 1, "in_vain": 1}
    assert text.sentence(total, "inch") == (
        "Of 2 times that a check opened or grew the margin had foretold 1; of 1 look at one that had not "
        "grown it had foretold growth for 1."
    )
    assert "on 10 January 2026 the chance of that was put at 90 %" in text.sentence(foretold, "metric")
    assert "wants damper air than its margin says" in text.sentence(missed, "metric")


def grown(chance, times=4):
    events = tuple(check(20 * (n + 1), width_mm=0.5 * (n + 1)) for n in range(times))
    known = [told(20 * n + 2, chance) for n in range(times)]
    return account.under_told(account.looks(openings.seen(events), known, CAME))


def test_checks_that_grow_where_little_was_told_lower_the_chance_from_which_a_risk_is_told():
    under = grown(0.1)
    assert (under.grew, under.expected) == (4, pytest.approx(0.4))
    assert under.told_from == pytest.approx(0.05)  # a tenth of a half
    assert grown(0.3).told_from == pytest.approx(0.5 * 1.2 / 4)
    reason = Reason(code="checking.under_told", values=asdict(under))
    assert "opened or grew 4 times where what was told leaves 0.4 to be expected" in text.sentence(
        reason, "inch"
    )


def test_too_few_looks_and_checks_that_were_foretold_change_nothing():
    assert grown(0.1, times=2) is None
    assert grown(0.7) is None
    quiet = tuple(check(20 * (n + 1), width_mm=0.5) for n in range(6))
    known = [told(20 * n + 2, 0.01) for n in range(6)]
    assert account.under_told(account.looks(openings.seen(quiet), known, CAME)) is None


def test_what_was_said_after_a_check_was_seen_foretold_nothing():
    looks = account.looks(openings.seen((check(20, width_mm=0.5),)), [told(21, 1.0)], CAME)
    assert looks[0].chance is None
    assert account.reasons(looks) == ()

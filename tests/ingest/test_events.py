"""What happens to a timber: dated, signed, entered late where need be, and taken back; on both databases."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baulk.ingest import operations, pipeline, shop
from baulk.ingest.errors import RegisterError, Unlikely
from baulk.models.errors import BaulkError, NotFound, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Event, EventKind, Timber

from .conftest import raw

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
DAY = timedelta(days=1)
OAK = Timber(
    tag="FER-01",
    species="white oak",
    section=Section(width_mm=203, depth_mm=178, pith_x_mm=12),
    length_mm=3000,
    finished=Finished(width_mm=152, depth_mm=152),
    use_class="frame-outdoors",
    place="shed",
    arrived_utc=NOW - 30 * DAY,
)


both = pytest.mark.parametrize("folder", ["sqlite", "postgres"], indirect=True)


@pytest.fixture
def folder(request, tmp_path):
    """Make a shop on SQLite, or with `both` on each of the two databases."""
    made = shop.init(tmp_path / "yard", name="Ferry yard")
    if getattr(request, "param", "sqlite") == "postgres":
        path = made / "baulk.toml"
        url = request.getfixturevalue("postgres_url")
        path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{url}"'))
    return made


@pytest.fixture
def yard(folder):
    with shop.open(folder) as opened:
        opened.register.add(OAK, by="ann", now_utc=NOW - 29 * DAY)
        opened.register.add(replace(OAK, tag="FER-02"))
        yield opened


def event(kind, days_ago=0.0, tag="FER-01", **detail):
    return Event(tag=tag, kind=kind, at_utc=NOW - days_ago * DAY, noted_utc=NOW, detail=detail, by="ann")


def kinds(yard, tag="FER-01"):
    return [each.kind.value for each in yard.register.events(tag)]


@both
def test_a_timber_arrives_with_its_first_event(yard):
    (first,) = yard.register.events("fer-01")
    assert (first.kind, first.at_utc, dict(first.detail)) == (
        EventKind.ARRIVED,
        OAK.arrived_utc,
        {"place": "shed"},
    )
    assert (first.by, first.noted_utc) == ("ann", NOW - 29 * DAY)


def test_a_move_says_where_from_and_changes_the_place(yard):
    moved = yard.register.move("fer-01", "loft", now_utc=NOW, at_utc=NOW - DAY, by="ann", note="by the door")
    assert (moved.tag, moved.detail["from"], moved.detail["to"]) == ("FER-01", "shed", "loft")
    assert (moved.at_utc, moved.noted_utc, moved.by, moved.note) == (NOW - DAY, NOW, "ann", "by the door")
    assert yard.register.get("FER-01").place == "loft"
    assert yard.register.events("FER-01")[-1] == moved
    assert yard.register.get("FER-02").place == "shed"


@both
def test_a_move_entered_late_takes_its_place_between_the_others(yard):
    loft = yard.register.move("FER-01", "loft", now_utc=NOW, at_utc=NOW - 2 * DAY)
    yard.register.move("FER-01", "rack", now_utc=NOW, at_utc=NOW - 5 * DAY)
    assert yard.register.get("FER-01").place == "loft"
    legs = [(each.detail["from"], each.detail["to"]) for each in yard.register.events("FER-01")[1:]]
    assert legs == [("shed", "rack"), ("rack", "loft")]
    places = [yard.register.as_of("FER-01", NOW - days * DAY).place for days in (6, 4, 1)]
    assert places == ["shed", "rack", "loft"]
    operations.undo(yard, loft.number, by="ann", now_utc=NOW)
    assert yard.register.get("FER-01").place == "rack"


def test_taking_back_a_move_in_the_middle_joins_the_legs_around_it(yard):
    rack = yard.register.move("FER-01", "rack", now_utc=NOW, at_utc=NOW - 5 * DAY)
    yard.register.move("FER-01", "loft", now_utc=NOW, at_utc=NOW - 2 * DAY)
    operations.undo(yard, rack.number, by="ben", now_utc=NOW)
    legs = [(each.detail["from"], each.detail["to"]) for each in yard.register.events("FER-01")[1:]]
    assert legs == [("shed", "loft")]
    assert yard.register.get("FER-01").place == "loft"


@both
def test_an_undo_is_dated_and_signed_and_stays_on_record(yard):
    moved = yard.register.move("FER-01", "loft", now_utc=NOW)
    taken_back, _ = operations.undo(yard, moved.number, by="ben", now_utc=NOW + DAY)
    assert (taken_back.counts, taken_back.undone_utc, taken_back.undone_by) == (False, NOW + DAY, "ben")
    assert kinds(yard) == ["arrived"]
    assert yard.register.events("FER-01", undone=True)[-1] == taken_back
    with pytest.raises(RegisterError, match=f"number {moved.number} was taken back already on 2026-05-15"):
        operations.undo(yard, moved.number, by="ben", now_utc=NOW)
    with pytest.raises(RegisterError, match="there is no event number 999"):
        operations.undo(yard, 999, by="ben", now_utc=NOW)


def test_nothing_arrives_by_an_event(yard):
    with pytest.raises(RegisterError, match="arrives when it is entered"):
        operations.add_event(yard, event(EventKind.ARRIVED, place="shed"))


@both
def test_a_timber_entered_by_mistake_is_taken_out_with_all_that_was_noted_and_nothing_is_lost(yard):
    whole = yard.register.get("FER-01")
    operations.add_event(yard, event(EventKind.TURNED, 1, up="b"))
    operations.add_event(yard, event(EventKind.SENSOR_ATTACHED, 1, sensor="S7", depth_mm=45.0))
    moving = Reading(
        series=Series.parse("timber/FER-01/pin-45/moisture"), value=24, taken_utc=NOW + 2 * DAY,
        arrived_utc=NOW + 2 * DAY, flags=("sensor-S7",),
    )  # fmt: skip
    by_hand = replace(moving, series=Series.parse("timber/FER-01/weight"), value=90, flags=(), source="hand")
    yard.store.append([moving, by_hand])
    yard.store.save_evaluation("FER-01", NOW, b"{}")
    with pytest.raises(Unlikely, match=r"events: 2\), and its readings \(2\)"):
        operations.undo(yard, 1, by="ben", now_utc=NOW + 3 * DAY)
    undone, settled = operations.undo(yard, 1, by="ben", now_utc=NOW + 3 * DAY, sure=True)
    assert (undone.kind, undone.undone_by, settled.set_aside) == (EventKind.ARRIVED, "ben", 2)
    with pytest.raises(NotFound, match="no timber called 'FER-01'"):
        yard.register.get("FER-01")
    assert [one.tag for one in yard.register.list(retired=True)] == [*yard.register.known()] == ["FER-02"]
    assert yard.store.evaluations() == []
    every = yard.register.events("FER-01", undone=True)
    assert [one.undone_by for one in every] == ["ben"] * 3
    assert {row.waits_for for row in yard.store.quarantined()} == {"FER-01", "sensor:S7"}
    # what sensors send meanwhile waits with them; with the tag entered again all of it comes back
    pipeline.handle(raw('[{"n":"weight","u":"kg","v":91}]', arrived=NOW + 3 * DAY), yard)
    assert operations.add_timber(yard, whole, now_utc=NOW + 3 * DAY, sure=True) == 2
    assert sorted(one.value for one in yard.store.readings(Owner.TIMBER, "FER-01")) == [90, 91]
    assert kinds(yard) == ["arrived"]
    with pytest.raises(RegisterError, match="number 1 was taken back already"):
        operations.undo(yard, 1, by="ben", now_utc=NOW + 4 * DAY)


def test_a_timber_of_which_nothing_was_noted_is_taken_out_at_once(yard):
    operations.undo(yard, 1, by="ben", now_utc=NOW)
    assert yard.register.tags() == ("FER-02",)
    assert yard.store.quarantine_count() == 0


def test_a_cut_shortens_it_and_its_undoing_makes_it_long_again(yard):
    cut, _ = operations.add_event(
        yard, event(EventKind.CUT, 3, length_mm=2500, weight_before_kg=96.0, weight_after_kg=80.5)
    )
    assert cut.detail["weight_after_kg"] == 80.5
    assert yard.register.get("FER-01").length_mm == 2500
    assert yard.register.as_of("FER-01", NOW - 4 * DAY).length_mm == 3000
    operations.undo(yard, cut.number, by="", now_utc=NOW)
    assert yard.register.get("FER-01") == OAK


def test_wood_is_only_taken_off(yard):
    with pytest.raises(OutOfRange, match="a length of 3100 mm is not below the 3000 mm there was"):
        operations.add_event(yard, event(EventKind.CUT, length_mm=3100))
    with pytest.raises(OutOfRange, match="planing takes wood off, and a width of 210 mm"):
        operations.add_event(yard, event(EventKind.PLANED, width_mm=210, depth_mm=170))
    with pytest.raises(RegisterError, match="is 203 mm already; nothing was changed"):
        operations.add_event(yard, event(EventKind.PLANED, width_mm=203, depth_mm=178))
    operations.add_event(yard, event(EventKind.CUT, 2, length_mm=2500))
    with pytest.raises(RegisterError, match=r"this can't come before number 3 \(cut, 2026-05-12\)"):
        operations.add_event(yard, event(EventKind.CUT, 5, length_mm=2400))
    assert yard.register.get("FER-01").length_mm == 2500
    assert kinds(yard) == ["arrived", "cut"]


def test_planing_one_way_only_is_planing(yard):
    planed, _ = operations.add_event(yard, event(EventKind.PLANED, width_mm=203, depth_mm=165))
    section = yard.register.get("FER-01").section
    assert (section.width_mm, section.depth_mm, section.pith_x_mm) == (203, 165, 12)
    was = {"from_depth_mm": OAK.section.depth_mm}
    assert dict(planed.detail) == {"width_mm": 203, "depth_mm": 165, **was}
    operations.undo(yard, planed.number, by="", now_utc=NOW)
    assert yard.register.get("FER-01") == OAK


def test_planing_below_the_finished_piece_is_refused(yard):
    with pytest.raises(OutOfRange, match="does not fit where it is placed"):
        operations.add_event(yard, event(EventKind.PLANED, width_mm=150, depth_mm=150))
    assert yard.register.get("FER-01") == OAK


@both
def test_what_a_later_event_stands_on_is_not_taken_back(yard):
    (smaller, *_) = operations.edit_timber(
        yard, "FER-01", finished=Finished(width_mm=120, depth_mm=152), now_utc=NOW - 3 * DAY
    )
    planed, _ = operations.add_event(yard, event(EventKind.PLANED, 1, width_mm=130, depth_mm=160))
    words = rf"number {smaller.number} \(edited\) can't be taken back while number {planed.number} \(planed"
    with pytest.raises(RegisterError, match=words):
        operations.undo(yard, smaller.number, by="", now_utc=NOW)
    assert yard.register.get("FER-01").finished.width_mm == 120
    for number in (planed.number, smaller.number):
        operations.undo(yard, number, by="", now_utc=NOW)
    assert yard.register.get("FER-01") == OAK


@both
def test_each_corrected_field_is_an_event_with_what_stood_there(yard):
    made = operations.edit_timber(
        yard, "FER-01", species="northern red oak", green_mc_pct=81.0, ends_sealed=True, by="ann", now_utc=NOW
    )
    told = {each.detail["field"]: (each.detail["old"], each.detail["new"]) for each in made}
    assert told == {
        "species": ("white oak", "northern red oak"),
        "green_mc_pct": ("", 81.0),
        "ends_sealed": (False, True),
    }
    assert yard.register.get("FER-01").green_mc_pct == 81.0
    for each in made:
        operations.undo(yard, each.number, by="ann", now_utc=NOW)
    assert yard.register.get("FER-01") == OAK


def test_a_correction_that_changes_nothing_leaves_no_trace(yard):
    assert operations.edit_timber(yard, "FER-01", species="white oak", now_utc=NOW) == ()
    assert kinds(yard) == ["arrived"]


def test_a_correction_of_several_fields_need_only_fit_as_a_whole(yard):
    # neither the smaller section with the old piece nor one side after the other would be a timber
    operations.edit_timber(
        yard,
        "FER-01",
        section=Section(width_mm=127, depth_mm=127),
        finished=Finished(width_mm=100, depth_mm=100),
        now_utc=NOW,
    )
    assert yard.register.get("FER-01").section == Section(width_mm=127, depth_mm=127)


@pytest.mark.parametrize(
    ("changes", "error", "words"),
    [
        ({"species": "white oke"}, NotFound, "no species called 'white oke'; did you mean"),
        ({"use_class": "mast"}, NotFound, "called 'mast'"),
        ({"finished": Finished(width_mm=6, depth_mm=6)}, OutOfRange, "under a tenth of the green"),
        ({"finished": Finished(width_mm=210, depth_mm=150)}, OutOfRange, "does not fit"),
        ({"tag": "FER/09"}, OutOfRange, "FER/09"),
        ({"colour": "red"}, OutOfRange, "has no field 'colour'"),
    ],
)
def test_a_correction_keeps_the_rules_of_entering(yard, changes, error, words):
    with pytest.raises(error, match=words):
        operations.edit_timber(yard, "FER-01", now_utc=NOW, **changes)
    assert yard.register.get("FER-01") == OAK
    assert kinds(yard) == ["arrived"]


def test_another_place_is_a_move_even_as_a_correction(yard):
    (moved,) = operations.edit_timber(yard, "FER-01", place="loft", now_utc=NOW, new_place=True)
    assert (moved.kind, moved.detail["to"]) == (EventKind.MOVED, "loft")


def test_a_cut_before_a_correction_of_the_length_asks_to_take_that_back_first(yard):
    operations.edit_timber(yard, "FER-01", length_mm=3100, now_utc=NOW - DAY)
    with pytest.raises(RegisterError, match=r"the length of FER-01 was corrected later \(number 3\)"):
        operations.add_event(yard, event(EventKind.CUT, 5, length_mm=2500))


def test_the_arrival_follows_a_correction_of_its_date_and_stays_before_the_rest(yard):
    moved = yard.register.move("FER-01", "loft", now_utc=NOW, at_utc=NOW - 10 * DAY)
    operations.edit_timber(yard, "FER-01", arrived_utc=NOW - 20 * DAY, now_utc=NOW)
    assert yard.register.events("FER-01")[0].at_utc == NOW - 20 * DAY
    with pytest.raises(RegisterError, match="its history begins on 2026-05-04"):
        operations.edit_timber(yard, "FER-01", arrived_utc=NOW - 5 * DAY, now_utc=NOW)
    operations.undo(yard, moved.number, by="", now_utc=NOW)
    operations.edit_timber(yard, "FER-01", arrived_utc=NOW - 5 * DAY, now_utc=NOW)
    with pytest.raises(OutOfRange, match="lies before FER-01 arrived on 2026-05-09"):
        operations.add_event(yard, event(EventKind.TURNED, 8, up="b"))


def test_an_event_to_come_is_refused(yard):
    with pytest.raises(OutOfRange, match="lies in the future"):
        operations.add_event(yard, event(EventKind.TURNED, -1, up="b"))


@both
def test_a_retired_timber_leaves_the_list_and_comes_back(yard):
    yard.store.save_evaluation("FER-02", NOW, b"{}", revision=yard.store.revision())
    gone, _ = operations.add_event(yard, event(EventKind.RETIRED, reason="built in as the port sill"))
    assert [each.tag for each in yard.register.list()] == ["FER-02"]
    assert [each.tag for each in yard.register.list(retired=True)] == ["FER-01", "FER-02"]
    assert yard.register.get("FER-01").retired_utc == NOW
    assert yard.register.tags() == ("FER-01", "FER-02")
    assert yard.store.stale() == []
    with pytest.raises(RegisterError, match="FER-01 was retired on 2026-05-14; return it first"):
        yard.register.move("FER-01", "loft", now_utc=NOW + DAY)
    operations.add_event(yard, event(EventKind.TURNED, 3, up="c"))  # late, and from before it went
    operations.undo(yard, gone.number, by="", now_utc=NOW)
    assert yard.register.get("FER-01") == OAK
    assert yard.store.stale() == ["FER-01"]


def test_a_return_is_not_taken_back_once_things_happened_after_it(yard):
    operations.add_event(yard, event(EventKind.RETIRED, 5))
    (back,) = operations.edit_timber(yard, "FER-01", retired_utc=None, now_utc=NOW - 4 * DAY)
    turned, _ = operations.add_event(yard, event(EventKind.TURNED, 2, up="b"))
    with pytest.raises(RegisterError, match=f"while number {turned.number}"):
        operations.undo(yard, back.number, by="", now_utc=NOW)
    operations.undo(yard, turned.number, by="", now_utc=NOW)
    operations.undo(yard, back.number, by="", now_utc=NOW)
    assert yard.register.list() == [replace(OAK, tag="FER-02")]


@pytest.mark.parametrize(
    ("kind", "detail", "words"),
    [
        (EventKind.TURNED, {"up": "e"}, "a face is one of a, b, c, d, not 'e'"),
        (EventKind.COATED, {"faces": "ax"}, "letters of a, b, c, d"),
        (EventKind.MOVED, {"from": "", "to": "the loft"}, "a tag or place is made of"),
        (
            EventKind.CUT,
            {"length_mm": 2000, "weight_before_kg": 80, "weight_after_kg": 90},
            "not below 80 kg",
        ),
        (EventKind.CUT, {"length_mm": float("nan")}, "lies between"),
        (EventKind.OVEN_DRIED, {"mc_pct": "wet"}, "the mc of an event lies between 0 and 400 %, not wet"),
        (EventKind.KERFED, {"face": "a", "depth_mm": 178}, "would saw through the piece, which is 178 mm"),
        (EventKind.KERFED, {"face": "b", "depth_mm": 0}, "a relief kerf must be deeper than 0 mm"),
        (EventKind.KERFED, {"face": "", "depth_mm": 50}, "needs its face"),
        (EventKind.TARED, {"tare_kg": -1}, "the tare of an event lies between"),
        (EventKind.SENSOR_ATTACHED, {"sensor": "S 7"}, "the name of a sensor"),
        (EventKind.SENSOR_ATTACHED, {"sensor": "S7", "depth_mm": 190, "face": "a"}, "lies outside the piece"),
        (EventKind.SENSOR_ATTACHED, {"sensor": "S7", "from_end_mm": 3500}, "longer than FER-01"),
        (EventKind.PHOTOGRAPHED, {"file": " "}, "the photograph needs a name"),
    ],
)
def test_a_detail_that_can_not_be_meant_is_refused(yard, kind, detail, words):
    with pytest.raises(OutOfRange, match=words):
        operations.add_event(yard, event(kind, **detail))
    assert kinds(yard) == ["arrived"]


def test_faces_come_in_one_form_and_none_is_none(yard):
    coated, _ = operations.add_event(yard, event(EventKind.COATED, faces="C, a"))
    free, _ = operations.add_event(yard, event(EventKind.STICKERED, faces=""))
    assert (coated.detail["faces"], free.detail["faces"]) == ("ac", "")


def test_events_of_all_timbers_since_a_day(yard):
    yard.register.move("FER-02", "loft", now_utc=NOW, at_utc=NOW - DAY)
    operations.add_event(yard, event(EventKind.TURNED, 5, up="b"))
    assert [each.tag for each in yard.register.events(since_utc=NOW - 6 * DAY)] == ["FER-01", "FER-02"]
    with pytest.raises(NotFound, match="no timber called 'FER-7'"):
        yard.register.events("FER-7")


@both
def test_every_event_makes_its_timber_stale_and_no_other(yard):
    for tag in ("FER-01", "FER-02"):
        yard.store.save_evaluation(tag, NOW, b"{}", revision=yard.store.revision())
    turned, _ = operations.add_event(yard, event(EventKind.TURNED, up="b"))
    assert yard.store.stale() == ["FER-01"]
    yard.store.save_evaluation("FER-01", NOW, b"{}", revision=yard.store.revision())
    operations.undo(yard, turned.number, by="", now_utc=NOW)
    assert yard.store.stale() == ["FER-01"]


_EDITOR = """
import sys
from datetime import UTC, datetime
from baulk.ingest import shop
folder, name = sys.argv[1:]
now = datetime(2026, 5, 14, tzinfo=UTC)
with shop.open(folder) as yard:
    print("ready", flush=True)
    sys.stdin.readline()
    for k in range(15):
        yard.register.move("FER-01", f"{name}-{k}", now_utc=now, by=name)
"""


@both
def test_two_programs_that_edit_at_once_lose_nothing(yard, folder):
    editors = [
        subprocess.Popen(
            [sys.executable, "-c", _EDITOR, str(folder), name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for name in ("ann", "ben")
    ]
    for each in editors:
        assert each.stdout.readline() == "ready\n"
    before = yard.store.revision()
    for each in editors:
        each.stdin.write("\n")
        each.stdin.flush()
    assert [each.communicate(timeout=60)[1] and each.returncode for each in editors] == [None, None]
    assert [each.returncode for each in editors] == [0, 0]
    legs = [each for each in yard.register.events("FER-01") if each.kind is EventKind.MOVED]
    assert {each.detail["to"] for each in legs} == {f"{n}-{k}" for n in ("ann", "ben") for k in range(15)}
    assert len({each.number for each in legs}) == 30
    assert yard.store.revision() - before == 30
    joined = sorted(legs, key=lambda each: each.number)
    assert [each.detail["from"] for each in joined] == ["shed", *[each.detail["to"] for each in joined[:-1]]]
    assert yard.register.get("FER-01").place == joined[-1].detail["to"]


days = st.floats(min_value=0, max_value=29)
happenings = st.one_of(
    st.tuples(
        st.just(EventKind.MOVED),
        days,
        st.sampled_from(["loft", "rack", "yard"]).map(lambda to: {"from": "", "to": to}),
    ),
    st.tuples(st.just(EventKind.CUT), days, st.floats(500, 2999).map(lambda mm: {"length_mm": mm})),
    st.tuples(
        st.just(EventKind.PLANED),
        days,
        st.tuples(st.floats(152, 203), st.floats(152, 178)).map(
            lambda size: {"width_mm": size[0], "depth_mm": size[1]}
        ),
    ),
    st.tuples(st.just(EventKind.TURNED), days, st.sampled_from(list(Face)).map(lambda up: {"up": up.value})),
    st.tuples(st.just(EventKind.RETIRED), days, st.just({})),
    st.tuples(st.just(EventKind.SENSOR_ATTACHED), days, st.just({"sensor": "S7"})),
    st.tuples(st.just(EventKind.SENSOR_DETACHED), days, st.just({"sensor": "S7"})),
    st.tuples(st.just(EventKind.EDITED), days, st.floats(500, 4000).map(lambda mm: {"length_mm": mm})),
)


def test_a_sensor_that_was_attached_twice_is_still_attached_when_one_is_taken_back(yard):
    numbers = [
        operations.add_event(yard, event(kind, ago, sensor="S7", **more), sure=True)[0].number
        for kind, ago, more in (
            (EventKind.SENSOR_ATTACHED, 1, {}),
            (EventKind.SENSOR_DETACHED, 0, {}),
            (EventKind.SENSOR_ATTACHED, 1, {"face": "b"}),
        )
    ]
    operations.undo(yard, numbers[2], by="", now_utc=NOW)
    with pytest.raises(BaulkError, match=f"take back number {numbers[1]} first"):
        operations.undo(yard, numbers[0], by="", now_utc=NOW)


@settings(max_examples=25, deadline=None)
@given(wanted=st.lists(happenings, max_size=8))
def test_whatever_happened_taking_all_of_it_back_gives_the_first_state(tmp_path_factory, wanted):
    made = shop.init(tmp_path_factory.mktemp("yard") / "shop", name="Ferry yard")
    with shop.open(made) as yard:
        yard.register.add(OAK)
        numbers, states = [], [yard.register.get("FER-01")]
        for kind, ago, detail in wanted:
            try:
                if kind is EventKind.EDITED:
                    new = operations.edit_timber(yard, "FER-01", now_utc=NOW, **detail)
                else:
                    new = [operations.add_event(yard, event(kind, ago, **detail))[0]]
            except BaulkError:
                continue
            numbers += [each.number for each in new]
            states += [yard.register.get("FER-01")] * len(new)
        # in reverse order of noting, each step gives the state before it
        for number, before in zip(reversed(numbers), reversed(states[:-1]), strict=True):
            operations.undo(yard, number, by="", now_utc=NOW)
            assert yard.register.get("FER-01") == before
        assert yard.register.get("FER-01") == OAK
        assert kinds(yard) == ["arrived"]


@settings(max_examples=15, deadline=None)
@given(wanted=st.lists(happenings, max_size=8), order=st.randoms(use_true_random=False))
def test_in_any_order_that_is_allowed_the_chain_holds(tmp_path_factory, wanted, order):
    made = shop.init(tmp_path_factory.mktemp("yard") / "shop", name="Ferry yard")
    with shop.open(made) as yard:
        yard.register.add(OAK)
        numbers = []
        for kind, ago, detail in wanted:
            try:
                if kind is EventKind.EDITED:
                    numbers += [
                        each.number for each in operations.edit_timber(yard, "FER-01", now_utc=NOW, **detail)
                    ]
                else:
                    numbers.append(operations.add_event(yard, event(kind, ago, **detail))[0].number)
            except BaulkError:
                continue
        left = list(numbers)
        while left:  # what is refused while a later one counts is tried again when that is gone
            order.shuffle(left)
            done = []
            for number in left:
                try:
                    operations.undo(yard, number, by="", now_utc=NOW)
                except RegisterError:
                    continue
                done.append(number)
                moves = [each for each in yard.register.events("FER-01") if each.kind is EventKind.MOVED]
                stations = ["shed", *[each.detail["to"] for each in moves]]
                assert [each.detail["from"] for each in moves] == stations[:-1]
                assert yard.register.get("FER-01").place == stations[-1]
            assert done
            left = [number for number in left if number not in done]
        assert yard.register.get("FER-01") == OAK

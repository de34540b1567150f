from __future__ import annotations

import pytest

from baulk.models import use_class
from baulk.models.errors import NotFound, OutOfRange


@pytest.mark.parametrize("name", use_class.names())
def test_every_use_class_is_whole_and_says_where_it_comes_from(name):
    use = use_class.get(name)
    assert 5 <= use.service_low_pct < use.service_high_pct <= 45
    assert 0 < use.tolerance_mm_per_150 < 10
    assert use.title
    assert use.note
    assert use.source
    assert use.mark in {"read", "read (secondary)", "memory", "common practice"}


def test_planking_asks_what_the_navy_laboratory_printed():
    # Peck 1945, FPL R1606: 15 % mean, 12 least, 18 most
    use = use_class.get("Planking")
    assert (use.service_low_pct, use.service_high_pct, use.service_mc_pct) == (12, 18, 15)
    assert use.max_mc_at_squaring_pct == 18


def test_keels_may_stay_wet_and_joinery_may_not():
    # Teesdale 1942, FPL R1423: keels need no seasoning
    assert use_class.get("backbone immersed").may_stay_wet
    assert not use_class.get("joinery").may_stay_wet


def test_the_tolerance_grows_with_the_larger_side():
    use = use_class.get("frame-under-cover")
    assert use.tolerance_mm(300, 100) == pytest.approx(2 * use.tolerance_mm_per_150)


def test_an_unknown_use_names_all_there_are():
    with pytest.raises(NotFound, match=r"no use class called 'plankin'; known: .*planking, deck"):
        use_class.get("plankin")


HEAD = ",".join(use_class.COLUMNS) + "\n"
BITTS = (
    "mooring-bitts,Mooring bitts,14,22,3.5,no,,Holds the warps.,"
    '"common practice, no source",common practice\n'
)


def test_a_shops_own_row_is_found_beside_the_built_in_ones():
    known = use_class.read_own(HEAD + BITTS)
    assert known.get("Mooring bitts").tolerance_mm_per_150 == 3.5
    assert known.names() == (*use_class.names(), "mooring-bitts")
    assert known.get("planking") == use_class.get("planking")
    assert [each.name for each in known.every()] == list(known.names())
    with pytest.raises(NotFound, match="mooring-bitts"):
        known.get("mooring-bits")


def test_a_shops_own_row_corrects_the_built_in_one_of_that_name_for_that_shop_alone():
    known = use_class.read_own(HEAD + BITTS.replace("mooring-bitts", "planking"))
    assert known.get("planking").title == "Mooring bitts"
    assert known.names() == use_class.names()
    assert use_class.get("planking").title == "Planking"


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("mooring-bitts", "Mooring Bitts", "small letters"),
        (",14,", ",fourteen,", "line 2. gives service_low_pct as 'fourteen'"),
        (",14,", ",24,", "the lower end comes first"),
        (",3.5,", ",nan,", "tolerance_mm_per_150 as 'nan'"),
        (",no,", ",maybe,", "yes or no, not 'maybe'"),
        (",no,,", ",no,500,", "max_mc_at_squaring_pct"),
        ('"common practice, no source"', "", "leaves source empty"),
        (",common practice\n", ",certain\n", "one of the marks"),
        (",14,22", ",14", "needs 10 values"),
    ],
)
def test_a_row_that_cannot_be_is_refused_with_its_line(old, new, words):
    with pytest.raises(OutOfRange, match=words):
        use_class.read_own(HEAD + BITTS.replace(old, new))


def test_a_row_given_twice_and_a_wrong_head_are_refused():
    with pytest.raises(OutOfRange, match="mooring-bitts a second time"):
        use_class.read_own(HEAD + BITTS + BITTS)
    with pytest.raises(OutOfRange, match="line 1"):
        use_class.read_own("name,title\n")


def test_what_the_trade_asks_is_in_the_table():
    # Peck 1945, FPL R1606 (12 to 18 %); Teesdale 1942, FPL R1423 (keels); Wengert 2006 (bends, 23 to 25 %);
    # gluing and laminations from memory, marked so
    assert "no seasoning" in use_class.get("backbone-immersed").note
    assert "23 to 25 %" in use_class.get("steam-bent-frame").note
    glue = use_class.get("laminating")
    assert glue.max_mc_at_squaring_pct == 12
    assert "within 2 to 5 points" in glue.note
    assert glue.mark == "memory"
    for name in ("planking", "deck"):
        assert (use_class.get(name).service_low_pct, use_class.get(name).service_high_pct) == (12, 18)


def test_a_season_breaks_a_use_where_its_row_says_at_which_movement():
    deck = use_class.get("deck")
    assert deck.season_limits_mm(300, 50) == (pytest.approx(2 * deck.dry_season_mm_per_150), None)
    assert use_class.get("frame-outdoors").season_limits_mm(150, 150) == (None, None)
    for name in use_class.names():  # a piece that has settled at the middle must be able to stand the swing
        use = use_class.get(name)
        half_swing_mm = 150 * 0.105 / 30 * (use.service_high_pct - use.service_low_pct) / 2  # flat-sawn oak
        assert all(each is None or each > half_swing_mm for each in use.season_limits_mm(150, 150))


def test_a_shops_own_table_may_give_the_seasons_or_leave_them_away():
    head = ",".join([*use_class.COLUMNS, *use_class.SEASONS]) + "\n"
    with_them = use_class.read_own(head + BITTS.replace("\n", ",1.5,\n")).get("mooring-bitts")
    assert (with_them.dry_season_mm_per_150, with_them.damp_season_mm_per_150) == (1.5, None)
    assert use_class.read_own(head + BITTS).get("mooring-bitts").dry_season_mm_per_150 is None
    assert use_class.read_own(HEAD + BITTS).get("mooring-bitts").damp_season_mm_per_150 is None
    with pytest.raises(OutOfRange, match="dry_season_mm_per_150 as 'wide'"):
        use_class.read_own(head + BITTS.replace("\n", ",wide,\n"))

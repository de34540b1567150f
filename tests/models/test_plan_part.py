"""Parts lists as people keep them."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.plan.buying import parts as buying_parts
from baulk.models.plan.buying.parts import Part

NOW = datetime(2026, 11, 25, tzinfo=UTC)
HEAD = "part,finished,length,curve,use,wanted by,heart,count\n"


def test_a_list_in_inches_is_read():
    found = buying_parts.read_csv(
        HEAD + "Sternpost,8 x 6 in,7 ft 6 in,0,backbone above water,2027-05-01,boxed,2\n"
    )
    (one,) = found.parts
    assert (one.width_mm, one.depth_mm, one.length_mm) == (203.2, 152.4, 2286.0)
    assert one.use_class == "backbone-above-water"
    assert (one.heart, one.count, one.sweep_mm) == ("boxed", 2, 0.0)
    assert one.wanted_by_utc == datetime(2027, 5, 1, tzinfo=UTC)


def test_a_unit_may_stand_in_the_heading_and_semicolons_between():
    found = buying_parts.read_csv("part;section (mm);length_m;curve (mm);use\nRib;60 x 40;2.4;180;planking\n")
    assert found.parts[0].length_mm == 2400
    assert found.parts[0].sweep_mm == 180


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("Stem,8 x 6,10 ft,,planking,,,", "needs its unit"),
        ("Stem,8 x 6 in,10 ft,,plankng,,,", "no use class called"),
        ("Stem,80 x 60 in,10 ft,,planking,,,", "larger than any log"),
        ("Stem,8 x 6 in,1000 ft,,planking,,,", "at most 30 m"),
        ("Stem,8 x 6 in,10 ft,8 ft,planking,,,", "half the length"),
        ("Stem,8 x 6 in,10 ft,,planking,2025-01-01,,", "has passed"),
        ("Stem,8 x 6 in,10 ft,,planking,soon,,", "looks like"),
        ("Stem,8 x 6 in,10 ft,,planking,,off,", "any, boxed or free"),
        ("Stem,8 x 6 in,10 ft,,planking,,,some", "whole number"),
        ("Stem,8 x 6 in,10 ft,,planking,,,1e9", "between 1 and 1000"),
        ("Stem,8 x 6 in,10 ft,,planking,,,inf", "whole number"),
        (",8 x 6 in,10 ft,,planking,,,", "has no part"),
        ("Stem,8 x 6 in,10 ft,,planking,,,1,more", "more values"),
        ("Stem,\x00,-,,planking,,,1", "a size"),
    ],
)
def test_a_line_that_is_no_part_is_named_with_its_reason_and_the_others_stay(line, says):
    found = buying_parts.read_csv(f"{HEAD}Keel,8 x 8 in,12 ft,,backbone-immersed,,,\n\n{line}\n", now_utc=NOW)
    assert [each.name for each in found.parts] == ["Keel"]
    assert found.refused[0].line == 4
    assert says in found.refused[0].why


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "is empty"),
        ("\n\n", "is empty"),
        ("hello", "lacks the column part"),
        (HEAD, "no part below"),
        ("part,part,finished,length,use\n", "twice"),
    ],
)
def test_a_file_that_is_no_parts_list_says_so(text, says):
    with pytest.raises(OutOfRange, match=says):
        buying_parts.read_csv(text)


@given(st.text(max_size=60))
def test_any_text_ends_in_parts_or_sentences(text):
    for whole in (text, HEAD + text):
        try:
            found = buying_parts.read_csv(whole, now_utc=NOW)
        except BaulkError:
            continue
        assert len(found.parts) + len(found.refused) >= 1


@pytest.mark.parametrize("system", ["metric", "inch"])
def test_what_is_written_is_read_back(system):
    parts = (
        Part(
            name="Futtock, port 3",
            width_mm=120,
            depth_mm=95.25,
            length_mm=1500,
            sweep_mm=140,
            use_class="frame-outdoors",
            wanted_by_utc=datetime(2027, 3, 4, 12, tzinfo=UTC),
            heart="free",
            count=3,
            species="white oak",
        ),
        Part(name="Keel", width_mm=200, depth_mm=200, length_mm=4000, use_class="backbone-immersed"),
    )
    assert "2027-03-04T12" in buying_parts.write_csv(parts, system)
    assert buying_parts.read_csv(buying_parts.write_csv(parts, system)).parts == parts

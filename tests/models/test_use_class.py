from __future__ import annotations

import pytest

from baulk.models import use_class
from baulk.models.errors import NotFound


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


def test_an_unknown_use_names_the_nearest():
    with pytest.raises(NotFound, match="did you mean planking"):
        use_class.get("plankin")

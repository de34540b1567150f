from __future__ import annotations

import math

import pytest

from baulk.models.errors import OutOfRange
from baulk.models.meter import pin_depth


@pytest.mark.parametrize("faces", [2, 4])
def test_at_the_depth_of_the_mean_either_profile_has_the_height_of_its_mean(faces):
    sine, parabola = (pin_depth.mean_depth_share(faces, each) for each in ("sine", "parabola"))
    directions = faces // 2
    assert math.sin(math.pi * sine) == pytest.approx((2 / math.pi) ** directions, rel=1e-12)
    assert 4 * parabola * (1 - parabola) == pytest.approx((2 / 3) ** directions, rel=1e-12)


def test_what_can_not_be_is_refused_in_a_sentence():
    with pytest.raises(
        OutOfRange, match="the number of drying faces is 2 for a board or 4 for a timber, not 3"
    ):
        pin_depth.mean_depth_share(3)
    with pytest.raises(OutOfRange, match="the profile is sine or parabola, not 'round'"):
        pin_depth.mean_depth_share(2, "round")

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models.errors import OutOfRange
from baulk.models.meter import pin_depth

shares = st.floats(min_value=0.05, max_value=0.5)
faces = st.sampled_from([2, 4])
profiles = st.sampled_from(["sine", "parabola"])


@given(faces=faces, profile=profiles)
def test_the_depth_of_the_mean_reads_the_mean(faces, profile):
    at = pin_depth.mean_depth_share(faces, profile)
    assert pin_depth.share_of_mean(at, faces, profile) == pytest.approx(1, rel=1e-12)


@given(a=shares, b=shares, faces=faces, profile=profiles)
def test_deeper_is_wetter(a, b, faces, profile):
    a, b = sorted((a, b))
    assert pin_depth.share_of_mean(a, faces, profile) <= pin_depth.share_of_mean(b, faces, profile) + 1e-12


@given(pin=st.floats(min_value=5, max_value=90), share=shares, faces=faces)
def test_a_piece_at_its_surfaces_moisture_has_it_as_its_mean(pin, share, faces):
    told = pin_depth.mean_from_pin(pin, 200 * share, 200, surface_pct=pin, faces=faces)
    assert told.mc_pct == pytest.approx(pin)


def test_a_pin_that_only_says_at_least_says_no_more_of_the_mean():
    assert pin_depth.mean_from_pin(30, 25, 200, surface_pct=14, faces=4, at_least=True).at_least


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (
            {"depth_mm": 120.0},
            "the depth of a pin lies above 0 and up to half of the side, not at 0.60 of it",
        ),
        ({"depth_mm": 4.0}, "a pin 4 mm deep in 200 mm says nothing about the mean; drive it deeper"),
        ({"side_mm": 0.0}, "the side must be above 0 mm, not 0"),
        ({"pin_pct": -2.0}, "the reading lies between 0 and 400 %, not -2 %"),
        ({"surface_pct": 500.0}, "the surface lies between 0 and 400 %, not 500 %"),
        ({"faces": 3}, "the number of drying faces is 2 for a board or 4 for a timber, not 3"),
    ],
)
def test_what_can_not_be_is_refused_in_a_sentence(change, says):
    given_ = {"pin_pct": 30.0, "depth_mm": 25.0, "side_mm": 200.0, "surface_pct": 14.0, "faces": 4} | change
    with pytest.raises(OutOfRange) as caught:
        pin_depth.mean_from_pin(
            given_["pin_pct"],
            given_["depth_mm"],
            given_["side_mm"],
            surface_pct=given_["surface_pct"],
            faces=given_["faces"],
        )
    assert str(caught.value) == says
    with pytest.raises(OutOfRange, match="the profile is sine or parabola, not 'round'"):
        pin_depth.mean_depth_share(2, "round")

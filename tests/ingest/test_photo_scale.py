"""Millimetres on rendered photographs of a butt end, its label flat on the wood, up to 35 degrees off square.

The renderer (rendered_butt.py) follows rays and shares no geometry with the program.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

from baulk.dashboard.printing import labels
from baulk.ingest import photo_scale, photos
from baulk.models import photograph
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.section import Face

_SPEC = importlib.util.spec_from_file_location("rendered_butt", Path(__file__).parent / "rendered_butt.py")
rendered = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rendered)
Camera = rendered.Camera

SIDE_MM = 31.2
WORDS = labels.address("http://192.0.2.20:8501", "FER-01", SIDE_MM)
MIDDLE, EDGE = (-15.0, 15.0), (-90.0, 85.0)
VIEWS = [
    (Camera(), MIDDLE),
    (Camera(tilt=25, turn=-15, roll=10), MIDDLE),
    (Camera(turn=35, focal=0.5), MIDDLE),
    (Camera(tilt=35, roll=90), EDGE),
    (Camera(tilt=-35, turn=10, roll=-20, focal=0.62), EDGE),
    (Camera(tilt=20, turn=28, focal=1.2), EDGE),
]


def sides(places):
    return np.hypot(*(places - np.roll(places, -1, axis=0)).T)


@pytest.mark.parametrize(("camera", "at"), VIEWS)
def test_the_section_is_told_within_one_percent(camera, at):
    found = photo_scale.look(rendered.picture(camera, WORDS, SIDE_MM, at))
    assert (found.tag, found.side_mm, found.size_px) == ("FER-01", SIDE_MM, rendered.SIZE_PX)
    px = camera.seen_at(rendered.CORNERS)
    off = sides(found.plane.mm(px)) / sides(rendered.CORNERS) - 1.0
    assert np.max(np.abs(off)) < 0.01, off  # 2 % is promised, the hand that taps takes its part
    told = [found.plane.spread_mm(px[i], px[(i + 1) % 4]) / 195.0 for i in range(4)]
    assert np.all(np.abs(off) < 5 * np.array(told) + 0.002)
    end = photograph.butt_end(found.plane.mm(px))
    assert end.width_mm == pytest.approx(rendered.WIDTH_MM, rel=0.006)
    assert end.depth_mm == pytest.approx(rendered.DEPTH_MM, rel=0.006)
    (pith,) = found.plane.mm(camera.seen_at(np.array([[10.0, -15.0]])))
    assert end.place_mm(pith) == (pytest.approx(10.0, abs=1.0), pytest.approx(-15.0, abs=1.0))
    (check,) = found.plane.mm(camera.seen_at(np.array([[95.0, 5.0]])))
    assert end.nearest_face(check) is Face.B


def test_a_lens_that_bends_by_two_percent_at_the_edge_costs_less_than_two_percent():
    camera = Camera(tilt=15, turn=-10)
    found = photo_scale.look(rendered.picture(camera, WORDS, SIDE_MM, bend=0.05))
    off = sides(found.plane.mm(camera.seen_at(rendered.CORNERS))) / sides(rendered.CORNERS) - 1.0
    assert np.max(np.abs(off)) < 0.02, off


def test_a_label_that_says_nothing_of_its_size_needs_it_typed():
    words = labels.address("http://192.0.2.20:8501", "FER-01")
    camera = Camera(tilt=10)
    given = rendered.picture(camera, words, SIDE_MM)
    with pytest.raises(photo_scale.NoScale, match="measure its side"):
        photo_scale.look(given)
    found = photo_scale.look(given, SIDE_MM)
    off = sides(found.plane.mm(camera.seen_at(rendered.CORNERS))) / sides(rendered.CORNERS) - 1.0
    assert np.max(np.abs(off)) < 0.01


def test_a_picture_without_a_code_says_so():
    with pytest.raises(photo_scale.NoScale, match="no code"):
        photo_scale.look(rendered.picture(Camera(), "x", 4.0))
    with pytest.raises(BaulkError, match="no picture"):
        photo_scale.look(b"nothing")


def test_corners_that_are_not_those_of_the_code_are_refused():
    grey = np.full((300, 300), 120.0)
    code = np.random.default_rng(1).integers(0, 2, (33, 33)).astype(float)
    box = [(50, 50), (200, 50), (200, 200), (50, 200)]
    with pytest.raises(photograph.NotFound, match="blurred"):
        photograph.by_code(grey + np.random.default_rng(2).normal(0, 5, grey.shape), code, box, SIDE_MM)
    with pytest.raises(photograph.NotFound, match="too small"):
        photograph.by_code(grey, code, [(50, 50), (80, 50), (80, 80), (50, 80)], SIDE_MM)
    with pytest.raises(OutOfRange, match="above 0 mm"):
        photograph.by_code(grey, code, box, 0.0)


def test_two_places_a_known_distance_apart_tell_millimetres_square_on():
    plane = photograph.by_two_places((100, 100), (500, 400), 250.0)
    assert plane.mm([(100, 100), (300, 100)])[1] - plane.mm([(100, 100)])[0] == pytest.approx([100.0, 0.0])
    assert plane.spread_mm((0, 0), (9, 9)) == 0.0
    with pytest.raises(OutOfRange, match="one and the same"):
        photograph.by_two_places((1, 1), (1, 1), 250.0)
    with pytest.raises(OutOfRange, match="above 0 mm"):
        photograph.by_two_places((1, 1), (9, 9), 0.0)


def test_corners_tapped_across_are_refused():
    with pytest.raises(OutOfRange, match="clockwise"):
        photograph.butt_end([(0, 0), (200, 190), (200, 0), (0, 190)])
    with pytest.raises(OutOfRange, match="clockwise"):
        photograph.butt_end([(0, 0), (0, 190), (200, 190), (200, 0)])


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (WORDS, ("FER-01", SIDE_MM)),
        ("http://x/timber?tag=A%20b&code=0", ("A b", None)),
        ("http://x/timber?tag=A&code=wide", ("A", None)),
        ("FER-02", ("FER-02", None)),
    ],
)
def test_a_codes_words_name_the_timber_and_its_own_size(words, told):
    assert photo_scale.read(words) == told


def test_the_side_stands_in_every_printed_labels_address():
    assert labels.address("http://x", "A", 31.24).endswith(f"&{photos.CODE_SIDE}=31.2")

"""A boxed heart, open from the pith to a face, beside finite elements with a slit and exact geometry."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging
import slit_fem

from baulk.models import species
from baulk.models.distortion.movement import Shape
from baulk.models.drying.members import Members
from baulk.models.drying.solver import graded_edges_mm
from baulk.models.errors import OutOfRange
from baulk.models.openings import kerfed
from baulk.models.section import Face, Finished, Kerf, Section, as_weak, weakest_face
from baulk.models.timber import Event, EventKind

OAK = species.get("white oak")
SIDE = 152.4  # 6 in
EVEN = 11 / 30  # from green to 19 %
CELLS = 18  # as a timber has

# pith [mm from the centre], and the face that the check opens
PLACES = {
    "centre": ((0.0, 0.0), "a"),
    "20 mm up": ((0.0, 20.0), "a"),
    "toward a corner of a": ((12.0, 40.0), "a"),
    "as near to two faces": ((30.0, 30.0), "a"),
    "16 mm under b": ((60.0, -10.0), "b"),
    "6 mm under c": ((-5.0, -70.0), "c"),
    "2 mm under a": ((0.0, 74.2), "a"),
    "on a": ((0.0, 76.2), None),
    "2 mm outside a": ((0.0, 78.2), None),
    "2 mm under d": ((-74.2, 20.0), "d"),
    "4 mm outside d": ((-80.0, 20.0), None),
    "outside a corner": ((79.0, 79.0), None),
}
FIELDS = {  # share of the whole shrinkage by place, told in halves of the section
    "even": lambda x, y: EVEN + 0 * x * y,
    "dry shell": lambda x, y: 0.1 + 0.25 * (x**4 + y**4),
    "one face dry": lambda x, y: 0.3 + 0.25 * y + 0 * x,
}
# [mm]: even, what the slit's own elements miss beside the exact turn; else what 18 cells a side miss beside
# them, most where the check opens: 2 % of what moves
TOLERANCE_MM = {"even": 0.02, "dry shell": 0.08, "one face dry": 0.08}


def section(pith=(0.0, 0.0), width=SIDE, depth=SIDE, kerf=None):
    return Section(width_mm=width, depth_mm=depth, pith_x_mm=pith[0], pith_y_mm=pith[1], kerf=kerf)


def built(piece, n=CELLS, members=None):
    return Shape(piece, OAK, graded_edges_mm(piece.width_mm, n), graded_edges_mm(piece.depth_mm, n), members)


def moisture(share, piece, n=CELLS):
    """Moisture of the cells: their mean share, by Gauss points."""
    points, weights = np.polynomial.legendre.leggauss(5)
    x, y = (
        ((edges[1:, None] + edges[:-1, None]) + np.diff(edges)[:, None] * points) / (2 * edges[-1])
        for edges in (graded_edges_mm(piece.width_mm, n), graded_edges_mm(piece.depth_mm, n))
    )
    mean = np.einsum("jiba,a,b->ji", share(x[None, :, None, :], y[:, None, :, None]), weights, weights) / 4
    return 30 * (1 - mean)


def done(piece, share, n=CELLS):
    """Movement since it was green."""
    shape = built(piece, n)
    green = shape.did(np.full((n, n), 60.0))
    return shape.movement_between(green, moisture(share, piece, n))


def even(piece, n=CELLS):
    return built(piece, n).movement(np.full((n, n), 60.0), 19.0)


@pytest.fixture(scope="module")
def elements():
    return {name: slit_fem.Timber((SIDE, SIDE), pith, face) for name, (pith, face) in PLACES.items()}


def halves(share):
    return lambda x, y: share(2 * x / SIDE, 2 * y / SIDE)


def beside(timber, moved):
    """Each measure by the elements and by the program. [mm]"""
    found = {f"face {face}": (timber.face_mm(face), moved.face_mm[Face(face)]) for face in "abcd"}
    found |= {f"bow {face}": (-timber.out_mm(face), moved.bow_mm[Face(face)]) for face in "abcd"}
    corners = timber.corners_rad()
    found["out of square"] = (SIDE * max(map(abs, corners.values())), moved.out_of_square_mm)
    found["diamond"] = (
        SIDE * (corners["ab"] - corners["bc"] + corners["cd"] - corners["da"]) / 4,
        moved.diamond_mm,
    )
    found["gap"] = (timber.gap_mm(), moved.check_mm)
    if timber.face:
        at = timber.pith[1 - slit_fem.FACES[timber.face][0]]
        found["crown"] = (timber.out_mm(timber.face, at), moved.crown_mm)
    return {name: (float(one), float(other)) for name, (one, other) in found.items()}


@pytest.mark.parametrize("field", FIELDS)
@pytest.mark.parametrize("place", PLACES)
def test_sizes_bows_lean_crown_and_gap_are_those_of_elements_with_a_slit(elements, place, field):
    pith, face = PLACES[place]
    moved = done(section(pith), FIELDS[field])
    assert moved.check_face == (face and Face(face))
    for name, (theirs, ours) in beside(elements[place].shrink(halves(FIELDS[field])), moved).items():
        assert ours == pytest.approx(theirs, abs=TOLERANCE_MM[field]), name


def test_the_elements_themselves_turn_the_rings_as_geometry_does(elements):
    """Exact: a ring that is cut through turns about the pith by sT - sR of its angle from opposite."""
    timber = elements["centre"].shrink(halves(FIELDS["even"]))
    s_r, turn, half = 0.056 * EVEN, 0.049 * EVEN, SIDE / 2
    for face in "bcd":  # corners an eighth of a circle to either side
        assert timber.face_mm(face) == pytest.approx(-SIDE * s_r - turn * np.pi / 2 * half, abs=0.005)
    assert timber.gap_mm() == pytest.approx(2 * np.pi * half * turn, abs=0.01)
    assert timber.out_mm("a") == pytest.approx(turn * 3 * np.pi / 4 * half, abs=0.005)
    assert timber.corners_rad()["ab"] == pytest.approx(turn * np.pi / 2, abs=5e-5)


def test_six_by_six_white_oak_green_to_19_pct_with_its_heart_in_the_middle():
    """Of finite elements made apart from these: b, c, d -5.28, a crowned 3.2, sides leaning 4.3 mm each."""
    moved = even(section())
    assert [float(moved.face_mm[face]) for face in (Face.B, Face.C, Face.D)] == pytest.approx(
        [-5.28] * 3, abs=0.01
    )
    assert float(moved.crown_mm) == pytest.approx(3.2, abs=0.05)
    assert float(moved.side_lean_mm) == pytest.approx(4.3, abs=0.05)
    assert float(moved.out_of_square_mm) == pytest.approx(4.3, abs=0.05)
    assert float(moved.largest_mm) == pytest.approx(5.28, abs=0.01)


def measured(moved):
    """Every number of a movement that must not jump, magnitudes of those whose face may change."""
    faces = [*moved.face_mm.values(), *moved.bow_mm.values()]
    scalars = [
        *(moved.diamond_mm, moved.out_of_square_mm, moved.crown_mm, np.abs(moved.cup_mm), moved.check_mm),
        *(moved.width_mm, moved.depth_mm, moved.largest_mm, moved.shape_mm, *moved.shrinks_mm),
    ]
    return np.array([float(each) for each in (*faces, *scalars)])


STEP_MM = 0.5
# from inside out; the slowest would move 8.6 mm over 76, so 0.06 a step; 0.1 leaves room for the elements
SWEEPS = {
    "out through a": (SIDE, [(8.0, y) for y in np.arange(70.0, 80.0, STEP_MM)]),
    "out through b": (203.2, [(x, -20.0) for x in np.arange(70.0, 80.0, STEP_MM)]),
    "out at a corner": (SIDE, [(y, y) for y in np.arange(70.0, 80.0, STEP_MM)]),
    "up": (SIDE, [(3.0, y) for y in np.arange(5.0, 15.0, STEP_MM)]),
    "along a": (SIDE, [(x, 50.0) for x in np.arange(-5.0, 5.0, STEP_MM)]),
}


@pytest.mark.parametrize("field", ["even", "dry shell"])
@pytest.mark.parametrize("sweep", SWEEPS)
def test_nothing_jumps_as_the_pith_crosses_the_section_and_leaves_it(sweep, field):
    depth, places = SWEEPS[sweep]
    course = np.array([measured(done(section(pith, depth=depth), FIELDS[field], 10)) for pith in places])
    assert np.abs(np.diff(course, axis=0)).max() < 0.1


# the worst of three: 6 x 12 with the pith as far from a narrow face as from a wide one, on either side of it
@pytest.mark.parametrize(("field", "share"), [("even", 0.005), ("dry shell", 0.05)])
@pytest.mark.parametrize(("width", "depth", "pith"), [(SIDE, SIDE, (40, 40)), (SIDE, 2 * SIDE, (10, 86.2)),
                                                      (203.2, 254.0, (30, 55.4))])  # fmt: skip
def test_what_counts_does_not_jump_where_the_check_changes_its_face(width, depth, pith, field, share):
    def counts(aside):
        moved = done(section((pith[0] + aside, pith[1] - aside), width, depth), FIELDS[field])
        return moved.check_face, np.array(
            [float(v) for v in (moved.largest_mm, moved.shape_mm, moved.check_mm)]
        )

    (one, before), (other, after) = counts(-0.005), counts(0.005)
    assert {one, other} == {Face.A, Face.B}
    assert after == pytest.approx(before, rel=share, abs=0.05)


def test_a_rival_counts_less_the_farther_it_lies_and_not_at_all_a_tenth_away():
    near = [as_weak(section((0.0, up), depth=400.0)) for up in (0.0, 1.0, 3.9)]
    assert near == [{Face.D: 1.0}] * 3  # of two wide faces in 6 x 16; the narrow ones are far
    shares = [as_weak(section((off, 0.0), depth=400.0)).get(Face.D, 0.0) for off in (1.0, 2.0, 3.6, 3.7)]
    assert shares == sorted(shares, reverse=True)
    assert shares[2] > 0 == shares[3]


def test_a_relief_kerf_decides_where_the_check_opens_and_a_shallow_one_far_off_does_not():
    toward_a = (0.0, 30.0)  # 46 mm below a, 106 above c
    assert even(section(toward_a)).check_face is Face.A
    deep, shallow = Kerf(face=Face.C, depth_mm=106.2), Kerf(face=Face.C, depth_mm=20.0)
    assert weakest_face(section(toward_a, kerf=deep)) == (Face.C, 0.0)
    moved = even(section(toward_a, kerf=deep))
    assert moved.check_face is Face.C
    assert float(moved.check_mm) == pytest.approx(2 * np.pi * 106.2 * 0.049 * EVEN, rel=1e-6)  # exact
    assert even(section(toward_a, kerf=shallow)).check_face is Face.A
    assert as_weak(section(kerf=Kerf(face=Face.B, depth_mm=76.2))) == {}


def test_a_kerf_beyond_the_pith_opens_no_further():
    to_it, beyond = (even(section(kerf=Kerf(face=Face.B, depth_mm=depth))) for depth in (76.2, 100.0))
    assert measured(beyond) == pytest.approx(measured(to_it), abs=1e-4)  # even shrinkage leaves no stress
    shell = [done(section(kerf=Kerf(face=Face.B, depth_mm=d)), FIELDS["dry shell"]) for d in (76.2, 100.0)]
    assert float(shell[1].check_mm) > float(shell[0].check_mm) + 0.05


def test_what_is_left_of_a_kerf_in_the_finished_piece_goes_with_it():
    green = section(width=203.2, depth=203.2, kerf=Kerf(face=Face.B, depth_mm=101.6))
    piece = Finished(width_mm=SIDE, depth_mm=SIDE)
    left = piece.inside(green).kerf
    assert left.face is Face.B
    assert left.depth_mm == pytest.approx(76.2)
    off = Finished(width_mm=90.0, depth_mm=SIDE, centre_x_mm=-56.0)  # sawn from the other side of the heart
    assert off.inside(green).kerf is None
    with pytest.raises(OutOfRange, match="would saw through the piece, which is 152 mm below face b"):
        section(kerf=Kerf(face=Face.B, depth_mm=160.0))
    with pytest.raises(OutOfRange, match="deeper than 0"):
        Kerf(face=Face.B, depth_mm=0.0)


def test_the_latest_kerf_counts_and_planing_makes_it_shallower():
    def at(kind, day, **detail):
        return Event(tag="FER-01", kind=kind, at_utc=datetime(2026, 5, day, tzinfo=UTC), detail=detail)

    piece = judging.timber(section=section(width=200.0, depth=200.0), finished=SIDE)
    first = at(EventKind.KERFED, 1, face="a", depth_mm=60.0)
    later = at(EventKind.KERFED, 2, face="b", depth_mm=100.0)
    planed = at(EventKind.PLANED, 3, width_mm=200.0, depth_mm=180.0, from_width_mm=220.0)
    assert kerfed(piece, []) is piece
    assert kerfed(piece, [first, later]).section.kerf == Kerf(face=Face.B, depth_mm=100.0)
    assert kerfed(piece, [later, planed]).section.kerf == Kerf(face=Face.B, depth_mm=90.0)
    assert kerfed(piece, [at(EventKind.KERFED, 1, face="a", depth_mm=230.0)]) is piece  # cut smaller since


def test_lips_that_would_run_into_each_other_press_on_each_other_instead():
    shape = built(section(), 10)
    gap = shape.influence["mean gap"].reshape(10, 10)
    closes = np.where(gap < 0, 10.0, 60.0)  # only the wood dries whose shrinkage draws the lips together
    assert float(np.sum(gap * shape.share(closes))) < -0.05  # by so much they would overlap
    did = shape.did(closes)
    assert did[list(shape.influence).index("mean gap")] == pytest.approx(0, abs=1e-12)
    green, course = shape.did(np.full((10, 10), 60.0)), []
    for part in np.linspace(0, 1, 101):  # from the opened field to the shut one, linear in the shrinkage
        share = (1 - part) * EVEN + part * shape.share(closes)
        course.append(measured(shape.movement_between(green, 30 * (1 - share))))
    steps = np.abs(np.diff(course, axis=0))
    assert steps.max() < 2 * np.abs(np.diff(course[:51:50], axis=0)).max() / 50  # it bends, and nowhere jumps


def test_a_check_opens_with_shrinkage_alone():
    shape = built(section(), 10)
    wet = np.full((10, 10), 60.0)
    assert float(shape.movement(wet, 35.0).check_mm) == 0
    assert measured(shape.movement(wet, 35.0)) == pytest.approx(0, abs=1e-9)


def test_each_member_opens_by_its_own_shrinkage():
    one = np.ones(3)
    members = Members(
        d_factor=one, surface_factor=one, start_mc_pct=60 * one, emc_offset_pct=0 * one,
        shrinkage_factor=np.array([0.8, 1.0, 1.2]),
    )  # fmt: skip
    moved = built(section(), 10, members).movement(np.full((3, 10, 10), 60.0), 19.0)
    alone = even(section(), 10)
    for each, own in ((moved.check_mm, alone.check_mm), (moved.largest_mm, alone.largest_mm)):
        assert each == pytest.approx(float(own) * np.array([0.8, 1.0, 1.2]), rel=1e-9)


def test_the_rectangle_inside_a_trapezoid_is_no_smaller_than_its_narrow_face():
    """By hand: 6 x 6 as above. Width: face c, 5.28; depth: faces b and d 5.28 and the hollow of c 1.08."""
    moved = even(section())
    across, up = (float(each) for each in moved.shrinks_mm)
    assert (across, up) == pytest.approx((5.28, 5.28), abs=0.01)
    assert float(moved.shape_mm) == pytest.approx(1.075, abs=0.01)


@pytest.mark.parametrize(("now", "then", "sign"), [("wet", "dry shell", -1), ("dry shell", "damp", 1)])
def test_the_sign_of_a_boxed_heart_is_that_of_its_wood_not_of_the_face_with_the_check(now, then, sign):
    # a green timber whose shell dries parts at face a: told by that face, it would have swollen 6 mm
    fields = {
        "wet": np.full((10, 10), 60.0),
        "dry shell": np.full((10, 10), 15.0),
        "damp": np.full((10, 10), 22.0),
    }
    fields["dry shell"][2:-2, 2:-2] = 24.0  # 18.2 % on the mean
    shape = built(section(), 10)
    moved = shape.movement_between(shape.did(fields[now]), fields[then])
    assert sign * float(moved.size_change_mm) > 0.5
    assert sign * float(moved.check_face_mm) < -3
    # and by the seasons: a face that parts at its check is no swelling, one that closes there no shrinkage
    assert float(moved.swelling_mm if sign < 0 else moved.shrinkage_mm) < 0.5
    assert float(moved.size_change_mm) in {float(moved.face_mm[face]) for face in "bcd"}

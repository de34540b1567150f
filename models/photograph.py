"""Millimetres on a photograph of a flat surface, from a printed code of known size that lies in it.

The code's pattern is known to the module, so that its place in the picture is found much finer than a pixel:
the drawn pattern is laid over the picture until the grey values agree best. A pinhole camera then carries the
plane beyond the code. A bent label, one that stands off the wood and the bend of a lens are not seen by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, ndimage, optimize
from scipy.spatial.transform import Rotation

from baulk.models.errors import OutOfRange

Array = NDArray[np.float64]

MODULE_STEPS: Final = 12  # grid steps a module in the drawn pattern
QUIET_MODULES: Final = 2  # of the white edge that is compared too
MOST_PIXELS: Final = 12_000  # compared; more make it slower and no finer
LEAST_MODULE_PX: Final = 1.5
AGREES: Final = 0.7  # correlation of pattern and picture below which the code was not found where it was said
# a phone's usual lens sees about 65 degrees along its longer side: focal length 0.8 of that side (common
# practice, no source); half as long and twice as long are in use as well
USUAL_FOCAL: Final = 0.8
FOCAL_SPREAD: Final = 0.35
TAP_PX: Final = 0.02  # least doubt of a corner that is believed, of the picture's sampling
# how far a corner of a sawn or shrunk section lies off the rectangle, of its smaller side (1 mm of 200;
# common practice, no source)
CORNER_OFF: Final = 0.005
# two faces of a timber shrink unlike: standard deviation of ln of height over width against what it was when
# it was entered (half of the 4 % between along and across the rings; common practice, no source)
RATIO_SPREAD: Final = 0.02


class NotFound(OutOfRange):
    """The code is not in the picture as it was said to be."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plane:
    """Where a flat surface lies in a photograph.

    Attributes
    ----------
    to_px : ndarray, shape (3, 3)
        Takes homogeneous places on the surface in mm, x to the right and y down as the code is read, from the
        code's upper left corner, into pixels.
    variants : ndarray, shape (n, 3, 3)
        The same, each moved by one standard deviation of what is not known of it.
    """

    to_px: Array
    variants: Array

    def mm(self, places_px: Sequence[Sequence[float]] | Array) -> Array:
        """Return places on the surface in mm, shape (n, 2), of places in the picture in pixels."""
        return _through(linalg.inv(self.to_px), np.asarray(places_px, dtype=float))

    def spread_mm(self, first_px: Sequence[float], second_px: Sequence[float]) -> float:
        """Return the standard deviation of the distance of two places through the plane alone, [mm]."""
        ends = np.asarray([first_px, second_px], dtype=float)
        length = _distance(self.mm(ends))
        moved = [_distance(_through(linalg.inv(each), ends)) - length for each in self.variants]
        return float(np.sqrt(np.sum(np.square(moved))))


def by_two_places(first_px: Sequence[float], second_px: Sequence[float], apart_mm: float) -> Plane:
    """Return the plane of a picture taken square on, from two places a known distance apart.

    Perspective is not taken out: at 10 degrees off square lengths along the tilt are 1.5 % short, at 20
    degrees 6 % (the cosine of the angle).

    Parameters
    ----------
    first_px, second_px : sequence of float
        x and y in the picture. [px]
    apart_mm : float
        Their distance on the wood, above 0. [mm]

    Raises
    ------
    OutOfRange
        If the two are one place or the distance is not above 0.

    References
    ----------
    Geometry; no source needed.
    """
    apart_px = float(np.hypot(second_px[0] - first_px[0], second_px[1] - first_px[1]))
    if not 0 < apart_mm < float("inf"):
        raise OutOfRange("the known distance", f"must be above 0 mm, not {apart_mm:g}")
    if apart_px < 1.0:
        raise OutOfRange("the two places", "are one and the same; tap them further apart")
    scale = apart_px / apart_mm
    return Plane(to_px=np.diag([scale, scale, 1.0]), variants=np.empty((0, 3, 3)))


def by_code(
    picture: Array,
    pattern: Array,
    corners_px: Sequence[Sequence[float]],
    side_mm: float,
    focal_px: float | None = None,
) -> Plane:
    """Return the plane that a printed code lies in.

    Parameters
    ----------
    picture : ndarray, shape (rows, columns)
        Grey values of the photograph, not cropped; bright is large.
    pattern : ndarray, shape (n, n)
        The code's modules without its white edge: 1 dark, 0 light.
    corners_px : sequence, shape (4, 2)
        Rough places of its corners in the picture, x and y from the centre of its upper left pixel: upper
        left, upper right, lower right, lower left as the code is read. Within about a module. [px]
    side_mm : float
        Length of the code's side without its white edge, above 0. [mm]
    focal_px : float, optional
        Focal length of the camera; without it that of a usual phone, with its spread. [px]

    Raises
    ------
    NotFound
        If the picture does not look like the code there, or the code is too small in it.
    OutOfRange
        If the side is not above 0.

    References
    ----------
    Registration of a known pattern by least squares of grey values: Lucas and Kanade 1981, An iterative
    image registration technique, in Proceedings IJCAI (from memory). Pinhole camera and plane: Hartley and
    Zisserman, Multiple View Geometry, 2nd edition, chapter 8 (from memory).
    """
    if not 0 < side_mm < float("inf"):
        raise OutOfRange("the code's side", f"must be above 0 mm, not {side_mm:g}")
    corners = np.asarray(corners_px, dtype=float)
    sides = linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1)
    module_px = float(np.min(sides)) / len(pattern)
    if module_px < LEAST_MODULE_PX:
        raise NotFound("the code", "is too small in the picture; take it from nearer, or at a larger size")
    found, covariance = _registered(picture, pattern, corners, module_px)
    rows, columns = picture.shape
    return _pinhole(found, covariance, side_mm, (columns / 2, rows / 2), focal_px, max(rows, columns))


def by_rectangle(  # noqa: PLR0913 - what a picture is taken with
    corners_px: Sequence[Sequence[float]],
    known_px: Sequence[Sequence[float]],
    apart_mm: float,
    size_px: tuple[int, int],
    *,
    ratio: float,
    focal_px: float | None = None,
) -> Plane:
    """Return the plane that a rectangle lies in, scaled by two places in that plane.

    Perspective is taken out by the corners: opposite sides that run together in the picture are parallel on
    the wood. A butt end that is out of square misleads it, more so from far away and at a slant.

    Parameters
    ----------
    corners_px : sequence, shape (4, 2)
        Corners of the rectangle, clockwise from the upper left one, x and y from the centre of the picture's
        upper left pixel. [px]
    known_px : sequence, shape (2, 2)
        Two places a known distance apart. [px]
    apart_mm : float
        Their distance on the wood, above 0. [mm]
    size_px : tuple of int
        Width and height of the picture, not cropped. [px]
    ratio : float
        Height over width of the rectangle as it was before its last few per cent of shrinkage, above 0.
    focal_px : float, optional
        Focal length of the camera; without it that of a usual phone, with its spread. [px]

    Raises
    ------
    OutOfRange
        If the two are one place, the distance or the ratio is not above 0 or the corners make no rectangle.

    References
    ----------
    A rectangle's proportions and the camera from its picture: Zhang and He 2007, Whiteboard scanning and
    image enhancement, Digital Signal Processing 17 (from memory).
    """
    by_two_places(known_px[0], known_px[1], apart_mm)  # refuses what is no distance
    corners = np.asarray(corners_px, dtype=float)
    if not 0 < ratio < float("inf"):
        raise OutOfRange("height over width", f"must be above 0, not {ratio:g}")
    turns = np.roll(corners, -1, axis=0) - corners
    cross = turns[:, 0] * np.roll(turns, -1, axis=0)[:, 1] - turns[:, 1] * np.roll(turns, -1, axis=0)[:, 0]
    sides = linalg.norm(turns, axis=1)
    if np.any(cross <= 0.2 * sides * np.roll(sides, -1)):
        raise OutOfRange("the corners", "do not go round it; tap them clockwise from the upper left one")
    middle = np.array(size_px) / 2
    covariance = (CORNER_OFF * float(np.min(sides))) ** 2 * np.eye(8)
    plane = _pinhole(
        corners,
        covariance,
        1.0,
        (middle[0], middle[1]),
        focal_px,
        max(size_px),
        tall=(float(np.log(ratio)), RATIO_SPREAD),
    )
    return _scaled(plane, np.asarray(known_px, dtype=float), apart_mm)


def _registered(picture: Array, pattern: Array, corners: Array, module_px: float) -> tuple[Array, Array]:
    """Return the corners where the drawn pattern fits best, and the covariance of their eight numbers."""
    x, y, grey = _pixels(picture, corners, len(pattern))
    dark = np.kron(pattern, np.ones((MODULE_STEPS, MODULE_STEPS)))
    sharp = 1.0 - np.pad(dark, QUIET_MODULES * MODULE_STEPS)
    light = np.column_stack([np.ones_like(x), (x - x.mean()) / np.ptp(x), (y - y.mean()) / np.ptp(y)])

    def residual(at: Array, drawn: Array) -> Array:
        seen = _drawn_at(drawn, at.reshape(4, 2), x, y, len(pattern))
        terms = np.column_stack([light, light * seen[:, None]])
        return np.asarray(grey - terms @ linalg.solve(terms.T @ terms, terms.T @ grey, assume_a="pos"))

    at, drawn = corners.ravel(), sharp
    for blur in (0.8, 0.35):  # modules; first wide enough to be drawn in from a module away
        drawn = ndimage.gaussian_filter(sharp, max(blur, 0.6 / module_px) * MODULE_STEPS)
        solved = optimize.least_squares(
            residual, at, x_scale=module_px, diff_step=1e-5, args=(drawn,), max_nfev=400, method="lm"
        )
        at = solved.x
    left = residual(at, drawn)
    told = 1.0 - float(np.var(left)) / max(float(np.var(grey)), 1e-9)
    if told < AGREES**2 or np.max(np.abs(at - corners.ravel())) > 3 * module_px:
        raise NotFound("the code", "is blurred, bent or half hidden; take the picture again, sharp and whole")
    # neighbours are blurred alike, so a pixel counts for less than one
    variance = float(np.var(left)) * max(1.0, module_px / 2)
    return at.reshape(4, 2), variance * linalg.pinv(solved.jac.T @ solved.jac) + TAP_PX**2 * np.eye(8)


def _pixels(picture: Array, corners: Array, modules: int) -> tuple[Array, Array, Array]:
    """Return x, y and grey of the pixels in the code and its white edge."""
    low = np.maximum(np.floor(corners.min(axis=0) - 4), 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0) + 5), np.array(picture.shape[::-1])).astype(int)
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    x, y = x.ravel(), y.ravel()
    u, v = _unit(corners, x, y)
    edge = 0.75 / modules
    inside = (u > -edge) & (u < 1 + edge) & (v > -edge) & (v < 1 + edge)
    x, y = x[inside], y[inside]
    step = max(1, len(x) // MOST_PIXELS)
    x, y = x[::step], y[::step]
    if len(x) < 100:
        raise NotFound("the code", "lies outside the picture")
    return x.astype(float), y.astype(float), picture[y, x].astype(float)


def _drawn_at(drawn: Array, corners: Array, x: Array, y: Array, modules: int) -> Array:
    """Return what the drawn pattern shows at places of the picture."""
    u, v = _unit(corners, x, y)
    row = (v * modules + QUIET_MODULES) * MODULE_STEPS - 0.5
    column = (u * modules + QUIET_MODULES) * MODULE_STEPS - 0.5
    return np.asarray(ndimage.map_coordinates(drawn, [row, column], order=1, mode="nearest"))


def _unit(corners: Array, x: Array, y: Array) -> tuple[Array, Array]:
    """Return where places of the picture lie in the code, 0 to 1 each way."""
    square = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    back = linalg.inv(_homography(square, corners))
    found = _through(back, np.column_stack([x, y]))
    return found[:, 0], found[:, 1]


def _pinhole(  # noqa: PLR0913, PLR0917 - what a camera is
    corners: Array,
    covariance: Array,
    side_mm: float,
    centre: tuple[float, float],
    focal_px: float | None,
    longer_px: int,
    *,
    tall: tuple[float, float] | None = None,
) -> Plane:
    """Return the plane seen by a camera with square pixels and its axis in the middle of the picture.

    `tall` is ln of height over width of what is `side_mm` wide and has these corners, and its spread; None is
    a square.
    """
    square = side_mm * np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    middle = np.array(centre)
    usual, spread = (USUAL_FOCAL * longer_px, FOCAL_SPREAD) if focal_px is None else (focal_px, 0.03)
    whiten = linalg.inv(linalg.cholesky(covariance, lower=True))

    def to_px(at: Array) -> Array:
        turned = Rotation.from_rotvec(at[:3]).as_matrix()
        focal = usual * np.exp(at[6])
        camera = np.array([[focal, 0.0, middle[0]], [0.0, focal, middle[1]], [0.0, 0.0, 1.0]])
        away = side_mm * np.exp(at[5]) * np.array([at[3], at[4], 1.0])
        return np.asarray(camera @ np.column_stack([turned[:, 0], turned[:, 1], away]))

    def residual(at: Array) -> Array:
        if tall is None:
            return np.append(whiten @ (_through(to_px(at), square) - corners).ravel(), at[6] / spread)
        places = square * np.array([1.0, np.exp(at[7])])
        apart = whiten @ (_through(to_px(at), places) - corners).ravel()
        return np.append(apart, [at[6] / spread, (at[7] - tall[0]) / tall[1]])

    solved = min(
        (
            optimize.least_squares(
                residual, start[:7] if tall is None else start, x_scale="jac", max_nfev=4000, method="lm"
            )
            for start in _starts(corners, square, middle, usual, side_mm)
        ),
        key=lambda each: each.cost,
    )
    ways = linalg.inv(solved.jac.T @ solved.jac)
    steps = linalg.cholesky(ways, lower=True)
    return Plane(
        to_px=to_px(solved.x),
        variants=np.array([to_px(solved.x + step) for step in steps.T]),
    )


def _starts(corners: Array, square: Array, middle: Array, focal: float, side_mm: float) -> list[Array]:
    """Return where the search for the camera begins, and ln of height over width as it looks.

    A small square may be tilted either way.
    """
    seen = _homography(square, corners)
    plain = linalg.inv(np.array([[focal, 0.0, middle[0]], [0.0, focal, middle[1]], [0.0, 0.0, 1.0]])) @ seen
    wide, high = linalg.norm(plain[:, 0]), linalg.norm(plain[:, 1])
    plain = plain * np.sign(plain[2, 2]) / np.sqrt(wide * high)
    found = []
    for tilt in (1.0, -1.0):
        columns = plain[:, :2].copy()
        columns[2] *= tilt
        left, _, right = linalg.svd(np.column_stack([columns, np.cross(columns[:, 0], columns[:, 1])]))
        turned = left @ np.diag([1.0, 1.0, linalg.det(left @ right)]) @ right
        away = [plain[0, 2] / plain[2, 2], plain[1, 2] / plain[2, 2], np.log(plain[2, 2] / side_mm)]
        found.append(np.array([*Rotation.from_matrix(turned).as_rotvec(), *away, 0.0, np.log(high / wide)]))
    return found


def _scaled(plane: Plane, known_px: Array, apart_mm: float) -> Plane:
    """Return a plane in the millimetres that two places in it tell, and each of its variants likewise."""

    def told(to_px: Array) -> Array:
        return np.asarray(
            to_px / np.array([apart_mm / _distance(_through(linalg.inv(to_px), known_px))] * 2 + [1.0])
        )

    return Plane(to_px=told(plane.to_px), variants=np.array([told(each) for each in plane.variants]))


def _homography(places: Array, seen: Array) -> Array:
    """Return the projective map that takes four places to four others."""
    rows, right = [], []
    for (x, y), (u, v) in zip(places, seen, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    return np.append(linalg.solve(np.array(rows), np.array(right)), 1.0).reshape(3, 3)


def _through(mapped: Array, places: Array) -> Array:
    """Return places, shape (n, 2), taken through a projective map."""
    held = places @ mapped[:, :2].T + mapped[:, 2]
    return np.asarray(held[:, :2] / held[:, 2:])


def _distance(two: Array) -> float:
    return float(np.hypot(*(two[1] - two[0])))

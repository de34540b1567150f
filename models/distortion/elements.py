"""Quadratic elements on a mesh of rectangles, integrated all at once.

The shapes and the integration points are those of scikit-fem. Its own basis works out every shape of every
element anew, for quads of any form, and its forms are asked pair by pair, 324 times.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats

if TYPE_CHECKING:
    from skfem import MeshQuad

STRAIN: Final = np.array([[0, 2], [2, 1]])  # by axis of the displacement and of its slope: x, y or shear


class Elements:
    """The elements of a mesh of rectangles.

    Parameters
    ----------
    mesh : MeshQuad
        Rectangles along x and y; the corners of each are counted up first, then to the right.

    Attributes
    ----------
    unknowns : ndarray, shape (elements, 18)
        Numbers of the unknowns of each, x before y of every node; its middle node comes last.
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    middle : ndarray, shape (2, elements)
        Middle of each. [mm]
    at : ndarray, shape (2, elements, points)
        Its integration points. [mm]
    area : ndarray, shape (elements, points)
        Area that each of them stands for. [mm2]
    """

    def __init__(self, mesh: MeshQuad) -> None:
        from skfem import ElementQuad2  # noqa: PLC0415 - 20 MB, for who asks for a shape
        from skfem.assembly import Dofs  # noqa: PLC0415

        unit = _unit()
        corners = mesh.p[:, mesh.t]
        nodes = Dofs(mesh, ElementQuad2()).element_dofs.T.astype(np.intp)
        self.unknowns: NDArray[np.intp] = (2 * nodes[:, :, None] + np.arange(2)).reshape(len(nodes), -1)
        self.places: Floats = np.empty((2, 2 * nodes.max() + 2))
        self.places[:, self.unknowns] = np.repeat((unit.nodes @ corners).transpose(0, 2, 1), 2, axis=2)
        self.middle: Floats = corners.mean(axis=1)
        self.at: Floats = (unit.points @ corners).transpose(0, 2, 1)
        self._size = np.ptp(corners, axis=1)
        self.area: Floats = self._size.prod(axis=0)[:, None] * unit.weights

    def stiffness(self, stiff: Floats) -> Floats:
        """Stiffness of each element.

        Parameters
        ----------
        stiff : ndarray, shape (3, 3, elements, points)
            Stress along x, along y and shear by such strain.

        Returns
        -------
        ndarray, shape (elements, 18, 18)
            Over its own unknowns.
        """
        pairs = _unit().pairs
        steep = (stiff * self.area)[STRAIN[:, None, :, None], STRAIN[:, None, :]]
        steep /= (self._size[:, None] * self._size)[..., None]  # unknown, unknown, slope, slope
        # few elements at a time: OpenBLAS wakes threads for a larger product, which costs more than it brings
        found = steep.transpose(4, 0, 1, 2, 3, 5).reshape(len(self.area), 4, -1) @ pairs
        found = found.reshape(-1, 2, 2, *2 * (self.unknowns.shape[1] // 2,))
        return np.asarray(found.transpose(0, 3, 1, 4, 2).reshape(-1, *2 * self.unknowns.shape[1:]))

    def forces(self, stress: Floats) -> Floats:
        """Give the forces on the unknowns of each element.

        Parameters
        ----------
        stress : ndarray, shape (3, elements, points)
            Along x, along y and shear.

        Returns
        -------
        ndarray, shape (elements, 18)
            On its own unknowns.
        """
        slopes = _unit().slopes
        steep = ((stress * self.area)[STRAIN] / self._size[..., None]).transpose(2, 0, 1, 3)
        found = steep.reshape(len(steep), 2, -1) @ slopes.reshape(-1, slopes.shape[-1])
        return np.asarray(found.transpose(0, 2, 1).reshape(len(steep), -1))

    def strain(self, moved: Floats) -> Floats:
        """Strain in each element.

        Parameters
        ----------
        moved : ndarray, shape (n,)
            Displacement of every unknown.

        Returns
        -------
        ndarray, shape (3, elements, points)
            Along x, along y, and engineering shear.
        """
        own = moved[self.unknowns].reshape(len(self.unknowns), -1, 2)
        grown = (_unit().slopes[:, None] @ own) / self._size[..., None, None]
        (xx, yx), (xy, yy) = grown.transpose(0, 3, 1, 2)
        return np.stack([xx, yy, xy + yx])


class _Unit(NamedTuple):
    """The element of size 1.

    Parameters
    ----------
    nodes : ndarray, shape (9, 4)
        Share of each corner in the place of each node.
    points : ndarray, shape (points, 4)
        The same of the integration points.
    weights : ndarray, shape (points,)
        Share of each point in the area.
    slopes : ndarray, shape (2, points, 9)
        Slope of the shape of each node along x and along y.
    pairs : ndarray, shape (4 * points, 81)
        Products of two of them at one point, x and x, x and y, y and x, y and y.
    """

    nodes: Floats
    points: Floats
    weights: Floats
    slopes: Floats
    pairs: Floats


@cache
def _unit() -> _Unit:
    from skfem import ElementQuad1, ElementQuad2  # noqa: PLC0415 - 20 MB, for who asks for a shape
    from skfem.quadrature import get_quadrature  # noqa: PLC0415

    linear, quadratic = ElementQuad1(), ElementQuad2()
    points, weights = get_quadrature(quadratic.refdom, 4)
    nodes, at = (
        np.stack([linear.lbasis(each, i)[0] for i in range(len(linear.doflocs))], axis=-1)
        for each in (quadratic.doflocs.T, points)
    )
    slopes = np.stack([quadratic.lbasis(points, i)[1] for i in range(len(quadratic.doflocs))], axis=-1)
    slopes = slopes[::-1]  # up is the first of its own axes
    pairs = np.einsum("aqi,bqj->abqij", slopes, slopes).reshape(-1, slopes.shape[-1] ** 2)
    return _Unit(nodes=nodes, points=at, weights=weights, slopes=slopes, pairs=pairs)

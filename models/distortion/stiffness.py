"""Displacements of a mesh of quadratic quads under forces."""

from __future__ import annotations

from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from baulk.models.constants import Floats

MIDDLE: Final = 2  # unknowns of an element's middle node, which no other element shares
AT_ONCE: Final = 7  # cases; from eight on OpenBLAS wakes threads, which costs more than it brings


class Stiffness:
    """The stiffness of a mesh, factored once for any forces.

    The middle nodes of the elements are eliminated first, all of them at once.

    Parameters
    ----------
    of_each : ndarray, shape (elements, k, k)
        Stiffness of each element over its own unknowns, symmetric.
    unknowns : ndarray, shape (elements, k)
        Their numbers; those of its middle node come last, within the element and of the whole mesh.
    pinned : list of int
        Three unknowns that hold the rigid motions. A spring holds each: under forces that are in balance it
        carries nothing.
    """

    def __init__(self, of_each: Floats, unknowns: NDArray[np.intp], pinned: list[int]) -> None:
        self._own, self._middle = unknowns[:, :-MIDDLE], unknowns[:, -MIDDLE:]
        self._outer = int(self._middle.min())
        across = of_each[:, -MIDDLE:, :-MIDDLE]
        self._inverse = np.linalg.inv(of_each[:, -MIDDLE:, -MIDDLE:])
        self._follows = self._inverse @ across
        left = of_each[:, :-MIDDLE, :-MIDDLE] - across.transpose(0, 2, 1) @ self._follows
        for pin in pinned:
            element, at = np.argwhere(self._own == pin)[0]
            left[element, at, at] += left[element, at, at]
        own = self._own.astype(np.int32)
        rows, columns = np.broadcast_arrays(own[:, :, None], own[:, None, :])
        k = scipy.sparse.coo_matrix((left.ravel(), (rows.ravel(), columns.ravel()))).tocsc()
        # symmetric and positive definite: no pivoting, half the time
        self._factored = scipy.sparse.linalg.splu(
            k, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        )

    def moved_by(self, forces: Floats) -> Floats:
        """Displacements under forces.

        Parameters
        ----------
        forces : ndarray, shape (cases, n)
            Force on every unknown, in balance.

        Returns
        -------
        ndarray, shape (cases, n)
            Displacement of every unknown.
        """
        middle, rest = forces[:, self._middle], forces[:, : self._outer].copy()
        if middle.any():
            handed = np.einsum("ceo,eok->cek", middle, self._follows)
            for case, each in enumerate(handed):
                rest[case] -= np.bincount(self._own.ravel(), each.ravel(), self._outer)
        moved = np.empty(forces.shape)
        for first in range(0, len(forces), AT_ONCE):
            cases = slice(first, first + AT_ONCE)
            moved[cases, : self._outer] = self._factored.solve(rest[cases].T).T
        moved[:, self._middle] = np.einsum("eop,cep->ceo", self._inverse, middle)
        moved[:, self._middle] -= np.einsum("eok,cek->ceo", self._follows, moved[:, self._own])
        return moved

"""Starting values from a free-air curve alone.

For a given resonance and mechanical Q, and a given shape of the coil model, the impedance is
linear in Re, Res and the coil's coefficients (variable projection: G. Golub, V. Pereyra, SIAM
J. Numer. Anal. 10(2), 1973). A grid of resonances and Qs is therefore evaluated by small normal
equations, all at once; the deepest valleys become the starts of the nonlinear fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fit.driver.coils.coil import CoilModel, Shape
from meas.curve import ComplexArray, Curve, FloatArray, ImpedanceCurve

_QS = np.geomspace(0.35, 30.0, 16)
_KEPT = 5
"""Greatest number of starts out of the grid of one coil."""
_ANY_CORNERS, _SEEN = 9, 3
"""Corners that stand for any coil, and how many resonances seen beside it become starts."""
_POINTS = 240
"""Points kept of a long curve for the search; half as many where the phase is missing."""
_PHASE_ROUNDS = 6
"""Rounds in which the missing phase of a magnitude curve is taken from the model."""
_WIDE_ROUNDS, _KEPT_QS = 3, 4
"""First of these rounds, made with all Qs, and how many Qs of each resonance go on after them."""


class Search:
    """Grid of trial resonances and Qs on a free-air curve, for every coil model."""

    def __init__(self, curve: Curve) -> None:
        self.phase_known = isinstance(curve, ImpedanceCurve)
        data = curve.values_ohm
        points = _POINTS if self.phase_known else _POINTS // 2
        step = max(1, int(np.ceil(data.size / points)))
        frequency = curve.frequency_hz[::step]
        self.s = np.asarray(2j * np.pi * frequency, dtype=np.complex128)
        self.data = np.asarray(data[::step], dtype=np.complex128)
        self.weight = 1 / np.abs(self.data)
        self.resonances = _resonances(frequency)
        self.grid = self._grid(self.resonances, _QS)
        self.seen = self._beside_any_coil() if self.phase_known else []

    def _grid(self, resonances: FloatArray, qs: FloatArray) -> _Grid:
        """Motional columns for all pairs of resonance and Q."""
        ratio = self.s / (2 * np.pi * resonances[:, None])
        tuning = ratio + 1 / ratio
        motion = self.weight / (1 + qs[None, :, None] * tuning[:, None, :])
        flat = _real(motion.reshape(-1, self.s.size))
        target = _real((self.data * self.weight)[None, :])
        return _Grid(resonances, qs, flat, np.sum(flat**2, axis=1), flat @ target[0])

    def starts(self, coil: CoilModel) -> list[FloatArray]:
        """Find starting vectors, most promising first.

        Args:
            coil: Coil model; one that is not `searched` starts from the resonances `seen` only.

        Returns:
            Vectors (ln Re, ln strength, ln angular resonance, ln loss, coil parameters).
        """
        valleys: list[tuple[float, int, int, int]] = []
        costs = []
        for position, shape in enumerate(coil.shapes if coil.searched else ()):
            cost, _ = self._solve(self.grid, coil, shape)
            costs.append(cost)
            best_q = np.argmin(cost, axis=1)
            along = cost[np.arange(best_q.size), best_q]
            valleys += [(float(along[i]), i, int(best_q[i]), position) for i in _valleys(along)]
        valleys.sort()
        chosen: list[tuple[int, int, int]] = []
        for _, i, j, position in valleys:
            if all(abs(i - a) > 1 or abs(j - b) > 2 or abs(position - c) > 2 for a, b, c in chosen):
                chosen.append((i, j, position))
            if len(chosen) == _KEPT:
                break
        if self.seen:
            chosen += self._shaped(coil, costs)
        found = [self._refined(coil, *valley) for valley in dict.fromkeys(chosen)]
        found.sort(key=lambda pair: pair[0])
        return [start for _, start in found]

    def _beside_any_coil(self) -> list[tuple[int, int]]:
        """Find peaks beside a coil of any kind: resonances and Qs by their place in the grid.

        A passive coil of resistances and inductances is a sum of sections R parallel to L
        (W. Cauer, Arch. Elektrotech. 17, 1926; from memory), of either sign here because their
        corners are given. A small peak on a steep coil shows only when the coil is followed that
        well, better than by the coarse shapes of one model.
        """
        low, high = np.abs(self.s[[0, -1]])
        corners = np.geomspace(low / 2, 4 * high, _ANY_CORNERS)
        columns = [np.ones_like(self.s), self.s, *(self.s / (1 + self.s / c) for c in corners)]
        fixed = _real(np.array(columns) * self.weight)
        target = _real((self.data * self.weight)[None, :])[0]
        normal = _Normal(fixed @ fixed.T, fixed @ self.grid.motion.T, self.grid.square)
        explained, _, motional = _eliminated(normal, fixed @ target, self.grid.onto, moving=True)
        cost = np.where(motional > 0, float(target @ target) - explained, np.inf)
        table = cost.reshape(self.grid.resonances.size, self.grid.qs.size)
        best_q = np.argmin(table, axis=1)
        along = table[np.arange(best_q.size), best_q]
        return [(i, int(best_q[i])) for i in _valleys(along)[:_SEEN] if np.isfinite(along[i])]

    def _shaped(self, coil: CoilModel, costs: Sequence[FloatArray]) -> list[tuple[int, int, int]]:
        """Give each peak seen the shape of a coil that goes best with it.

        Args:
            costs: Cost of each of its shapes over the whole grid; none for one not searched.
        """
        rows, columns = np.array(self.seen).T
        if costs:
            at_peaks = np.array([cost[rows, columns] for cost in costs])
        else:
            grid = self._grid(self.resonances[rows], _QS[columns])
            at_peaks = np.array(
                [np.diagonal(self._solve(grid, coil, shape)[0]) for shape in coil.shapes]
            )
        best = np.argmin(at_peaks, axis=0)
        return [(i, j, int(shape)) for (i, j), shape in zip(self.seen, best, strict=True)]

    def _refined(self, coil: CoilModel, i: int, j: int, position: int) -> tuple[float, FloatArray]:
        """Refine one valley on a finer grid, over the shapes nearby."""
        near = self.resonances[max(i - 1, 0) : i + 2]
        grid = self._grid(np.geomspace(near[0], near[-1], 9), _QS[j] * np.geomspace(0.75, 1.33, 7))
        best = (np.inf, np.zeros(4 + coil.size))
        for shape in coil.shapes[max(position - 1, 0) : position + 2]:
            cost, coefficients = self._solve(grid, coil, shape)
            a, b = np.unravel_index(np.argmin(cost), cost.shape)
            if cost[a, b] < best[0]:
                Re, Res, *rest = coefficients[a, b]
                w0 = 2 * np.pi * grid.resonances[a]
                loss = w0 / grid.qs[b]
                Re = max(Re, 1e-3 / float(np.max(self.weight)))
                Res = max(Res, 1e-3 * Re)
                values = np.log([Re, Res * loss, w0, loss])
                start = np.concatenate([values, coil.start(shape, np.array(rest))])
                best = (float(cost[a, b]), start)
        return best

    def _solve(self, grid: _Grid, coil: CoilModel, shape: Shape) -> tuple[FloatArray, FloatArray]:
        """Solve for Re, Res and coil in every cell: cost (r, q), coefficients (r, q, 2 + k)."""
        still = np.concatenate([np.ones((self.s.size, 1)), coil.basis(self.s, shape)], axis=1)
        fixed = _real((still * self.weight[:, None]).T)
        normal = _Normal(fixed @ fixed.T, fixed @ grid.motion.T, grid.square)
        if self.phase_known:
            target = _real((self.data * self.weight)[None, :])[0]
            cost, found = _nonnegative(normal, fixed @ target, grid.onto, float(target @ target))
        else:
            cost, found = self._phaseless(grid, fixed, normal)
        shape_out = (grid.resonances.size, grid.qs.size)
        return cost.reshape(shape_out), found.reshape(*shape_out, found.shape[1])

    def _phaseless(
        self, grid: _Grid, fixed: FloatArray, normal: _Normal
    ) -> tuple[FloatArray, FloatArray]:
        """Solve for a magnitude: the phase is taken from the model found, a few times.

        Alternating projections, from a pure resistance. After the first rounds they go on only
        with the Qs that follow the curve best at each resonance: nothing else is looked at.
        """
        n = self.s.size
        cells = np.arange(grid.motion.shape[0])
        unit = np.zeros((cells.size, 2 * n))
        unit[:, :n] = 1.0
        cost, coefficients = np.empty(cells.size), np.empty((cells.size, fixed.shape[0] + 1))
        for round_ in range(_PHASE_ROUNDS):
            motion = grid.motion[cells]
            onto = np.einsum("cn,cn->c", motion, unit)
            _, found = _nonnegative(normal.of(cells), fixed @ unit.T, onto, float(n))
            modelled = np.delete(found, 1, axis=1) @ fixed + found[:, 1:2] * motion
            size = np.hypot(modelled[:, :n], modelled[:, n:])
            cost[cells], coefficients[cells] = np.sum((size - 1) ** 2, axis=1), found
            if round_ + 1 == _WIDE_ROUNDS:
                table = cost.reshape(grid.resonances.size, grid.qs.size)
                kept = np.argsort(table, axis=1)[:, :_KEPT_QS]
                cells = np.sort((kept + grid.qs.size * np.arange(len(table))[:, None]).ravel())
                modelled, size = modelled[cells], size[cells]
            unit = modelled / np.maximum(np.concatenate([size, size], axis=1), 1e-9)
        return cost, coefficients


@dataclass(frozen=True, eq=False)
class _Grid:
    resonances: FloatArray
    qs: FloatArray
    motion: FloatArray  # (cells, 2 n), real parts then imaginary
    square: FloatArray  # (cells,) its square sum
    onto: FloatArray  # (cells,) its product with the data


def _real(rows: ComplexArray | FloatArray) -> FloatArray:
    return np.concatenate([rows.real, rows.imag], axis=1)


@dataclass(frozen=True, eq=False)
class _Normal:
    """Normal matrices of all cells: they differ in the motional column only."""

    fixed: FloatArray  # (k, k), Re first
    cross: FloatArray  # (k, cells) fixed columns on the motional one
    square: FloatArray  # (cells,)

    def of(self, cells: NDArray[np.int64]) -> _Normal:
        return _Normal(self.fixed, self.cross[:, cells], self.square[cells])


def _nonnegative(
    normal: _Normal, right: FloatArray, onto: FloatArray, norm: float
) -> tuple[FloatArray, FloatArray]:
    """Solve least squares with coefficients of at least zero, by leaving out up to two columns.

    A cell that would need more left out is no start: its cost stays infinite.

    Args:
        normal: Normal matrices of c cells.
        right: Fixed columns on the data, shape (k,) or (k, c).
        onto: Motional column on the data, shape (c,).
        norm: Square sum of the data.

    Returns:
        Cost (c,) and coefficients (c, 1 + k), the motional one second.
    """
    size = normal.fixed.shape[0]
    cost = np.full(normal.square.size, np.inf)
    best = np.zeros((size + 1, cost.size))
    cells = np.arange(cost.size)
    for left_out in range(min(3, size + 1)):
        for without in combinations(range(1, size + 1), left_out):
            kept = np.array([0, *(c for c in range(1, size) if c + 1 not in without)])
            moving = 1 not in without
            at = _Normal(
                normal.fixed[np.ix_(kept, kept)],
                normal.cross[np.ix_(kept, cells)],
                normal.square[cells],
            )
            data = right[kept] if right.ndim == 1 else right[np.ix_(kept, cells)]
            gained, still, motional = _eliminated(at, data, onto[cells], moving=moving)
            better = np.all(still >= 0, axis=0) & (motional >= 0) & (norm - gained < cost[cells])
            where = cells[better]
            cost[where] = norm - gained[better]
            best[:, where] = 0.0
            best[1, where] = motional[better]
            best[np.ix_(np.where(kept > 0, kept + 1, 0), where)] = still[:, better]
        if left_out == 0:  # where all are positive this is the solution
            cells = np.flatnonzero(~np.isfinite(cost))
            if cells.size == 0:
                break
    return np.maximum(cost, 0.0), best.T


_RIDGE = 1e-12
"""Share of a column's square added to it, so that columns alike do not divide by zero."""


def _eliminated(
    normal: _Normal, right: FloatArray, onto: FloatArray, *, moving: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Solve by blocks: what is common to all cells is inverted once.

    Args:
        normal: Normal matrices of c cells.
        right: Fixed columns on the data, shape (k,) or (k, c).
        onto: Motional column on the data, shape (c,).
        moving: Whether the motional column takes part.

    Returns:
        Square sum explained (c,), coefficients of the fixed columns (k, c) and of the motional
        one (c,).
    """
    scale = 1 / np.sqrt(np.diag(normal.fixed))
    both = np.outer(scale, scale)
    inverse = both * np.linalg.inv(normal.fixed * both + _RIDGE * np.eye(scale.size))
    alone = inverse @ right
    alone = alone[:, None] if right.ndim == 1 else alone
    explained = np.broadcast_to(np.sum(alone.T * right.T, axis=-1), onto.shape)
    if not moving:
        return explained, np.broadcast_to(alone, normal.cross.shape), np.zeros(onto.size)
    along = inverse @ normal.cross
    left = normal.square - np.sum(along * normal.cross, axis=0)
    left = np.maximum(left, _RIDGE * normal.square)
    motional = (onto - np.sum(alone * normal.cross, axis=0)) / left
    return explained + motional**2 * left, alone - along * motional, motional


def _resonances(frequency: FloatArray) -> FloatArray:
    """Trial resonances over the band and a little beyond, no coarser than a narrow peak."""
    octaves = float(np.log2(frequency[-1] / frequency[0])) + 0.5
    return np.geomspace(
        frequency[0] / 2**0.25, frequency[-1] * 2**0.25, max(12, round(16 * octaves))
    )


def _valleys(along: FloatArray) -> list[int]:
    """Indices of the five deepest local minima, ends included."""
    padded = np.concatenate([[np.inf], along, [np.inf]])
    lows = np.flatnonzero((padded[1:-1] <= padded[:-2]) & (padded[1:-1] < padded[2:]))
    if lows.size == 0:
        lows = np.array([int(np.argmin(along))])
    return [int(i) for i in lows[np.argsort(along[lows])][:5]]

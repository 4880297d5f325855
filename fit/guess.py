"""Starting values from a free-air curve alone.

For a given resonance and mechanical Q, and a given shape of the coil model, the impedance is
linear in Re, Res and the coil's coefficients (variable projection: G. Golub, V. Pereyra, SIAM
J. Numer. Anal. 10(2), 1973). A grid of resonances and Qs is therefore evaluated by small normal
equations, all at once; the deepest valleys become the starts of the nonlinear fit.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from fit.voicecoil import CoilModel
from meas.curve import Curve, ImpedanceCurve

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_QS = np.geomspace(0.35, 30.0, 16)
_POINTS = 240
"""Points kept of a long curve for the search."""
_PHASE_ROUNDS = 6
"""Rounds in which the missing phase of a magnitude curve is taken from the model."""


def starts(curve: Curve, coil: CoilModel, *, keep: int = 3) -> list[FloatArray]:
    """Starting vectors, most promising first.

    Args:
        curve: Impedance or magnitude in free air.
        coil: Coil model.
        keep: Greatest number of starts.

    Returns:
        Vectors (ln Re, ln strength, ln angular resonance, ln loss, coil parameters).
    """
    frequency, data = _thinned(curve)
    s = np.asarray(2j * np.pi * frequency, dtype=np.complex128)
    phase_known = isinstance(curve, ImpedanceCurve)
    resonances = _resonances(frequency)
    found: list[tuple[float, FloatArray]] = []
    for shape in coil.shapes[:: 1 if len(coil.shapes) < 3 else 3]:
        cost, _ = _search(s, data, phase_known, resonances, _QS, coil, shape)
        best_q = np.argmin(cost, axis=1)
        along = cost[np.arange(resonances.size), best_q]
        for i in _valleys(along, keep):
            found.append(_refined(s, data, phase_known, resonances, i, int(best_q[i]), coil, shape))
    found.sort(key=lambda pair: pair[0])
    return _distinct(found, keep)


def _refined(
    s: ComplexArray,
    data: ComplexArray,
    phase_known: bool,
    resonances: FloatArray,
    index: int,
    q_index: int,
    coil: CoilModel,
    shape: float,
) -> tuple[float, FloatArray]:
    """Finer grid around one valley, over all shapes nearby."""
    near = resonances[max(index - 1, 0) : index + 2]
    fine = np.geomspace(near[0], near[-1], 9)
    qs = _QS[q_index] * np.geomspace(0.75, 1.33, 7)
    position = coil.shapes.index(shape)
    best = (np.inf, np.zeros(4 + coil.size))
    for trial in coil.shapes[max(position - 2, 0) : position + 3]:
        cost, coefficients = _search(s, data, phase_known, fine, qs, coil, trial)
        i, j = np.unravel_index(np.argmin(cost), cost.shape)
        if cost[i, j] < best[0]:
            Re, Res, *rest = coefficients[i, j]
            w0 = 2 * np.pi * fine[i]
            loss = w0 / qs[j]
            Re = max(Re, 1e-3 * float(np.min(np.abs(data))))
            Res = max(Res, 1e-3 * Re)
            values = np.log([Re, Res * loss, w0, loss])
            best = (
                float(cost[i, j]),
                np.concatenate([values, coil.start(trial, np.array(rest))]),
            )
    return best


def _search(
    s: ComplexArray,
    data: ComplexArray,
    phase_known: bool,
    resonances: FloatArray,
    qs: FloatArray,
    coil: CoilModel,
    shape: float,
) -> tuple[FloatArray, FloatArray]:
    """Cost (r, q) and non-negative coefficients (r, q, 2 + k) of the linear problem."""
    w0 = 2 * np.pi * resonances[:, None, None]
    ratio = s / w0
    motion = 1 / (1 + qs[None, :, None] * (ratio + 1 / ratio))
    basis = coil.basis(s, shape)
    fixed = np.concatenate([np.ones((s.size, 1)), basis], axis=1)
    weight = 1 / np.abs(data)
    columns = np.empty((resonances.size, qs.size, fixed.shape[1] + 1, s.size), dtype=np.complex128)
    columns[:, :, 0] = fixed[:, 0] * weight
    columns[:, :, 1] = motion * weight
    columns[:, :, 2:] = (fixed[:, 1:] * weight[:, None]).T
    if phase_known:
        return _nonnegative(columns, (data * weight)[None, None, :])
    # The phase of the minimum-phase impedance is not known: start from a pure resistance and
    # take it from the model found, a few times (alternating projections).
    target = np.ones((*columns.shape[:2], s.size), dtype=np.complex128)
    for _ in range(_PHASE_ROUNDS):
        _, coefficients = _nonnegative(columns, target)
        modelled = np.einsum("rqk,rqkn->rqn", coefficients, columns)
        target = modelled / np.maximum(np.abs(modelled), 1e-12)
    return np.sum((np.abs(modelled) - 1) ** 2, axis=2), coefficients


def _nonnegative(columns: ComplexArray, target: ComplexArray) -> tuple[FloatArray, FloatArray]:
    """Least squares with coefficients of at least zero, by trying every set of active columns.

    Re and the motional part always stay; with one or two coil columns there are at most four
    sets.
    """
    gram = np.real(np.einsum("rqin,rqjn->rqij", columns.conj(), columns, optimize=True))
    right = np.real(np.einsum("rqin,rqn->rqi", columns.conj(), target + 0 * columns[:, :, 0]))
    norm = np.sum(np.abs(target) ** 2, axis=-1)
    size = columns.shape[2]
    best_cost = np.full(columns.shape[:2], np.inf)
    best = np.zeros((*columns.shape[:2], size))
    optional = range(1, size)
    for count in range(size):
        for chosen in combinations(optional, count):
            active = np.array([0, *chosen])
            sub = gram[:, :, active[:, None], active]
            scale = 1 / np.sqrt(np.einsum("rqii->rqi", sub))
            scaled = sub * scale[..., None] * scale[..., None, :]
            scaled += 1e-12 * np.eye(active.size)
            solution = np.linalg.solve(scaled, (right[:, :, active] * scale)[..., None])[..., 0]
            solution *= scale
            cost = norm - np.sum(solution * right[:, :, active], axis=-1)
            better = np.all(solution >= 0, axis=-1) & (cost < best_cost)
            best_cost = np.where(better, cost, best_cost)
            full = np.zeros_like(best)
            full[:, :, active] = solution
            best = np.where(better[..., None], full, best)
    return np.maximum(best_cost, 0.0), best


def _thinned(curve: Curve) -> tuple[FloatArray, ComplexArray]:
    """Frequencies and impedance of at most `_POINTS` points, resonance peaks kept."""
    data = curve.impedance_ohm if isinstance(curve, ImpedanceCurve) else curve.magnitude_ohm
    frequency = curve.frequency_hz
    step = max(1, int(np.ceil(frequency.size / _POINTS)))
    return frequency[::step], np.asarray(data[::step], dtype=np.complex128)


def _resonances(frequency: FloatArray) -> FloatArray:
    """Trial resonances over the band and a little beyond, no coarser than a narrow peak."""
    octaves = np.log2(frequency[-1] / frequency[0]) + 0.5
    return np.geomspace(
        frequency[0] / 2**0.25, frequency[-1] * 2**0.25, max(12, round(16 * octaves))
    )


def _valleys(along: FloatArray, keep: int) -> list[int]:
    """Indices of the deepest local minima, ends included."""
    padded = np.concatenate([[np.inf], along, [np.inf]])
    lows = np.flatnonzero((padded[1:-1] <= padded[:-2]) & (padded[1:-1] < padded[2:]))
    if lows.size == 0:
        lows = np.array([int(np.argmin(along))])
    return [int(i) for i in lows[np.argsort(along[lows])][:keep]]


def _distinct(found: list[tuple[float, FloatArray]], keep: int) -> list[FloatArray]:
    """The best starts that differ in resonance or loss."""
    chosen: list[FloatArray] = []
    for _, start in found:
        if all(np.max(np.abs((start - other)[2:4])) > 0.05 for other in chosen):
            chosen.append(start)
        if len(chosen) == keep:
            break
    return chosen

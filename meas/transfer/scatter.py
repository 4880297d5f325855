"""Noise of a point, from the scatter about it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from meas.curve import FloatArray
from meas.transfer.spectra import Spectra

_POOLED_NEIGHBOURS = 10
_QUARTIC_RUN = 7


def quartic_residuals(spectra: Spectra, chosen: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """Scatter of one single pass about a fourth-degree polynomial over runs of seven lines."""
    residual, freedom = np.zeros(chosen.size), np.zeros(chosen.size)
    v1, v2 = spectra.source[0], spectra.driver[0]
    for begin in range(0, chosen.size, _QUARTIC_RUN):
        members = np.arange(begin, min(begin + _QUARTIC_RUN, chosen.size))
        low, high = chosen[members[0]], chosen[members[-1]] + 1
        run = np.arange(low, min(max(high, low + _QUARTIC_RUN), v1.size))
        delta = np.linspace(-1.0, 1.0, run.size)
        degree = min(4, members.size - 1)
        design = v1[run, None] * delta[:, None] ** np.arange(degree + 1)
        beta, _, rank, _ = np.linalg.lstsq(design, v2[run], rcond=1e-10)
        rest = np.abs(v2[run] - design @ beta) ** 2
        # Every member carries the whole run; in the pooled ratio that cancels.
        residual[members] = rest.sum()
        freedom[members] = max(0, run.size - int(rank))
    return residual, freedom * spectra.freedom_factor


def pooled(residual: FloatArray, freedom: FloatArray) -> FloatArray:
    """Noise power per line from the scatter of a point and its neighbours.

    One point alone has too few degrees of freedom to say how noisy it is; over half an
    octave the noise is taken as smooth. A point that stands out beyond what chance explains
    (one in a thousand) keeps its own, larger value: a line of hum must not be averaged away,
    nor spoil its neighbours.
    """
    reach = _POOLED_NEIGHBOURS
    width = 2 * reach + 1

    def around(values: FloatArray) -> FloatArray:
        return np.lib.stride_tricks.sliding_window_view(np.pad(values, reach), width)

    with np.errstate(divide="ignore", invalid="ignore"):
        own = np.where(freedom >= 0.5, residual / freedom, np.nan)
        typical = special.chdtri(2.0 * freedom, 0.5) / (2.0 * freedom)
        limit = special.chdtri(2.0 * freedom, 1e-3) / (2.0 * freedom)
    scaled = around(np.where(np.isfinite(own), own / typical, np.nan))
    scaled = np.where(around(np.ones_like(own)) > 0, scaled, np.nan)
    known = np.isfinite(scaled).any(axis=1)
    middle = np.full(own.size, np.nan)
    if known.any():
        middle[known] = np.nanmedian(scaled[known], axis=1)
    stands_out = own > limit * middle
    kept = np.where(stands_out, 0.0, residual)
    kept_freedom = np.where(stands_out, 0.0, freedom)
    total, counted = around(kept).sum(axis=1), around(kept_freedom).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        pooled = np.where(counted >= 1.0, total / counted, np.nan)
    return np.where(stands_out, own, pooled)

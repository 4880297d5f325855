"""Peaks of a curve by their prominence.

The same as ``find_peaks`` of ``scipy.signal`` (tests/fitting/problem/test_peaks.py holds the two
together), whose import takes longer than a whole fit.
"""

from __future__ import annotations

import numpy as np

from meas.curve import FloatArray


def peaks(level: FloatArray, least: float) -> list[tuple[int, float]]:
    """Peaks that stand above their surroundings, from left to right.

    The prominence of a peak is its height above the higher of two bases: the lowest points on
    either side before the curve rises above the peak, or ends.

    >>> peaks(np.array([0.0, 3.0, 1.0, 2.0, 0.0]), least=0.5)
    [(1, 3.0), (3, 1.0)]

    Args:
        level: Ordinates, shape (n,).
        least: Least prominence.

    Returns:
        Index (the middle of a flat top) and prominence of each.
    """
    first = np.flatnonzero(np.concatenate([[True], np.diff(level) != 0]))  # of every flat stretch
    last = np.concatenate([first[1:], [level.size]]) - 1
    height = level[first]
    tops = 1 + np.flatnonzero((height[1:-1] > height[:-2]) & (height[1:-1] > height[2:]))
    found = []
    for top in tops:
        higher = np.flatnonzero(height > height[top])
        place = int(np.searchsorted(higher, top))
        begin = int(higher[place - 1]) if place else 0
        end = int(higher[place]) if place < higher.size else height.size
        base = max(float(height[begin : top + 1].min()), float(height[top:end].min()))
        prominence = float(height[top]) - base
        if prominence >= least:
            found.append((int(first[top] + last[top]) // 2, prominence))
    return found

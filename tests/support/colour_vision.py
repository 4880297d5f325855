"""Colours as eyes with and without all three cones see them, and lines that they take for one.

Colour-blind eyes are simulated by the matrices of G. M. Machado, M. M. Oliveira,
L. A. F. Fernandes, IEEE Trans. Vis. Comput. Graph. 15, 2009, table 1 at severity 1.0 (from memory;
each row adds up to one, for grey stays grey), for linear sRGB. Differences are those of CIELAB
(CIE 15:2004, 8.2.1). How large they must be depends on the width of a line: half of all people see
a difference in one coordinate from p (A + B/s) on, p = 0.5 and s the visual angle in degrees
(M. Stone, D. A. Szafir, V. Setlur, Proc. 22nd Color and Imaging Conf., 2014, table 1; from memory).
"""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

VISIONS = {
    "all three cones": np.eye(3),
    "protanopia": np.array([
        (0.152286, 1.052583, -0.204868),
        (0.114503, 0.786281, 0.099216),
        (-0.003882, -0.048116, 1.051998),
    ]),
    "deuteranopia": np.array([
        (0.367322, 0.860646, -0.227968),
        (0.280085, 0.672501, 0.047413),
        (-0.011820, 0.042940, 0.968881),
    ]),
    "tritanopia": np.array([
        (1.255528, -0.076749, -0.178779),
        (-0.078411, 0.930809, 0.147602),
        (0.004733, 0.691367, 0.303900),
    ]),
}  # fmt: skip
# IEC 61966-2-1:1999, linear sRGB to CIE 1931 XYZ, white D65.
XYZ = np.array([(0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505)])
JUST_SEEN = 0.5 * np.array([(10.16, 1.50), (10.68, 3.08), (10.70, 5.74)])  # L*, a*, b*
AWAY_M = 0.6  # from eye to screen or paper (common practice, no source)
PIXEL_M, POINT_M = 25.4e-3 / 96, 25.4e-3 / 72


def lab(rgb: Any, vision: str) -> NDArray[np.float64]:
    """CIELAB of a colour of sRGB, 0 to 1, as a vision has it."""
    c = np.asarray(rgb, dtype=float)
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    t = XYZ @ np.clip(VISIONS[vision] @ linear, 0, 1) / XYZ.sum(axis=1)
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def apart(one: Any, other: Any, width_m: float, vision: str) -> float:
    """Difference of two lines of a width, counted in differences that are just seen."""
    degrees = np.degrees(width_m / AWAY_M)
    off = (lab(one, vision) - lab(other, vision)) / (JUST_SEEN @ (1, 1 / degrees))
    return float(np.linalg.norm(off))


def alike(curves: dict[str, Any], width_m: float) -> list[str]:
    """Pairs of colours that some vision takes for one."""
    return [
        f"{a} and {b}, {vision}"
        for (a, one), (b, other) in combinations(curves.items(), 2)
        for vision in VISIONS
        if apart(one, other, width_m, vision) < 1
    ]

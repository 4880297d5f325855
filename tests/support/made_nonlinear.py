"""A driver with limits, stepped through time: stiffness and motor that change, a coil that rubs.

M x'' = Bl(x) i - Rms x' - K(x) x - stop, i = (E - Bl(x) x')/(R + Re), integrated by the classical
Runge-Kutta method. Nothing of the project is imported.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Limited:
    """Small-signal values and how they change with displacement.

    Attributes:
        stiffening: k2 in K(x) = K (1 + k2 x^2) [1/m2].
        fading: b2 in Bl(x) = Bl (1 - b2 x^2) [1/m2].
        stop_m: Displacement beyond which something is touched [m].
        stop_stiffness: Of what is touched, re that of the suspension.
        scrape: Friction while touching [N].
    """

    Re: float = 6.0
    fs: float = 60.0
    Qms: float = 4.0
    Qes: float = 0.6
    Mms: float = 0.012
    stiffening: float = 0.0
    fading: float = 0.0
    stop_m: float = math.inf
    stop_stiffness: float = 200.0

    def impedance(self, frequency_hz: Floats) -> NDArray[np.complex128]:
        """Small-signal impedance [ohm]."""
        f = np.maximum(frequency_hz, 1e-9)
        return self.Re + self.Re * self.Qms / self.Qes / (
            1 + 1j * self.Qms * (f / self.fs - self.fs / f)
        )


def record(
    unit: Limited, drive: Floats, rate_hz: int, R: float = 10.0, oversampling: int = 2
) -> tuple[Floats, Floats]:
    """Both inputs for a source of no resistance (shape (n, 2)) and the displacement [m]."""
    w = 2 * math.pi * unit.fs
    K, Rms, M = w**2 * unit.Mms, w * unit.Mms / unit.Qms, unit.Mms
    Bl = math.sqrt(w * M * unit.Re / unit.Qes)
    total = R + unit.Re
    k2, b2, stop, hard = unit.stiffening, unit.fading, unit.stop_m, unit.stop_stiffness * K
    n = drive.size * oversampling * 2
    voltage = np.interp(np.arange(n) / (2 * oversampling), np.arange(drive.size), drive).tolist()
    h = 1 / (rate_hz * oversampling)

    def force(x: float, v: float, E: float) -> float:
        motor = Bl * (1 - b2 * x * x)
        touched = x - stop if x > stop else 0.0
        return (
            motor * (E - motor * v) / total - Rms * v - K * x * (1 + k2 * x * x) - hard * touched
        ) / M

    x = v = 0.0
    out_x, out_v = [0.0] * drive.size, [0.0] * drive.size
    for step in range(drive.size * oversampling - 1):
        if step % oversampling == 0:
            out_x[step // oversampling], out_v[step // oversampling] = x, v
        a, b, c = voltage[2 * step], voltage[2 * step + 1], voltage[2 * step + 2]
        k1 = force(x, v, a)
        v2 = v + h / 2 * k1
        x2 = x + h / 2 * v
        q2 = force(x2, v2, b)
        v3 = v + h / 2 * q2
        x3 = x + h / 2 * v2
        q3 = force(x3, v3, b)
        v4 = v + h * q3
        q4 = force(x + h * v3, v4, c)
        x += h / 6 * (v + 2 * v2 + 2 * v3 + v4)
        v += h / 6 * (k1 + 2 * q2 + 2 * q3 + q4)
    place, velocity = np.array(out_x), np.array(out_v)
    motor = Bl * (1 - b2 * place**2)
    current = (drive - motor * velocity) / total
    return np.stack([drive, drive - R * current], axis=1), place

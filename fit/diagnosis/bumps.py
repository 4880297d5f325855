"""Small resonances beside the main one: loose dust cap, panel, rim, frame.

Anything that resonates while the cone drives it adds to the impedance, near its own frequency,
the curve of a damped resonator: A/(1 + j Q (f/f0 - f0/f)) with a complex A, which far from the
main resonance is close to real and positive (a resonator of mass m on the cone adds Bl^2 m Q/(w
Mms^2), the mechanical impedance of the cone being its mass there). In the residual of a fit that
stands out by its shape from what a coil model fails to follow, which is broad.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fit.results.result import FittedCurve
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

QUALITIES = (6.0, 9.0, 14.0, 22.0, 35.0)
"""Qs looked for; broader ones cannot be told from what a coil model fails to follow."""
_REACH = 3.0  # of the stretch looked at, in half-power widths to either side
_FEWEST_NEAR = 4  # points within the half-power width: fewer may be hum or a click
_LEAST_RELATIVE = 0.004
"""Least size over |Z|. A healthy cone and surround leave some tenths of a per cent (common
practice, no source); what is told should be worth a search."""
_LEAST_RATIO = 8.0  # of the size to its standard uncertainty
_LEAST_SHARE = 0.6  # of what a parabola leaves over that the resonator explains
_MAIN = 0.25  # nearer to the main resonance than this share of its height nothing is looked for
_MOST = 5
_FINE = (0.7, 0.85, 1.0, 1.2, 1.4)  # of Q, around the clearest
_SHIFTS = (-0.2, -0.1, 0.0, 0.1, 0.2)  # of ln f, in half-power widths


@dataclass(frozen=True)
class Bump:
    """A resonance in the residual of one curve.

    Attributes:
        frequency_hz: Where it is.
        ohm: Its height in the impedance.
        Q: Its sharpness, of the few that are looked for.
        relative: Its height over |Z| there.
        ratio: Its height over its standard uncertainty.
    """

    frequency_hz: float
    ohm: float
    Q: float
    relative: float
    ratio: float


def bumps(curve: FittedCurve) -> tuple[Bump, ...]:
    """Resonances in what the model leaves over, the clearest first; empty for a healthy driver.

    Over stretches of the curve a resonator and a parabola (for what the model misses smoothly) are
    fitted to measured minus model by least squares; a resonator counts when it explains most of
    what the parabola leaves, is clear of the scatter and worth mention. The clearest is taken off
    and the search repeated.
    """
    f, z = curve.frequency_hz, np.abs(curve.measured_ohm)
    turn: ComplexArray | None = None
    if np.iscomplexobj(curve.measured_ohm):
        residual = np.asarray(curve.measured_ohm - curve.model_ohm)
    else:  # of a magnitude only the part along Z is known
        residual = (curve.measured_ohm - np.abs(curve.model_ohm)).astype(np.complex128)
        turn = np.asarray(np.conj(curve.model_ohm) / np.abs(curve.model_ohm))
    motion = np.abs(curve.motional_ohm)
    main = motion > _MAIN * np.max(motion)
    found: list[Bump] = []
    for _ in range(_MOST):
        best: tuple[Bump, ComplexArray] | None = None
        for Q in QUALITIES:
            for index in range(f.size):
                if main[index]:
                    continue
                seen = _fitted(f, residual, z, turn, float(f[index]), Q)
                if seen is not None and (best is None or seen[0].ratio > best[0].ratio):
                    best = seen
        if best is None:
            break
        centre = best[0]
        finer = (
            _fitted(f, residual, z, turn, centre.frequency_hz * math.exp(shift / centre.Q), Q)
            for Q in (centre.Q * factor for factor in _FINE)
            for shift in _SHIFTS
        )
        bump, taken = max((best, *filter(None, finer)), key=lambda seen: seen[0].ratio)
        if all(_apart(bump, one) for one in found):
            found.append(bump)
        residual = residual - taken
    return tuple(found)


def _apart(one: Bump, other: Bump) -> bool:
    """Whether two bumps are two, and not the rest of one that is no perfect resonator."""
    return abs(math.log(one.frequency_hz / other.frequency_hz)) > 1.5 / min(one.Q, other.Q)


def _resonator(f: FloatArray, f0: float, Q: float) -> ComplexArray:
    return np.asarray(1 / (1 + 1j * Q * (f / f0 - f0 / f)))


def _fitted(
    f: FloatArray,
    residual: ComplexArray,
    z: FloatArray,
    turn: ComplexArray | None,
    f0: float,
    Q: float,
) -> tuple[Bump, ComplexArray] | None:
    """The resonator at one place, and its curve, if it counts there."""
    first, last = np.searchsorted(f, (f0 * math.exp(-_REACH / Q), f0 * math.exp(_REACH / Q)))
    x = Q * np.log(f[first:last] / f0)
    if np.count_nonzero(np.abs(x) < 0.5) < _FEWEST_NEAR or x[0] > -1.5 or x[-1] < 1.5:
        return None
    shape = _resonator(f[first:last], f0, Q)
    smooth = np.column_stack([np.ones(x.size), x, x * x])
    if turn is None:
        found = _complex(residual[first:last], shape, smooth)
    else:
        found = _along(residual[first:last].real, turn[first:last] * shape, smooth)
    if found is None:
        return None
    amplitude, spread = found
    size = abs(amplitude)
    ratio, relative = size / spread, size / float(np.interp(f0, f, z))
    if ratio < _LEAST_RATIO or relative < _LEAST_RELATIVE:
        return None
    whole = amplitude * _resonator(f, f0, Q)
    seen = np.real(turn * whole).astype(np.complex128) if turn is not None else whole
    return Bump(f0, size, Q, relative, ratio), seen


def _complex(
    y: ComplexArray, shape: ComplexArray, smooth: FloatArray
) -> tuple[complex, float] | None:
    """Amplitude of a resonator and the standard uncertainty of its size, if it explains enough.

    What the parabola takes is taken off data and shape alike (R. Frisch, F. Waugh, 1933). One
    complex unknown: real and imaginary part have the same uncertainty and no covariance.
    """
    base, _ = np.linalg.qr(smooth)
    both = np.column_stack([y, shape])
    both -= base @ (base.T @ both)
    left, own = both.T
    normal = float(np.vdot(own, own).real)
    amplitude = complex(np.vdot(own, left)) / normal
    total = float(np.vdot(left, left).real)
    rest = total - abs(amplitude) ** 2 * normal
    variance = _scatter(total, rest, 2 * (y.size - 3) - 2)
    return None if variance is None else (amplitude, math.sqrt(variance / normal))


def _along(y: FloatArray, along: ComplexArray, smooth: FloatArray) -> tuple[complex, float] | None:
    """The same where only the part along Z is known: two real unknowns."""
    peak = np.column_stack([along.real, -along.imag])
    base, _ = np.linalg.qr(smooth)
    left = y - base @ (base.T @ y)
    own = peak - base @ (base.T @ peak)
    normal = own.T @ own
    if np.linalg.cond(normal) > 1e6:
        return None
    amplitude = np.linalg.solve(normal, own.T @ left)
    total = float(left @ left)
    rest = total - float(amplitude @ normal @ amplitude)
    variance = _scatter(total, rest, y.size - 3 - 2)
    if variance is None:
        return None
    turned = amplitude / float(np.hypot(*amplitude))
    spread = math.sqrt(variance * float(turned @ np.linalg.inv(normal) @ turned))
    return complex(*amplitude), spread


def _scatter(total: float, rest: float, freedom: int) -> float | None:
    """Variance of a row by what is left; None where the resonator explains too little."""
    if freedom < 4 or total <= 0 or rest > (1 - _LEAST_SHARE) * total:
        return None
    return max(rest, 1e-18 * total) / freedom


def tell(curves: Sequence[FittedCurve]) -> tuple[Finding, ...]:
    """Bumps of all takes as findings, one for each frequency; the clearest first."""
    groups: list[list[tuple[int, Bump]]] = []
    for number, curve in enumerate(curves, start=1):
        for bump in bumps(curve):
            for group in groups:
                if not _apart(bump, group[0][1]):
                    group.append((number, bump))
                    break
            else:
                groups.append([(number, bump)])
    groups.sort(key=lambda group: -max(bump.ratio for _, bump in group))
    return tuple(_finding(group, len(curves)) for group in groups)


def _finding(group: list[tuple[int, Bump]], takes: int) -> Finding:
    clearest = max((bump for _, bump in group), key=lambda bump: bump.ratio)
    numbers = sorted({number for number, _ in group})
    if len(numbers) == takes > 1:
        where = "in every take, so it belongs to the driver or to how it is held"
    elif takes > 1:
        listed = " and ".join(map(str, numbers))
        where = (
            f"in take {listed} of {takes} only, so it may belong to what lay about then, or the "
            "mass or box stilled it"
        )
    else:
        where = "in the one take"
    return Finding(
        "small-resonance",
        f"A small resonance at {clearest.frequency_hz:.3g} Hz: a bump of {clearest.ohm:.2g} ohm "
        f"({100 * clearest.relative:.1f} % of |Z|, Q about {clearest.Q:.0f}), {where}; "
        f"{clearest.ratio:.0f} times its uncertainty. A loose dust cap, a rim or lead that sings, "
        "a cone or surround mode, and a panel or clamp that resonates look the same in the curve.",
        next_step=(
            "touch dust cap, leads, frame and clamp in turn during a steady tone there and see "
            "which one changes it; a bump that moves with the clamping is not the driver's."
        ),
    )

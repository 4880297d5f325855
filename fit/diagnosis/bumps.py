"""Small resonances beside the main one: loose dust cap, panel, rim, frame.

Anything that resonates while the cone drives it adds the curve of a damped resonator to the
impedance near its own frequency: A/(1 + j Q (f/f0 - f0/f)) with a complex A. Far from the main
resonance the mechanical impedance of the cone is that of its mass. There A is nearly real and
positive: a resonator of mass m on the cone gives Bl^2 m Q/(w Mms^2). Its narrow shape stands out in
the residual of a fit; what a coil model fails to follow is broad.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.results.result import FittedCurve
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

QUALITIES = (6.0, 9.0, 14.0, 22.0, 35.0)
"""Qs searched for; broader ones look like what a coil model fails to follow."""
_REACH = 3.0  # of the stretch looked at, in half-power widths to either side
_FEWEST_NEAR = 4  # points within the half-power width: fewer may be hum or a click
_LEAST_RELATIVE = 0.004
"""Least size over |Z|. A healthy cone and surround leave some tenths of a per cent (common
practice, no source); what is reported should be worth a search."""
_LEAST_RATIO = 8.0  # of the size to its standard uncertainty
_LEAST_SHARE = 0.6  # of what a parabola leaves over that the resonator explains
_MAIN = 0.25  # nearer to the main resonance than this share of its height nothing is looked for
_MOST = 5
_WORST_CONDITION = 1e6  # beyond, the two parts of an amplitude cannot be told apart
_FINE = (0.7, 0.85, 1.0, 1.2, 1.4)  # of Q, around the clearest
_SHIFTS = (-0.2, -0.1, 0.0, 0.1, 0.2)  # of ln f, in half-power widths


@dataclass(frozen=True)
class Bump:
    """A resonance in the residual of one curve.

    Attributes:
        frequency_hz: Its frequency [Hz].
        ohm: Its height in the impedance [ohm].
        Q: Its sharpness, one of those searched for.
        relative: Its height over |Z| there.
        ratio: Its height over its standard uncertainty.
    """

    frequency_hz: float
    ohm: float
    Q: float
    relative: float
    ratio: float


def bumps(curve: FittedCurve) -> tuple[Bump, ...]:
    """Find resonances in the residual, the clearest first; none in a healthy driver.

    A resonator and a parabola (for smooth misfit) are fitted to stretches of measured minus model
    by least squares. A resonator counts when it explains most of what the parabola leaves, is clear
    of the scatter and worth mention. The clearest is subtracted and the search repeated.
    """
    f, z = curve.frequency_hz, np.abs(curve.measured_ohm)
    turn: ComplexArray | None = None
    if np.iscomplexobj(curve.measured_ohm):
        residual = np.asarray(curve.measured_ohm - curve.model_ohm)
    else:  # of a magnitude only the part along Z is known
        residual = (curve.measured_ohm - np.abs(curve.model_ohm)).astype(np.complex128)
        turn = np.asarray(np.conj(curve.model_ohm) / np.abs(curve.model_ohm))
    motion = np.abs(curve.motional_ohm)
    places = f[motion <= _MAIN * np.max(motion)]
    wide = [_stretches(f, z, turn, places, np.full(places.size, Q)) for Q in QUALITIES]
    found: list[Bump] = []
    for _ in range(_MOST):
        seen = [best for one in wide if (best := _clearest(one, residual)) is not None]
        if not seen:
            break
        coarse = max(seen, key=_ratio)
        finer = _clearest(_around(f, z, turn, coarse[0]), residual)
        bump, amplitude = coarse if finer is None else max(coarse, finer, key=_ratio)
        if all(_apart(bump, one) for one in found):
            found.append(bump)
        taken = amplitude * _resonator(f, bump.frequency_hz, bump.Q)
        residual = residual - (taken if turn is None else np.real(turn * taken))
    return tuple(found)


def _ratio(seen: tuple[Bump, complex]) -> float:
    return seen[0].ratio


def _apart(one: Bump, other: Bump) -> bool:
    """Tell whether two bumps are two, and not the rest of one that is no perfect resonator."""
    return abs(math.log(one.frequency_hz / other.frequency_hz)) > 1.5 / min(one.Q, other.Q)


def _resonator(f: FloatArray, f0: FloatArray | float, Q: FloatArray | float) -> ComplexArray:
    return np.asarray(1 / (1 + 1j * Q * (f / f0 - f0 / f)))


@dataclass(frozen=True, eq=False)
class _Stretches:
    """Resonators to be looked for, each in the stretch of the curve around it.

    What a parabola takes is taken off the shapes beforehand; that of the data then follows from its
    three orthonormal columns (R. Frisch, F. Waugh, 1933). The unknowns are the complex amplitude,
    or its two parts where only the impedance along Z is known.

    Attributes:
        frequency_hz: Where each is, shape (c,).
        Q: Its sharpness, shape (c,).
        magnitude_ohm: |Z| there, shape (c,).
        places: Points of its stretch, shape (c, l).
        inside: One where a place belongs to the stretch, else zero, shape (c, l).
        smooth: Orthonormal parabolas, shape (c, l, 3).
        shape: Curve of one unit of each unknown, shape (c, l, u).
        inverse: Inverse of the unknowns' normal matrix, shape (c, u, u).
        freedom: Rows less unknowns, shape (c,).
    """

    frequency_hz: FloatArray
    Q: FloatArray
    magnitude_ohm: FloatArray
    places: NDArray[np.intp]
    inside: FloatArray
    smooth: FloatArray
    shape: FloatArray | ComplexArray
    inverse: FloatArray | ComplexArray
    freedom: FloatArray


def _around(f: FloatArray, z: FloatArray, turn: ComplexArray | None, bump: Bump) -> _Stretches:
    """Places and sharpnesses near one that was found."""
    shifts, factors = np.meshgrid(np.array(_SHIFTS), np.array(_FINE))
    f0 = bump.frequency_hz * np.exp(shifts.ravel() / bump.Q)
    return _stretches(f, z, turn, f0, bump.Q * factors.ravel())


def _stretches(
    f: FloatArray, z: FloatArray, turn: ComplexArray | None, f0: FloatArray, Q: FloatArray
) -> _Stretches:
    """Select the resonators around which the curve has the points to tell them by."""
    log_f, log_f0 = np.log(f), np.log(f0)
    first = np.searchsorted(f, f0 * np.exp(-_REACH / Q))
    last = np.searchsorted(f, f0 * np.exp(_REACH / Q))
    longest = int(np.max(last - first, initial=1))
    places = first[:, None] + np.arange(longest)
    inside = (places < last[:, None]).astype(np.float64)
    places = np.minimum(places, f.size - 1)
    x = Q[:, None] * (log_f[places] - log_f0[:, None]) * inside
    near = np.sum((np.abs(x) < 0.5) * inside, axis=1)
    reaches = (np.min(x, axis=1) <= -1.5) & (np.max(x, axis=1) >= 1.5)
    freedom = (last - first - 3.0) * (2 if turn is None else 1) - 2
    kept = (near >= _FEWEST_NEAR) & reaches & (freedom >= 4)
    f0, Q, places, inside, x = f0[kept], Q[kept], places[kept], inside[kept], x[kept]
    smooth = np.linalg.qr(np.stack([inside, x, x * x], axis=2))[0]
    shape = _resonator(f[places], f0[:, None], Q[:, None]) * inside
    if turn is None:
        unknowns: FloatArray | ComplexArray = shape[:, :, None]
    else:
        along = turn[places] * shape
        unknowns = np.stack([along.real, -along.imag], axis=2)
    unknowns = unknowns - smooth @ (np.swapaxes(smooth, 1, 2) @ unknowns)
    normal = np.swapaxes(unknowns.conj(), 1, 2) @ unknowns
    clear = np.linalg.cond(normal) < _WORST_CONDITION
    return _Stretches(
        f0[clear], Q[clear], np.interp(f0[clear], f, z), places[clear], inside[clear],
        smooth[clear], unknowns[clear], np.linalg.inv(normal[clear]), freedom[kept][clear],
    )  # fmt: skip


def _clearest(tried: _Stretches, residual: ComplexArray) -> tuple[Bump, complex] | None:
    """The resonator that stands out most of those that count, and its amplitude."""
    of_magnitude = not np.iscomplexobj(tried.shape)
    y = (residual.real if of_magnitude else residual)[tried.places] * tried.inside
    smooth = np.einsum("clk,cl->ck", tried.smooth, y)
    total = np.sum(np.abs(y) ** 2, axis=1) - np.sum(np.abs(smooth) ** 2, axis=1)
    along = np.einsum("clu,cl->cu", tried.shape.conj(), y)
    amplitude = np.einsum("cuv,cv->cu", tried.inverse, along)
    rest = total - np.sum(amplitude.conj() * along, axis=1).real
    size = np.linalg.norm(amplitude, axis=1)
    turned = amplitude / np.maximum(size, 1e-300)[:, None]
    gain = np.einsum("cu,cuv,cv->c", turned.conj(), tried.inverse, turned).real
    variance = np.maximum(rest, 1e-18 * total) / tried.freedom * gain
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio, relative = size / np.sqrt(variance), size / tried.magnitude_ohm
    counts = (total > 0) & (rest <= (1 - _LEAST_SHARE) * total)
    counts &= (ratio >= _LEAST_RATIO) & (relative >= _LEAST_RELATIVE)
    if not counts.any():
        return None
    best = int(np.argmax(np.where(counts, ratio, 0.0)))
    bump = Bump(*(float(one[best]) for one in (tried.frequency_hz, size, tried.Q, relative, ratio)))
    parts = amplitude[best]
    return bump, complex(*parts) if of_magnitude else complex(parts[0])


def findings(curves: Sequence[FittedCurve]) -> tuple[Finding, ...]:
    """Report the bumps of all takes, one finding for each frequency, the clearest first."""
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
            "which one changes it. A bump that moves with the clamping is not the driver's."
        ),
    )

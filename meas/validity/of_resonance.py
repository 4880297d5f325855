"""How many resonances a curve has, and whether it is the curve of a driver at all."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

# Heights re the coil's own resistance.
_LEAST_RESONANCE = 0.15
_LEAST_SECOND = 0.25
_LEAST_FALL = 0.15
_LOW_EDGE = 0.5
_SIGNIFICANT = 5.0
# Fall of the reactance through a peak of Re Z, per unit of ln f and re the peak's height.
_FALL = 0.5
_FALL_OF_SECOND = 4.0
_SLOPE_REACH = 0.05


def resonances(
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    uncertainty_ohm: FloatArray,
    least_height: float,
) -> list[int]:
    """Indices of the resonances in a curve, strongest first.

    A mechanical resonance is a peak of Re Z: the motional part has its full height there, an
    inductance has no real part, and eddy losses only rise with frequency. A peak counts when it
    stands ``least_height`` times the lowest Re Z above the saddle to any higher peak, and exceeds
    five uncertainties. It must fall by 15 % of its height towards both sides inside the band, else
    the drive stopped short of it.

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
        impedance_ohm: Complex [ohm], shape (n,).
        uncertainty_ohm: Random, per component [ohm], shape (n,).
        least_height: Least prominence re the coil's resistance.
    """
    resistance = impedance_ohm.real
    if resistance.size < 8:
        return []
    resistance = ndimage.median_filter(resistance, 3, mode="nearest")
    base = max(float(np.min(resistance)), 1e-9)
    # Of equal tops, which a median filter makes, the first shall be the higher.
    resistance = resistance - 1e-9 * base * np.arange(resistance.size)
    inner = resistance[1:-1]
    tops = 1 + np.flatnonzero((inner >= resistance[:-2]) & (inner > resistance[2:]))
    found = []
    for top in tops:
        peak = resistance[top]
        left, right = resistance[:top][::-1], resistance[top + 1 :]
        lows = []
        for side in (left, right):
            higher = np.flatnonzero(side > peak)
            reach = side[: higher[0]] if higher.size else side
            lows.append((float(reach.min(initial=peak)), bool(higher.size)))
        # Towards a higher peak the saddle counts; towards the end of the band the fall does.
        saddles = [low for low, climbs in lows if climbs]
        saddle = max(saddles) if saddles else min(low for low, _ in lows)
        height = peak - saddle
        falls = min(peak - low for low, _ in lows)
        needed = max(least_height * base, _SIGNIFICANT * float(uncertainty_ohm[top]))
        if height > needed and falls > _LEAST_FALL * height:
            found.append((height, int(top)))
    return [top for _, top in sorted(found, reverse=True)]


def resonance(
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    uncertainty_ohm: FloatArray,
    series_resistor_ohm: float,
) -> tuple[tuple[Finding, ...], float | None]:
    """Demand exactly one resonance, on the side of the divider that the rig says.

    Criterion: one peak of Re Z of at least 0.15 of its lowest value (a driver with Qms/Qes of 0.3
    has 0.3; below 0.15 nothing tells it from a panel or a rim), see `resonances`. A second one
    through which the reactance falls steeply is a box from 0.25 on; healthy surrounds and cones
    make bumps of a few per cent, a vented box two peaks of the size of Re and more.

    When the resistor is really on the other side than the rig says, the curve comes out as
    R^2/Z: a dip where the peak should be, between high ends. So where the curve is high at its low
    end and R^2/Z has a resonance and is low there, the wiring is named instead.

    Returns:
        Findings, and the frequency of the resonance [Hz] if there is one.
    """
    inverse = series_resistor_ohm**2 / impedance_ohm
    inverse_uncertainty = uncertainty_ohm * np.abs(inverse / impedance_ohm)
    tops = resonances(frequency_hz, impedance_ohm, uncertainty_ohm, _LEAST_RESONANCE)
    mirrored = resonances(frequency_hz, inverse, inverse_uncertainty, _LEAST_RESONANCE)
    if mirrored and _low_below(inverse.real, min(mirrored)):
        dip = min(mirrored)
        if not any(_low_below(impedance_ohm.real, top) for top in tops):
            return (
                Finding(
                    "wrong-resistor-side",
                    f"The impedance dips at {frequency_hz[dip]:.0f} Hz where a driver has its "
                    "peak: the resistor is on the other side of the driver than the rig says",
                    refuses=True,
                    next_step="Correct resistor_side in the rig file or the wiring",
                ),
            ), None
    if not tops:
        low, high = float(frequency_hz[0]), float(frequency_hz[-1])
        return (
            Finding(
                "no-resonance",
                f"There is no resonance between {low:.0f} Hz and {high:.0f} Hz: this is no free "
                "driver, its cone or coil is blocked, or the drive stops short of the resonance",
                refuses=True,
                next_step=(
                    "Check what is connected; widen the sweep; a passive part or a driver in its "
                    "box is measured with --kind part or --kind system"
                ),
            ),
        ), None
    first = next((top for top in tops if _falls(frequency_hz, impedance_ohm, top) > _FALL), tops[0])
    second = [
        top
        for top in resonances(frequency_hz, impedance_ohm, uncertainty_ohm, _LEAST_SECOND)
        if top != first and _falls(frequency_hz, impedance_ohm, top) > _FALL_OF_SECOND
    ]
    if second:
        places = " and ".join(f"{f:.0f} Hz" for f in sorted(frequency_hz[[first, second[0]]]))
        return (
            Finding(
                "two-resonances",
                f"There are resonances at {places}: a driver in a vented box, or touching "
                "something that resonates",
                refuses=True,
                next_step="Measure it in free air, or say --kind system",
            ),
        ), float(frequency_hz[first])
    return (), float(frequency_hz[first])


def first_resonance(
    frequency_hz: FloatArray, impedance_ohm: ComplexArray, uncertainty_ohm: FloatArray
) -> int | None:
    """Index of the strongest peak of Re Z through which the reactance falls as in a driver's."""
    tops = resonances(frequency_hz, impedance_ohm, uncertainty_ohm, _LEAST_RESONANCE)
    return next((t for t in tops if _falls(frequency_hz, impedance_ohm, t) > _FALL), None)


def _falls(frequency_hz: FloatArray, impedance_ohm: ComplexArray, top: int) -> float:
    """How fast the reactance falls through a peak of Re Z, per unit of ln f, re its height.

    Res/(1 + j Q (x - 1/x)) falls by 2 Q Res per unit of ln f at its peak, which is Res high; the
    coil's reactance rises meanwhile. So even a driver with Qms of 0.5 passes 0.5, and the two
    resonances of a box, with Q above 2, pass 4. Humps do not: two inputs that differ by e, or by
    a delay of a frame, add e Z^2/R. That bends the real part of an inductive coil at several
    kilohertz with a fall of -3 to 3.
    """
    near = np.abs(np.log(frequency_hz / frequency_hz[top])) <= _SLOPE_REACH
    near[max(top - 2, 0) : top + 3] = True
    x, reactance = np.log(frequency_hz[near]), impedance_ohm.imag[near]
    slope = float(np.polyfit(x - x.mean(), reactance, 1)[0])
    left, right = impedance_ohm.real[:top], impedance_ohm.real[top:]
    height = impedance_ohm.real[top] - max(left.min(), right.min())
    return -slope / max(float(height), 1e-9)


def _low_below(resistance: FloatArray, top: int) -> bool:
    """Whether the low end of the band lies low against the peak, as a driver's does."""
    base = float(np.min(resistance))
    return bool(resistance[0] < base + _LOW_EDGE * (resistance[top] - base))

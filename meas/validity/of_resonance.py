"""Number of resonances of a curve, and whether it is the curve of a driver at all."""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy import ndimage

from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

# Heights re the coil's own resistance.
_LEAST_RESONANCE = 0.15
_LEAST_SECOND = 0.25
_LEAST_FALL = 0.15
_SIGNIFICANT = 5.0
# Fall of the reactance through a peak of Re Z, per unit of ln f and re the peak's height.
_FALL = 0.5
_FALL_OF_SECOND = 4.0
_SLOPE_REACH = 0.05
_THIRD = 2 ** (1 / 3)
_TAIL = 0.03
_GROWS = 1.03
_WOOFER_SWEEP_HZ = 300.0  # what starts higher was not meant for a woofer
_LOW_HZ = 12.0  # what starts lower was meant for a woofer, and for one with a mass on it
_TWEETER_SWEEP_HZ = 1000.0  # what ends lower was not meant for a tweeter
BASS_HZ = 4000.0  # no moving coil resonates higher (common practice, no source)


def resonances(
    impedance_ohm: ComplexArray, uncertainty_ohm: FloatArray, least_height: float
) -> list[int]:
    """Indices of the resonances in a curve, strongest first.

    A mechanical resonance is a peak of Re Z: the motional part has its full height there, an
    inductance has no real part, and eddy losses only rise with frequency. A peak counts when it
    stands ``least_height`` times the lowest Re Z above the saddle to any higher peak, and exceeds
    five uncertainties. It must fall by 15 % of its height towards both sides inside the band, else
    the drive stopped short of it.

    Args:
        impedance_ohm: Complex, frequencies increasing [ohm], shape (n,).
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
    turned: float = 0.0,
) -> tuple[tuple[Finding, ...], float | None]:
    """Demand exactly one resonance inside the band.

    Criterion: one peak of Re Z of at least 0.15 of its lowest value (a driver with Qms/Qes of 0.3
    has 0.3; below 0.15 nothing tells it from a panel or a rim), see `resonances`. A second one
    through which the reactance falls steeply is a box from 0.25 on; healthy surrounds and cones
    make bumps of a few per cent, a vented box two peaks of the size of Re and more.

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
        impedance_ohm: Complex [ohm], shape (n,).
        uncertainty_ohm: Random, per component [ohm], shape (n,).
        turned: As of `outside`.

    Returns:
        Findings, and the frequency of the resonance [Hz] if there is one.
    """
    # Higher up there are humps of inputs that nobody compared, and no resonance of a driver.
    f, z, u = frequency_hz, impedance_ohm, uncertainty_ohm
    tops = [top for top in resonances(z, u, _LEAST_RESONANCE) if f[top] < BASS_HZ]
    place = outside(frequency_hz, impedance_ohm, turned)
    if not tops or place == "below":
        return (_no_resonance(frequency_hz, place),), None
    first = next((top for top in tops if _falls(f, z, top) > _FALL), tops[0])
    second = [
        top
        for top in resonances(z, u, _LEAST_SECOND)
        if top != first and f[top] < BASS_HZ and _falls(f, z, top) > _FALL_OF_SECOND
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


def outside(
    frequency_hz: FloatArray, impedance_ohm: ComplexArray, turned: float = 0.0
) -> Literal["below", "above"] | None:
    """Tell whether the resonance lies below or above the band, as its ends tell.

    Below its resonance the cone is an inductance, above it a capacitance, which a coil never is:
    a reactance of less than -3 % of |Z| at the low end is the tail of a resonance further down.
    The inductance of the cone grows with frequency up to the resonance, where that of a coil only
    falls (eddy currents). Where losses hide that, the resistance grows by more per unit of ln f
    than the reactance: of sR/(s + p), and so of any network of resistors and inductors, it grows by
    2 w p/(w^2 + p^2) times the reactance at the most (inputs must be compared to tell).

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
        impedance_ohm: Complex [ohm], shape (n,).
        turned: Share of |Z| by which inputs that nobody compared may turn it at the low end.
    """
    f, X = frequency_hz, impedance_ohm.imag
    start, end = (int(np.searchsorted(f, at)) for at in (f[0] * _THIRD, f[-1] / _THIRD**3))
    if float(np.median(X[: start + 1] / np.abs(impedance_ohm[: start + 1]))) < -_TAIL - turned:
        return "below"
    if f[-1] > BASS_HZ:
        return None
    R = impedance_ohm.real
    grown = float(X[-1] / f[-1]) > _GROWS * float(X[end] / f[end])
    climbs = R[-1] > R[end]
    if turned == 0.0:
        of_coil = float(np.trapezoid(X[end:], np.log(f[end:])))
        grown = grown or float(R[-1] - R[end]) > max(_GROWS * of_coil, _TAIL * float(R[end]))
    return "above" if bool(climbs) and grown and bool(np.all(X[end:] > 0)) else None


def _no_resonance(frequency_hz: FloatArray, place: str | None) -> Finding:
    low, high = float(frequency_hz[0]), float(frequency_hz[-1])
    nothing = f"There is no resonance between {low:.0f} Hz and {high:.0f} Hz: "
    if place is None:
        text = "this is no free driver, or its cone or coil is blocked"
        if low > _WOOFER_SWEEP_HZ or high < _TWEETER_SWEEP_HZ:
            text = f"it lies {'below' if low > _WOOFER_SWEEP_HZ else 'above'} the sweep, or {text}"
        step = (
            "Check what is connected; a passive part or a driver in its box is measured with "
            "--kind part or --kind system"
        )
    else:
        start = low / 2 if low <= _LOW_HZ else 10.0 if low < _WOOFER_SWEEP_HZ else low / 5
        hz = float(f"{5 * high if place == 'above' else start:.2g}")
        text = f"it lies {place} the sweep, where |Z| still rises"
        name = "stop" if place == "above" else "start"
        step = f"Set {name}_hz in the rig file to about {hz:g} Hz (rig new --{name} {hz:g}Hz)"
        if place == "below" and low <= _LOW_HZ:
            step = f"If a mass is on the cone, use a smaller one. {step}"
    return Finding("no-resonance", nothing + text, refuses=True, next_step=step)


def poles(
    frequency_hz: FloatArray, impedance_ohm: ComplexArray, uncertainty_ohm: FloatArray
) -> tuple[float, float] | None:
    """Frequency [Hz] and Q of the pair of poles of the first resonance in the bass.

    It is the strongest peak of Re Z through which the reactance falls as in a driver's. A rational
    function by linear least squares (E. C. Levy, IRE Trans. Autom. Control 4, 1959, 37), weighted
    anew by its denominator (C. Sanathanan, J. Koerner, ibid. 8, 1963, 56).
    """
    bass = frequency_hz < BASS_HZ
    f, z = frequency_hz[bass], impedance_ohm[bass]
    tops = resonances(z, uncertainty_ohm[bass], _LEAST_RESONANCE)
    top = next((t for t in tops if _falls(f, z, t) > _FALL), None)
    if top is None:
        return None
    near = (f > f[top] / 1.8) & (f < 1.8 * f[top])
    s, y = 1j * f[near] / f[top], z[near]
    weight: FloatArray = 1 / np.abs(y)
    found: FloatArray = np.zeros(6)
    for _ in range(4):
        columns = np.stack([s**0, s, s**2, s**3, -y * s, -y * s * s], axis=1)
        solved = np.linalg.lstsq(parts(columns, weight), parts(y, weight), rcond=None)[0]
        found = np.asarray(solved, dtype=np.float64)
        denominator = 1 + found[4] * s + found[5] * s * s
        weight = np.asarray(1 / np.abs(y * denominator), dtype=np.float64)
    first, second = found[4:]
    if not (first > 0 and 0.5 < second < 2):
        return float(f[top]), 3.0
    return float(f[top] / np.sqrt(second)), float(np.clip(np.sqrt(second) / first, 0.3, 50))


def parts(values: ComplexArray, weight: FloatArray) -> FloatArray:
    """Real and imaginary parts below each other, each row weighed."""
    weighed = (values.T * weight).T
    return np.concatenate([weighed.real, weighed.imag])


def _falls(frequency_hz: FloatArray, impedance_ohm: ComplexArray, top: int) -> float:
    """Fall of the reactance through a peak of Re Z, per unit of ln f, re its height.

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

"""Kind of a measured part by its phase, checked against what it is said to be."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from fit.driver.elements.quantity import rounded
from meas.curve import Curve, FloatArray, ImpedanceCurve, Systematic
from meas.errors import Finding, Refused

_SHORTED_OHM = 0.005
_OPEN_OHM = 1e6
"""What stands for a short and for an open circuit in a table that does not state its bench."""
_TURN_DEG = 45.0
_SURE = 2.0

_SEEN = {
    "inductor": "an inductor (its phase reaches {most:+.0f} degrees)",
    "capacitor": "a capacitor (its phase reaches {least:+.0f} degrees)",
    "resistor": "a resistor (its phase stays within {least:+.0f} and {most:+.0f} degrees)",
}


def refuse_open_or_shorted(curve: Curve, errors: tuple[Systematic, ...]) -> None:
    """Refuse a curve that shows no part at all.

    Raises:
        Refused: ``open-part shorted-part``.
    """
    size = curve.magnitude_ohm
    spread = _total(curve, errors)
    if np.all(size < np.maximum(_SHORTED_OHM, _SURE * spread)) and np.median(size) < 1.0:
        raise Refused.because(
            "shorted-part",
            f"|Z| is {np.median(size) * 1000:.2g} mohm in the middle, no more than clips and "
            "leads: the part is shorted, or the clips touch each other",
        )
    lost = np.all(size < _SURE * spread) and np.median(size) > 1000.0
    if lost or np.all(size > _OPEN_OHM):
        raise Refused.because(
            "open-part",
            f"|Z| is {np.median(size):.3g} ohm in the middle, as much as nothing at all: the part "
            "is broken or a clip has come off",
        )


def linear_points(curve: Curve, errors: tuple[Systematic, ...], limit: float) -> NDArray[np.bool_]:
    """Find the points where the bench's errors, re |Z|, stay within a limit."""
    spread = np.sqrt(_sum_of_squares(np.abs(error.derivative_ohm) for error in errors))
    return np.asarray(spread < limit * curve.magnitude_ohm)


def refuse_other_kind(curve: Curve, errors: tuple[Systematic, ...], kind: str) -> None:
    """Refuse a curve that shows something else.

    A point counts as inductive or capacitive when its phase is beyond 45 degrees by more than
    two standard uncertainties, the bench's common errors included.

    Raises:
        Refused: ``wrong-kind resonates unresolved-part``.
    """
    size = curve.magnitude_ohm
    if not isinstance(curve, ImpedanceCurve):
        _by_slope(curve.frequency_hz, size, kind)
        return
    phase = np.degrees(np.angle(curve.impedance_ohm))
    reach = _SURE * np.degrees(_phase_spread(curve, errors))
    inductive, capacitive = phase - reach > _TURN_DEG, phase + reach < -_TURN_DEG
    resistive = np.abs(phase) + reach < _TURN_DEG
    clear = inductive | capacitive | resistive
    if not clear.any():
        _by_slope(curve.frequency_hz, size, kind)
        return
    if inductive.any() and capacitive.any() and not _harmless(inductive, capacitive, size, kind):
        raise _resonates(curve.frequency_hz, inductive, capacitive)
    seen = _seen(inductive, capacitive, kind)
    if seen == kind:
        return
    least, most = float(np.min(phase[clear])), float(np.max(phase[clear]))
    raise _other(kind, seen, _SEEN[seen].format(least=least, most=most))


def _seen(inductive: NDArray[np.bool_], capacitive: NDArray[np.bool_], kind: str) -> str:
    if inductive.any() and capacitive.any():
        return kind
    if inductive.any():
        return "inductor"
    return "capacitor" if capacitive.any() else "resistor"


def _harmless(
    inductive: NDArray[np.bool_], capacitive: NDArray[np.bool_], size: FloatArray, kind: str
) -> bool:
    """A capacitor whose leads take over where next to nothing is left of its impedance."""
    above = int(np.flatnonzero(inductive)[0]) > int(np.flatnonzero(capacitive)[-1])
    small = float(np.max(size[inductive])) < 0.02 * float(np.max(size))
    return kind == "capacitor" and above and small


def _by_slope(frequency_hz: FloatArray, size: FloatArray, kind: str) -> None:
    """Judge a curve without phase by the power of frequency that |Z| follows."""
    slope = float(np.log(size[-1] / size[0]) / np.log(frequency_hz[-1] / frequency_hz[0]))
    seen = "inductor" if slope > 0.3 else "capacitor" if slope < -0.3 else "resistor"
    if seen != kind:
        text = (
            f"{'an' if seen == 'inductor' else 'a'} {seen} (|Z| goes as frequency to {slope:.2f})"
        )
        raise _other(kind, seen, text)


def _total(curve: Curve, errors: tuple[Systematic, ...]) -> FloatArray:
    """Standard uncertainty of |Z| [ohm] at each point, common errors included, shape (n,)."""
    noise = _noise(curve)
    return np.sqrt(noise**2 + _sum_of_squares(np.abs(e.derivative_ohm) for e in errors))


def _phase_spread(curve: ImpedanceCurve, errors: tuple[Systematic, ...]) -> FloatArray:
    """Standard uncertainty of the phase [rad] at each point, common errors included."""
    z = curve.impedance_ohm
    noise = _noise(curve) / np.abs(z)
    return np.sqrt(noise**2 + _sum_of_squares(np.imag(e.derivative_ohm / z) for e in errors))


def _noise(curve: Curve) -> FloatArray:
    stated = curve.standard_uncertainty_ohm
    return np.zeros(curve.frequency_hz.size) if stated is None else stated


def _sum_of_squares(effects: Iterable[FloatArray]) -> FloatArray:
    return np.asarray(sum((effect**2 for effect in effects), np.float64(0.0)))


UNRESOLVED = Finding(
    "unresolved-part",
    "nowhere in the band can this bench tell the phase well enough to know what the part is",
    refuses=True,
    next_step="Calibrate the inputs, or take a series resistor nearer to the part's impedance",
)


def _other(kind: str, seen: str, words: str) -> Refused:
    article = "an" if kind == "inductor" else "a"
    return Refused.because(
        "wrong-kind",
        f"this is not {article} {kind} but looks like {words}. If the right part was measured, "
        f"say: freeair part {seen}",
    )


def _resonates(
    frequency_hz: FloatArray, inductive: NDArray[np.bool_], capacitive: NDArray[np.bool_]
) -> Refused:
    first, last = np.flatnonzero(inductive)[0], np.flatnonzero(capacitive)[-1]
    at = float(np.sqrt(frequency_hz[first] * frequency_hz[last]))
    return Refused.because(
        "resonates",
        f"the phase turns from one side to the other near {rounded(at)} Hz: this is a driver, a "
        "network, or a part beyond its self-resonance, not one plain part",
    )

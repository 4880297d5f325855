"""Checks that a capture shows the standard that it is said to be."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meas.bench.rig import Calibration, Rig, Standard, StandardKind
from meas.correction.error_model import know, solve
from meas.correction.standard_points import next_to_nothing, phase
from meas.correction.systematics import bench_systematics
from meas.curve import ComplexArray, FloatArray
from meas.errors import Refused

_LOWEST_GAIN, _HIGHEST_GAIN = 0.5, 2.0
_DEAD_GAIN = 0.01
# Two inputs of one device differ by a gain, a delay and the corners of their coupling and
# anti-alias filters. What those leave is below 0.1 % for any card (common practice, no source);
# the resonance of a driver leaves per cents.
_LARGEST_ROUGHNESS = 0.01
_ROUGHNESS_TERMS = 8
_ROUGHNESS_ABOVE_HZ = 10.0  # below, coupling capacitors may do anything
_LARGEST_UNCERTAINTY = 1e-3
# What may be called a short (a metre of thin lead has a tenth of an ohm and a microhenry), and
# from where on an end is open, against the series resistor.
_LARGEST_SHORT_OHM = 0.3
_LEAST_OPEN = 20.0
# Where resistors are compared: coupling capacitors and inductance are far away.
_COMPARED_HZ = (100.0, 2000.0)
# Coverage factor: agreement is doubted beyond three standard uncertainties.
_COVERAGE = 3.0


def check_kind(
    kind: StandardKind, rig: Rig, frequency: FloatArray, ratio: ComplexArray, variance: FloatArray
) -> None:
    """Make sure that a ratio looks like the standard it is said to be of, by itself.

    Args:
        frequency: Frequencies [Hz], shape (n,).
        ratio: Driver input over source input, complex, shape (n,).
        variance: Variance of its real and imaginary part each, shape (n,).

    Raises:
        Refused: If it does not.
    """
    hot = rig.wiring.resistor_side == "hot"
    if kind == "same-node":
        _check_common_node(frequency, ratio, variance, "the two inputs are not on one node")
    elif kind == ("open" if hot else "short"):
        _check_common_node(frequency, ratio, variance, f"the driver's place is no {kind} end")
    elif kind == ("short" if hot else "open"):
        size = float(np.median(np.abs(ratio)))
        refuse_unless(
            next_to_nothing(ratio),
            f"not-{kind}",
            f"the driver input reads {size:.2g} times the source input where it should read next "
            f"to nothing: {_NOT[kind]}",
        )
    else:
        _check_quiet(ratio, variance)
        rough, at_hz = _roughness(frequency, ratio, variance)
        refuse_unless(
            rough < _LARGEST_ROUGHNESS,
            "not-resistor",
            f"what is in the driver's place has a bump of {100 * rough:.1f} % at {at_hz:.4g} Hz, "
            "which no resistor has; a driver seems to be there",
            next_step="Put the known resistor in its place and repeat the capture",
        )


_NOT = {
    "short": "there is no short in the driver's place. Bridge it with a thick, short wire and "
    "repeat the capture",
    "open": "something is connected in the driver's place. Take it off and repeat the capture",
}


def check_ends(calibration: Calibration, rig: Rig) -> None:
    """Make sure that open and short are what they are called, by all that is known.

    Raises:
        Refused: If something is connected at the open end, or the short is none.
    """
    R = rig.wiring.series_resistor_ohm or 0.0
    for kind in ("open", "short"):
        standard = calibration.find(kind)
        if standard is None:
            continue
        others = tuple(one for one in calibration.standards if one.kind == "same-node")
        base = Calibration(standards=others) if others else None
        known = know(standard.frequency_hz, rig, base, standard.sample_rate_hz)
        middle = _compared(standard.frequency_hz)
        model = solve(known)
        above = (model.scale_ohm * (standard.ratio - model.short))[middle]
        below = (model.open - standard.ratio)[middle]
        # Unknown channels may pretend a load; what they can do is no reason to refuse.
        slack = 0.0 if others else 2 * rig.assumptions.mismatch_percent / 100.0
        if kind == "short":
            limit = _LARGEST_SHORT_OHM + slack * R * (rig.wiring.resistor_side == "ground")
            ohm = float(np.median(np.abs(above / below)))
            good, seen = ohm < limit, f"reads {ohm:.3g} ohm"
        else:
            limit = 1 / _LEAST_OPEN + slack * (rig.wiring.resistor_side == "hot")
            part = float(np.median(np.abs(below / above))) * R
            good, seen = part < limit, f"draws {100 * part:.2g} % of a short's current"
        refuse_unless(
            good,
            f"not-{kind}",
            f"the {kind} standard {seen}: {_NOT[kind]}. If it is right, measure the common node "
            "first (--standard same-node), which tells a load from unlike inputs",
        )


def check_resistors(calibration: Calibration, rig: Rig, newest: Standard) -> None:
    """Compare every known resistor with what all other knowledge makes of it, the newest first.

    Raises:
        Refused: If one differs by more than the tolerances and the bench explain.
    """
    ends = tuple(one for one in calibration.standards if one.kind != "resistor")
    newest_first = sorted(calibration.resistors, key=lambda one: one is not newest)
    for standard in newest_first:
        others = tuple(one for one in calibration.resistors if one is not standard)
        bases = [ends, *((*ends, other) for other in others)]
        for base in bases:
            _compare_resistor(standard, base, rig, newest)


def _compare_resistor(
    standard: Standard, base: tuple[Standard, ...], rig: Rig, newest: Standard
) -> None:
    frequency = standard.frequency_hz
    calibration = Calibration(standards=base) if base else None
    known = know(frequency, rig, calibration, standard.sample_rate_hz)
    apparent = solve(known).impedance(standard.ratio)
    inside = _compared(frequency) & np.isfinite(apparent)
    if not inside.any():
        return
    nominal = standard.resistance_ohm or 0.0
    read = float(np.mean(apparent[inside].real))
    # The mean of three octaves has no noise to speak of; common errors are what it has.
    common = bench_systematics(
        frequency[inside],
        apparent[inside],
        rig,
        calibration=calibration,
        sample_rate_hz=standard.sample_rate_hz,
    )
    spread = sum(float(np.mean(one.derivative_ohm.real)) ** 2 for one in common)
    own = nominal * (standard.tolerance_percent or 0.0) / 100.0 / np.sqrt(3.0)
    limit = _COVERAGE * float(np.sqrt(spread + own**2))
    against = next((one.words for one in base if one.kind == "resistor"), None)
    against = against or f"the series resistor of {rig.wiring.series_resistor_ohm:g} ohm"
    refuse_unless(
        abs(read - nominal) <= limit,
        "standard-disagrees",
        f"measured against {against}, the known resistor of {nominal:g} ohm reads {read:.4g} ohm "
        f"({100 * (read / nominal - 1):+.2g} %), more than the {100 * limit / nominal:.2g} % that "
        "their tolerances and the bench explain. One of them is not what it is said to be, or a "
        "contact is bad: measure both with a meter, correct the rig file or the value given, and "
        f"repeat. Not stored: {newest.words}",
    )


def _compared(frequency_hz: FloatArray) -> NDArray[np.bool_]:
    inside = (frequency_hz >= _COMPARED_HZ[0]) & (frequency_hz <= _COMPARED_HZ[1])
    return inside if inside.any() else np.ones(frequency_hz.shape, dtype=np.bool_)


def _check_common_node(
    frequency: FloatArray, ratio: ComplexArray, variance: FloatArray, otherwise: str
) -> None:
    """Make sure that both inputs see one voltage."""
    remedy = f"{otherwise[0].upper()}{otherwise[1:]}: connect it as the picture shows and repeat"
    _check_quiet(ratio, variance)
    size = np.abs(ratio)
    worst = int(np.argmax(np.abs(np.log(size))))
    refuse_unless(
        _LOWEST_GAIN < size[worst] < _HIGHEST_GAIN,
        "not-same-node",
        f"the driver input reads {size[worst]:.3g} times the source input at "
        f"{frequency[worst]:.4g} Hz, where both should read one voltage. {remedy}",
    )
    rough, at_hz = _roughness(frequency, ratio, variance)
    refuse_unless(
        rough < _LARGEST_ROUGHNESS,
        "not-same-node",
        f"the two inputs differ by a bump of {100 * rough:.1f} % at {at_hz:.4g} Hz that two "
        f"inputs on one voltage cannot show; a driver seems to be in between. {remedy}",
    )


def _check_quiet(ratio: ComplexArray, variance: FloatArray) -> None:
    size = np.abs(ratio)
    refuse_unless(
        float(np.median(size)) > _DEAD_GAIN,
        "silent-input",
        "the driver input hears nothing of what the source input hears",
        next_step="Check its cable, and connect it as the picture shows",
    )
    refuse_unless(
        float(np.median(np.sqrt(variance) / size)) < _LARGEST_UNCERTAINTY,
        "faint",
        "the calibration capture is so noisy that it would add more error than it removes",
        next_step="Raise the level or the input gain",
    )


def _roughness(
    frequency: FloatArray, ratio: ComplexArray, variance: FloatArray
) -> tuple[float, float]:
    """Largest relative deviation from what two like inputs can differ by, and where [Hz].

    log K is fitted with a gain, a delay and the expansion of corners below and above the band:
    log(1 - j a/f) has imaginary terms a/f, (a/f)^3 and real terms (a/f)^2, (a/f)^4.
    """
    above = frequency >= _ROUGHNESS_ABOVE_HZ
    if np.count_nonzero(above) <= _ROUGHNESS_TERMS:
        return 0.0, float(frequency[0])
    frequency, ratio, variance = frequency[above], ratio[above], variance[above]
    low, high = frequency[0] / frequency, frequency / frequency[-1]
    zero = np.zeros_like(frequency)
    real = [np.ones_like(frequency), low**2, low**4, high**2, *[zero] * 4]
    imaginary = [*[zero] * 4, high, high**3, low, low**3]
    design = np.concatenate([np.stack(real, 1), np.stack(imaginary, 1)])
    log_ratio = np.log(np.abs(ratio)) + 1j * phase(frequency, ratio)
    spread = np.sqrt(variance) / np.abs(ratio)
    weight = np.tile(1.0 / np.hypot(spread, 1e-3), 2)
    data = np.concatenate([log_ratio.real, log_ratio.imag])
    beta = np.linalg.lstsq(design * weight[:, None], data * weight, rcond=None)[0]
    rest = data - design @ beta
    deviation = np.hypot(rest[: frequency.size], rest[frequency.size :])
    # Deviations that noise explains are no bumps.
    deviation = np.maximum(0.0, deviation - 5.0 * spread)
    worst = int(np.argmax(deviation))
    return float(deviation[worst]), float(frequency[worst])


def refusal(code: str, what: str, next_step: str = "") -> Refused:
    """A refusal of a calibration capture."""
    return Refused.because(code, what, next_step=next_step, where="calibration")


def refuse_unless(good: bool, code: str, what: str, next_step: str = "") -> None:
    """Refuse a calibration capture unless something holds."""
    if not good:
        raise refusal(code, what, next_step)

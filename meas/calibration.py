"""Standards on the bench: measured, made sure of, and matched to what they are to correct.

A standard is something known in the driver's place: nothing, a short, a resistor, or the driver
input moved to the source node. `meas.error_model` turns the standards into a correction.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from meas.curve import ComplexArray, FloatArray
from meas.error_model import know, solve
from meas.errors import Finding, Refused, UnreadableInput, UsageError
from meas.passes import find_passes
from meas.rig import Calibration, Rig, Standard, StandardKind
from meas.standard_points import next_to_nothing, phase, thinned
from meas.systematics import bench_systematics
from meas.transfer import estimate

_LOWEST_GAIN, _HIGHEST_GAIN = 0.5, 2.0
_DEAD_GAIN = 0.01
# Two inputs of one device differ by a gain, a delay and the corners of their coupling and
# anti-alias filters. What those leave is below 0.1 % for any card (common practice, no source);
# the resonance of a driver leaves per cents.
_LARGEST_ROUGHNESS = 0.01
_ROUGHNESS_TERMS = 8
_ROUGHNESS_ABOVE_HZ = 10.0  # below, coupling capacitors may do anything
_LARGEST_UNCERTAINTY = 1e-3
_FULL_SCALE = 0.9999
# What may be called a short (a metre of thin lead has a tenth of an ohm and a microhenry), and
# from where on an end is open, against the series resistor.
_LARGEST_SHORT_OHM = 0.3
_LEAST_OPEN = 20.0
# Where resistors are compared: coupling capacitors and inductance are far away.
_COMPARED_HZ = (100.0, 2000.0)
# Coverage factor: agreement is doubted beyond three standard uncertainties.
_COVERAGE = 3.0


@dataclass(frozen=True)
class What:
    """What a capture is said to be of.

    Attributes:
        kind: The standard.
        resistance_ohm: Of a known resistor; None for the others.
        tolerance_percent: Its limits.
        inductance_limit_h: Limits of its inductance around none [H].
    """

    kind: StandardKind = "same-node"
    resistance_ohm: float | None = None
    tolerance_percent: float | None = None
    inductance_limit_h: float | None = None


def measure(
    samples: NDArray[np.float32],
    sample_rate_hz: int,
    rig: Rig,
    device: str,
    taken_at: str,
    what: What | None = None,
) -> Standard:
    """Measure a standard from a capture.

    Args:
        samples: Source input and driver input, shape (n, 2): our own sweep or any other
            broadband excitation.
        sample_rate_hz: Rate [Hz].
        rig: Whose inputs were used.
        device: Sound device as the rig names it; ``default`` when it names none.
        taken_at: ISO 8601 with offset.
        what: The standard; None for both inputs on the source node.

    Returns:
        The standard, at most 200 points.

    Raises:
        UnreadableInput: If a sample is not finite.
        Refused: If the capture is clipped, holds no signal, or is not one of that standard.
    """
    what = What() if what is None else what
    if not np.all(np.isfinite(samples)):
        raise UnreadableInput(
            "the capture holds values that are not numbers",
            where="calibration",
            remedy="Record it again",
        )
    _refuse_unless(
        int(np.count_nonzero(np.abs(samples) >= _FULL_SCALE)) < 2,
        "clipped",
        "an input reaches full scale in the calibration capture. Lower the level or the input "
        "gain and repeat it",
    )
    transfer = estimate(samples, sample_rate_hz, find_passes(samples, sample_rate_hz))
    if transfer is None:
        raise _refusal(
            "silent-input",
            "the calibration capture holds no signal that the source input hears well. Connect "
            "the inputs as the picture shows and play the sweep",
        )
    frequency, ratio, variance = thinned(transfer)
    _check_kind(what.kind, rig, frequency, ratio, variance)
    rows = zip(frequency, ratio.real, ratio.imag, np.sqrt(variance), strict=True)
    wiring = rig.wiring
    return Standard(
        kind=what.kind,
        resistance_ohm=what.resistance_ohm,
        tolerance_percent=what.tolerance_percent,
        inductance_limit_h=what.inductance_limit_h,
        taken_at=taken_at,
        sample_rate_hz=sample_rate_hz,
        device=device,
        source_input=wiring.source_input,
        driver_input=wiring.driver_input,
        series_resistor_ohm=wiring.series_resistor_ohm,
        resistor_side=wiring.resistor_side,
        points=tuple((float(a), float(b), float(c), float(d)) for a, b, c, d in rows),
    )


def join(rig: Rig, standard: Standard) -> tuple[Calibration, tuple[Standard, ...]]:
    """The calibration of a rig with one more standard, after making sure that all agree.

    Args:
        rig: The bench, with the standards measured before.
        standard: The new one.

    Returns:
        The calibration, and those earlier standards that belong to a bench that is no more
        (another rate, device, resistor, pair of inputs) and were left out.

    Raises:
        Refused: If the standards contradict each other or the series resistor that the rig states.
    """
    earlier = () if rig.calibration is None else rig.calibration.standards
    fit = tuple(one for one in earlier if not _differences(one, rig, standard.sample_rate_hz))
    left = tuple(one for one in earlier if one not in fit)
    base = Calibration(standards=fit) if fit else None
    joined = Calibration(standards=(standard,)) if base is None else base.with_standard(standard)
    if rig.wiring.series_resistor_ohm is not None:
        _check_ends(joined, rig)
        _check_resistors(joined, rig, standard)
    return joined, left


def check_matches(calibration: Calibration, rig: Rig, sample_rate_hz: int) -> None:
    """Make sure that a calibration belongs to the capture it is to correct.

    Args:
        calibration: The calibration.
        rig: The bench of the capture.
        sample_rate_hz: Rate of the capture [Hz].

    Raises:
        UsageError: If rate, inputs, device or, where it matters, the series resistor differ.
    """
    for standard in calibration.standards:
        for difference in _differences(standard, rig, sample_rate_hz):
            raise UsageError(
                f"the calibration ({standard.words}) {difference}",
                where="calibration",
                remedy="Calibrate again the way you measure (freeair rig calibrate), or measure "
                "the way you calibrated",
            )


def age(calibration: Calibration, rig: Rig, now: str) -> Finding | None:
    """A caution when the oldest standard is older than the rig trusts.

    Args:
        calibration: The calibration.
        rig: The bench, which states for how many days a calibration is trusted.
        now: Time of the capture, ISO 8601 with offset.

    Returns:
        The caution; None when the calibration is recent, or one of the times cannot be read.
    """
    oldest = min(calibration.standards, key=lambda one: one.taken_at)
    try:
        days = (
            datetime.fromisoformat(now) - datetime.fromisoformat(oldest.taken_at)
        ).total_seconds() / 86400.0
    except (ValueError, TypeError):
        return None
    if days <= rig.assumptions.calibration_days:
        return None
    return Finding(
        "old-calibration",
        f"The calibration ({oldest.words}) is {days:.0f} days old, more than the "
        f"{rig.assumptions.calibration_days:g} that this rig trusts one. Contacts, knobs and cards "
        "change: calibrate again, or check the bench on a known resistor (freeair rig check)",
    )


def _differences(standard: Standard, rig: Rig, sample_rate_hz: int) -> list[str]:
    """How the bench of a standard differs from the bench now, in words."""
    wiring, found = rig.wiring, []
    if standard.sample_rate_hz != sample_rate_hz:
        found.append(
            f"was taken at {standard.sample_rate_hz} Hz, the capture at {sample_rate_hz} Hz: "
            "delays between the inputs change with the rate"
        )
    had = (standard.source_input, standard.driver_input)
    has = (wiring.source_input, wiring.driver_input)
    if had != has:
        found.append(
            f"used inputs {had[0]} and {had[1]} as source and driver input, the rig uses {has[0]} "
            f"and {has[1]}"
        )
    device = rig.card.device or "default"
    if standard.device != device:
        found.append(f"was taken on the device '{standard.device}', the rig uses '{device}'")
    if standard.kind == "same-node":  # knows nothing of the resistor
        return found
    if standard.resistor_side not in (None, wiring.resistor_side):
        found.append(
            f"had the series resistor on the {standard.resistor_side} side, the rig has it on the "
            f"{wiring.resistor_side} side"
        )
    if standard.series_resistor_ohm not in (None, wiring.series_resistor_ohm):
        now = wiring.series_resistor_ohm
        found.append(
            f"had a series resistor of {standard.series_resistor_ohm:g} ohm, the rig "
            + ("states none" if now is None else f"has one of {now:g} ohm")
        )
    return found


def _check_kind(
    kind: StandardKind, rig: Rig, frequency: FloatArray, ratio: ComplexArray, variance: FloatArray
) -> None:
    """Make sure that a ratio looks like the standard it is said to be of, by itself."""
    hot = rig.wiring.resistor_side == "hot"
    if kind == "same-node":
        _check_common_node(frequency, ratio, variance, "the two inputs are not on one node")
    elif kind == ("open" if hot else "short"):
        _check_common_node(frequency, ratio, variance, f"the driver's place is no {kind} end")
    elif kind == ("short" if hot else "open"):
        size = float(np.median(np.abs(ratio)))
        _refuse_unless(
            next_to_nothing(ratio),
            f"not-{kind}",
            f"the driver input reads {size:.2g} times the source input where it should read next "
            f"to nothing: {_NOT[kind]}",
        )
    else:
        _check_quiet(ratio, variance)
        rough, at_hz = _roughness(frequency, ratio, variance)
        _refuse_unless(
            rough < _LARGEST_ROUGHNESS,
            "not-resistor",
            f"what is in the driver's place has a bump of {100 * rough:.1f} % at {at_hz:.4g} Hz, "
            "which no resistor has; a driver seems to be there. Put the known resistor in its "
            "place and repeat the capture",
        )


_NOT = {
    "short": "there is no short in the driver's place. Bridge it with a thick, short wire and "
    "repeat the capture",
    "open": "something is connected in the driver's place. Take it off and repeat the capture",
}


def _check_ends(calibration: Calibration, rig: Rig) -> None:
    """Make sure that open and short are what they are called, by all that is known."""
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
        _refuse_unless(
            good,
            f"not-{kind}",
            f"the {kind} standard {seen}: {_NOT[kind]}. If it is right, measure the common node "
            "first (--standard same-node), which tells a load from unlike inputs",
        )


def _check_resistors(calibration: Calibration, rig: Rig, newest: Standard) -> None:
    """Compare every known resistor with what all other knowledge makes of it."""
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
    _refuse_unless(
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
    _refuse_unless(
        _LOWEST_GAIN < size[worst] < _HIGHEST_GAIN,
        "not-same-node",
        f"the driver input reads {size[worst]:.3g} times the source input at "
        f"{frequency[worst]:.4g} Hz, where both should read one voltage. {remedy}",
    )
    rough, at_hz = _roughness(frequency, ratio, variance)
    _refuse_unless(
        rough < _LARGEST_ROUGHNESS,
        "not-same-node",
        f"the two inputs differ by a bump of {100 * rough:.1f} % at {at_hz:.4g} Hz that two "
        f"inputs on one voltage cannot show; a driver seems to be in between. {remedy}",
    )


def _check_quiet(ratio: ComplexArray, variance: FloatArray) -> None:
    size = np.abs(ratio)
    _refuse_unless(
        float(np.median(size)) > _DEAD_GAIN,
        "silent-input",
        "the driver input hears nothing of what the source input hears. Check its cable, and "
        "connect it as the picture shows",
    )
    _refuse_unless(
        float(np.median(np.sqrt(variance) / size)) < _LARGEST_UNCERTAINTY,
        "faint",
        "the calibration capture is so noisy that it would add more error than it removes. Raise "
        "the level or the input gain",
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


def _refusal(code: str, text: str) -> Refused:
    return Refused([Finding(code, text, refuses=True)], where="calibration")


def _refuse_unless(good: bool, code: str, text: str) -> None:
    if not good:
        raise _refusal(code, text)

"""Standards on the bench: measured, made sure of, and matched to what they are to correct.

A standard is something known in the driver's place: nothing, a short, a resistor, or the driver
input moved to the source node. `meas.correction.error_model` turns the standards into a correction.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from meas.bench.rig import Calibration, Rig, Standard, StandardKind
from meas.correction.standard_checks import (
    check_ends,
    check_kind,
    check_resistors,
    refusal,
    refuse_unless,
)
from meas.correction.standard_points import thinned
from meas.curve import TwoInputs
from meas.errors import Finding, UnreadableInput, UsageError
from meas.transfer.from_sweeps import estimate
from meas.transfer.passes import find_passes
from meas.transfer.two_clocks import find_drift

_FULL_SCALE = 0.9999


@dataclass(frozen=True)
class What:
    """Standard that a capture is said to be.

    Attributes:
        resistance_ohm: Resistance of a known resistor [ohm]; None for the other standards.
        tolerance_percent: Its limits.
        inductance_limit_h: Limits of its inductance around none [H].
    """

    kind: StandardKind = "same-node"
    resistance_ohm: float | None = None
    tolerance_percent: float | None = None
    inductance_limit_h: float | None = None


def measure(
    samples: TwoInputs,
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
        device: Sound device as the rig names it; ``default`` when it names none.
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
    refuse_unless(
        int(np.count_nonzero(np.abs(samples) >= _FULL_SCALE)) < 2,
        "clipped",
        "an input reaches full scale in the calibration capture",
        next_step="Lower the level or the input gain and repeat it",
    )
    refuse_unless(
        find_drift(samples, sample_rate_hz) is None,
        "clock-drift",
        "the two inputs ran on two clocks during the calibration capture, so that it tells "
        "nothing about their delay",
        next_step="Take both from one device",
    )
    transfer = estimate(samples, sample_rate_hz, find_passes(samples, sample_rate_hz))
    if transfer is None:
        raise refusal(
            "silent-input",
            "the calibration capture holds no signal that the source input hears well",
            next_step="Connect the inputs as the picture shows and play the sweep",
        )
    frequency, ratio, variance = thinned(transfer)
    check_kind(what.kind, rig, frequency, ratio, variance)
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
        check_ends(joined, rig)
        check_resistors(joined, rig, standard)
    return joined, left


def check_matches(calibration: Calibration, rig: Rig, sample_rate_hz: int) -> None:
    """Make sure that a calibration belongs to the capture it is to correct.

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
    """List in words how the bench of a standard differs from the bench now."""
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

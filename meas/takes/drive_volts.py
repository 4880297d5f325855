"""Volts across the driver, from what the inputs record and one reading of a multimeter."""

from __future__ import annotations

import math

import numpy as np

from meas.bench.rig import Rig
from meas.curve import FloatArray, TwoInputs
from meas.transfer.from_stepped_sine import fit_sine
from meas.transfer.passes import Passes

_LOUD = 0.1


def across_driver(samples: TwoInputs, rig: Rig) -> FloatArray:
    """Compute the voltage across the driver, full scale of an input 1, shape (n,).

    On the hot side the driver input is across the driver; on the ground side the driver has what
    the source has more than the resistor. Inputs are taken as alike.
    """
    second = np.asarray(samples[:, 1], dtype=np.float64)
    if rig.wiring.resistor_side == "hot":
        return second
    return np.asarray(samples[:, 0], dtype=np.float64) - second


def tone_rms(signal: FloatArray, sample_rate_hz: int, frequency_hz: float) -> float:
    """Find the rms of a steady tone in a recording, the ends left out, noise and hum rejected.

    Args:
        signal: A recording with a tone in the middle, shape (n,).
        frequency_hz: Frequency of the tone [Hz].
    """
    loud = np.flatnonzero(np.abs(signal) > _LOUD * np.abs(signal).max(initial=0.0))
    if loud.size < 2:
        return 0.0
    quarter = (loud[-1] - loud[0]) // 4
    part = signal[loud[0] + quarter : loud[-1] - quarter]
    if part.size < 4:
        return 0.0
    phasor, _, _ = fit_sine(part, frequency_hz, sample_rate_hz)
    return abs(phasor) / math.sqrt(2)


def of_take(samples: TwoInputs, passes: Passes, rig: Rig) -> dict[str, float]:
    """Describe the drive of a take, for its record.

    Returns:
        ``driver_volt_rms`` over the excitation and ``driver_volt_peak``, with the limits of both
        in per cent; empty when no multimeter was read or nothing was played.
    """
    volt = rig.card.input_volt_full_scale
    if volt is None or not passes.passes:
        return {}
    signal = across_driver(samples, rig)
    part = np.concatenate([signal[one.start : one.stop] for one in passes.passes])
    if part.size == 0:
        return {}
    part = part - float(np.mean(part))
    return {
        "driver_volt_rms": volt * float(np.sqrt(np.mean(part**2))),
        "driver_volt_peak": volt * float(np.abs(part).max()),
        "driver_volt_limits_percent": rig.card.input_volt_tolerance_percent,
    }

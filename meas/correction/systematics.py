"""The common errors of a bench as what they do to a curve measured with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from meas.bench.rig import Calibration, Rig
from meas.correction.error_model import (
    RECTANGULAR,
    Known,
    effect,
    inductance_spread,
    know,
    resistance_spread,
    solve,
)
from meas.curve import Cause, ComplexArray, FloatArray, Systematic

Change = Callable[[Known, float], Known]

# Steps of the central differences; relative, in samples, ohm, henry and siemens.
_STEP = 1e-5
_STEP_OHM = 1e-4
_STEP_H = 1e-9
_STEP_S = 1e-9
# Line inputs have 10 to 50 kohm (common practice, no source).
_LEAST_INPUT_OHM = 10e3
_CONTACT_OHM = 0.02  # of clips or plugs on both ends (common practice, no source)
# What adds to the admittance with the resistor on the hot side, where 1/Z = (1/H - 1)/R - 1/Ri,
# and on the ground side, where Z = R (1/H - 1).
_CHANNELS = {f"{kind}-{what}" for kind in ("mismatch", "drift") for what in ("gain", "delay")}
_SHUNT = {True: {*_CHANNELS, "mismatch-coupling", "input-resistance"}, False: {"crosstalk"}}
# An effect below this part of |Z| is rounding.
_NOTHING = 1e-9


def bench_systematics(
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    rig: Rig,
    *,
    calibration: Calibration | None,
    sample_rate_hz: int,
) -> tuple[Systematic, ...]:
    """The common errors of a bench as their effect on a curve measured with it.

    Limits (half-widths) are taken as rectangular distributions: one standard uncertainty is the
    limit over the square root of three (JCGM 100:2008, 4.3.7). Each effect is the difference that
    the error makes to the whole correction, so that what a standard takes out is out.

    Args:
        impedance_ohm: Its impedance [ohm], complex, shape (n,).
        calibration: The standards that were applied to the curve; None when none were.
        sample_rate_hz: Rate of the capture, in which delays are counted [Hz].

    Returns:
        One entry per cause that has an effect: the resistor that the curve is measured against,
        input resistance, leads, gain and delay of the driver input against the source input.

    Raises:
        ValueError: If the wiring has no known series resistor.
    """
    known = know(frequency_hz, rig, calibration, sample_rate_hz)
    causes: list[Systematic] = []

    def add(
        source: str,
        text: str,
        change: ComplexArray,
        cause: Cause | None = None,
        turn_rad: FloatArray | None = None,
    ) -> None:
        if np.any(np.abs(change) > _NOTHING * np.abs(impedance_ohm)):
            shunt = source.partition(":")[0] in _SHUNT[known.hot]
            causes.append(Systematic(source, text, change, cause, shunt, turn_rad))

    def moved(change: Change, step: float) -> ComplexArray:
        return effect(known, impedance_ohm, change, step)

    _add_resistors(add, moved, rig, calibration, frequency_hz)
    wiring, assumed = rig.wiring, rig.assumptions
    percent = wiring.input_resistance_tolerance_percent
    if wiring.input_resistance_ohm is None:
        says = f"input resistance not stated, {_LEAST_INPUT_OHM / 1e3:g} kohm or more"
        limit = 1 / _LEAST_INPUT_OHM
    else:
        says = f"input resistance {wiring.input_resistance_ohm:g} ohm within ±{percent:g} %"
        limit = percent / 100.0 / wiring.input_resistance_ohm
    add(
        f"input-resistance:{rig.name}",
        says,
        # A larger resistance is a smaller conductance.
        moved(lambda k, d: replace(k, loading=k.loading - d), _STEP_S) * (limit * RECTANGULAR),
        Cause.UNSTATED_INPUT_RESISTANCE if wiring.input_resistance_ohm is None else None,
    )
    add(
        f"leads:{rig.name}",
        f"leads and contacts up to ±{assumed.lead_ohm:g} ohm (no short measured)",
        moved(lambda k, d: replace(k, lead_ohm=k.lead_ohm - d), _STEP_OHM)
        * (assumed.lead_ohm * RECTANGULAR),
    )
    add(
        f"crosstalk:{rig.name}",
        f"source in the driver input up to ±{assumed.crosstalk_percent:g} % (null not measured)",
        moved(lambda k, d: replace(k, crosstalk=k.crosstalk - d), _STEP)
        * (assumed.crosstalk_percent / 100.0 * RECTANGULAR),
    )
    _add_channels(add, moved, impedance_ohm, known, rig, calibration, frequency_hz, sample_rate_hz)
    return tuple(causes)


class _Add(Protocol):
    def __call__(
        self,
        source: str,
        text: str,
        change: ComplexArray,
        cause: Cause | None = None,
        turn_rad: FloatArray | None = None,
    ) -> None: ...


_Moved = Callable[[Change, float], ComplexArray]


def _add_resistors(
    add: _Add, moved: _Moved, rig: Rig, calibration: Calibration | None, frequency_hz: FloatArray
) -> None:
    """The series resistor and the known ones; those take its place and keep its kind of name."""
    wiring = rig.wiring
    percent = wiring.tolerance_percent
    add(
        f"resistor:{rig.name}",
        f"series resistor {wiring.series_resistor_ohm:g} ohm within ±{percent:g} %",
        moved(lambda k, d: replace(k, resistor_ohm=k.resistor_ohm * (1 + d)), _STEP)
        * (percent / 100.0 * RECTANGULAR),
        Cause.SERIES_RESISTOR,
    )
    add(
        f"resistor-contact:{rig.name}",
        f"contacts of the series resistor up to ±{_CONTACT_OHM:g} ohm",
        moved(lambda k, d: replace(k, resistor_ohm=k.resistor_ohm + d), _STEP_OHM)
        * (_CONTACT_OHM * RECTANGULAR),
    )
    standards = () if calibration is None else calibration.resistors
    # Several resistors may err each by itself, or together (one reel, one meter), and nobody knows
    # which. Each counts in full, which is what tells between them, and half the variance of what
    # they have in common once more, which their mean would hide (a choice, no source).
    common = np.zeros(frequency_hz.shape, dtype=np.complex128)
    for place, standard in enumerate(standards):
        which = f"{standard.resistance_ohm:g}ohm"
        real, imaginary = np.ones_like(frequency_hz), 2j * np.pi * frequency_hz
        scale = moved(_resistance_moved(place, real), _STEP_OHM) * resistance_spread(standard)
        common += scale * np.sqrt(0.5)
        add(
            f"resistor:{rig.name}/{which}",
            f"known resistor {standard.resistance_ohm:g} ohm within "
            f"±{standard.tolerance_percent:g} %",
            scale,
            Cause.KNOWN_RESISTOR,
        )
        add(
            f"standard-inductance:{rig.name}/{which}",
            f"inductance of the known resistor {standard.resistance_ohm:g} ohm within "
            f"±{1e6 * (standard.inductance_limit_h or 0.0):g} µH",
            moved(_resistance_moved(place, imaginary), _STEP_H) * inductance_spread(standard),
        )
    if len(standards) > 1:
        text = "known resistors, as far as they err together"
        add(f"resistor:{rig.name}/all", text, common, Cause.KNOWN_RESISTOR)


def _resistance_moved(place: int, along: NDArray[np.inexact]) -> Change:
    """A known resistor changed by a step along a direction in the complex plane."""

    def change(known: Known, step: float) -> Known:
        resistances = known.resistances_ohm.copy()
        resistances[place] += step * along
        return replace(known, resistances_ohm=resistances)

    return change


def _add_channels(
    add: _Add,
    moved: _Moved,
    impedance_ohm: ComplexArray,
    known: Known,
    rig: Rig,
    calibration: Calibration | None,
    frequency_hz: FloatArray,
    sample_rate_hz: int,
) -> None:
    """Gain and delay of the driver input: never measured, or changed since they were."""
    assumed, name = rig.assumptions, rig.name
    turn = -2j * np.pi * frequency_hz / sample_rate_hz
    measured = calibration is not None and calibration.knows_channels(rig.wiring.resistor_side)
    if not measured:
        gain, delay = assumed.mismatch_percent, assumed.mismatch_delay_samples
        state = "channels not calibrated"
        # A gain 1 + g unaccounted for makes every ratio too large by 1 + g, as if the model's
        # own were too small by as much.
        add(
            f"mismatch-gain:{name}",
            f"gain of the two inputs equal within ±{gain:g} % ({state})",
            moved(lambda k, d: replace(k, node=k.node / (1 + d)), _STEP)
            * (gain / 100.0 * RECTANGULAR),
            Cause.UNCALIBRATED_INPUTS,
        )
        add(
            f"mismatch-delay:{name}",
            f"delay of the two inputs known within ±{delay:.2g} samples ({state})",
            moved(lambda k, d: replace(k, node=k.node * np.exp(-turn * d)), _STEP)
            * (delay * RECTANGULAR),
            Cause.UNCALIBRATED_INPUTS,
            -turn.imag * (delay * RECTANGULAR),
        )
        # A coupling that passes from fc on turns by 1 + j fc/f far above it.
        add(
            f"mismatch-coupling:{name}",
            f"coupling of the two inputs equal within ±{assumed.coupling_hz:g} Hz ({state})",
            moved(lambda k, d: replace(k, node=k.node * np.exp(-1j * d / frequency_hz)), _STEP)
            * (assumed.coupling_hz * RECTANGULAR),
            Cause.UNCALIBRATED_INPUTS,
        )
    if calibration is None:
        return
    model = solve(known)
    ratio = model.ratio(impedance_ohm)
    slope = model.slope(ratio)
    gain, delay = assumed.calibrated_mismatch_percent, assumed.calibrated_delay_samples
    kind = "mismatch" if measured else "drift"
    add(
        f"{kind}-gain:{name}",
        f"gain of the two inputs equal within ±{gain:g} % (after calibration)",
        slope * ratio * (gain / 100.0 * RECTANGULAR),
    )
    add(
        f"{kind}-delay:{name}",
        f"delay of the two inputs equal within ±{delay:g} samples (after calibration)",
        slope * ratio * turn * (delay * RECTANGULAR),
        turn_rad=-turn.imag * (delay * RECTANGULAR),
    )

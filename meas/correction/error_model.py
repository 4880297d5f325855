"""The one-port error model of a bench: three complex numbers at each frequency.

Everything linear between the driver's terminals and the two inputs (resistor, loading, leads,
crosstalk, gain and delay of the inputs) makes the recorded ratio M a bilinear function of the
impedance Z, which three numbers fix. Network analysers write it Z = (a M + b)/(c M + 1) and find
the numbers from three known loads (S. Rehnmark, On the calibration process of automatic network
analyzer systems, IEEE Trans. MTT 22(4), 1974, from memory). Here the same map is written

    M = (Z open + scale short)/(Z + scale),    Z = scale (M - short)/(open - M)

with ``open`` and ``short`` the ratios read with nothing and with a short in the driver's place,
and ``scale`` an impedance: a = -scale/open, b = scale short/open, c = -1/open up to sign. Unlike
a, b, c it stays finite with the resistor on the ground side, where ``open`` is zero.

What was not measured follows from the circuit: without leads and mismatch the scale is R parallel
Ri on both sides. On the hot side open = Ri/(R + Ri) and short = 0; on the ground side open = 0
and short = 1.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from meas.bench.rig import Calibration, Rig, Standard
from meas.correction.standard_points import interpolate, variance
from meas.curve import ComplexArray, FloatArray

RECTANGULAR = 1.0 / np.sqrt(3.0)
# Steps of the differences, relative or in ohm: errors of second order stay below 1e-9.
_STEP = 1e-5
_ITERATIONS = 4
# What two measured standards may differ by without any noise: sets their weight against others.
_LEAST_SPREAD = 1e-6


@dataclass(frozen=True, eq=False)
class ErrorModel:
    """The map between impedance and ratio.

    Attributes:
        open: Ratio read with nothing in the driver's place, complex, shape (n,).
        short: Ratio read with a short there, complex, shape (n,).
        scale_ohm: The impedance that reads halfway between the two [ohm], complex, shape (n,).
    """

    open: ComplexArray
    short: ComplexArray
    scale_ohm: ComplexArray

    def impedance(self, ratio: ComplexArray) -> ComplexArray:
        """Z [ohm] from the ratio, shape (n,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return self.scale_ohm * (ratio - self.short) / (self.open - ratio)

    def ratio(self, impedance_ohm: ComplexArray) -> ComplexArray:
        """The ratio that an impedance gives, shape (n,); the inverse of `impedance`."""
        above = impedance_ohm * self.open + self.scale_ohm * self.short
        return above / (impedance_ohm + self.scale_ohm)

    def slope(self, ratio: ComplexArray) -> ComplexArray:
        """dZ/dM [ohm], shape (n,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return self.scale_ohm * (self.open - self.short) / (self.open - ratio) ** 2


@dataclass(frozen=True, eq=False)
class Known:
    """Inputs of an error model, at the frequencies of a curve.

    Attributes:
        hot: Whether the resistor is on the hot side.
        resistor_ohm: Series resistor.
        loading: Conductance of the driver input [S].
        node: Driver input over source input on one node, measured or taken as 1, shape (n,).
        node_measured: Whether it was measured.
        node_spread: Standard uncertainty of ``node`` as an error of the model, shape (n,).
        lead_ohm: Leads and contacts before the driver.
        lead_spread_ohm: Standard uncertainty of it.
        crosstalk: Source heard by the driver input where it should read nothing, re the source.
        open: As measured, shape (n,); None when it was not.
        short: As measured, shape (n,); None when it was not.
        resistors: What the known resistors read, shape (k, n).
        resistances_ohm: Their impedances, complex, shape (k, n).
        resistance_spread_ohm: Their standard uncertainties, inductance included, shape (k, n).
        noise: Standard deviation of each part of each measured ratio by name, shape (n,) each:
            ``node``, ``open``, ``short`` and the place of each resistor.
    """

    hot: bool
    resistor_ohm: float
    loading: float
    node: ComplexArray
    node_measured: bool
    node_spread: FloatArray
    lead_ohm: float
    lead_spread_ohm: float
    crosstalk: float
    open: ComplexArray | None
    short: ComplexArray | None
    resistors: ComplexArray
    resistances_ohm: ComplexArray
    resistance_spread_ohm: FloatArray
    noise: dict[str, FloatArray]


def know(
    frequency_hz: FloatArray, rig: Rig, calibration: Calibration | None, sample_rate_hz: int
) -> Known:
    """Gather what is known of a bench.

    Args:
        calibration: Its standards; None when none were measured.

    Raises:
        ValueError: If the series resistor is not known.
    """
    wiring, assumed = rig.wiring, rig.assumptions
    if wiring.series_resistor_ohm is None:
        raise ValueError("the series resistor is not known")
    found = {
        kind: None if calibration is None else calibration.find(kind)
        for kind in ("same-node", "open", "short")
    }
    resistors = () if calibration is None else calibration.resistors
    noise = {
        name: np.sqrt(variance(standard, frequency_hz))
        for name, standard in (
            ("node", found["same-node"]),
            ("open", found["open"]),
            ("short", found["short"]),
            *((str(place), one) for place, one in enumerate(resistors)),
        )
        if standard is not None
    }
    measured = found["same-node"] is not None
    gain = assumed.calibrated_mismatch_percent if measured else assumed.mismatch_percent
    delay = assumed.calibrated_delay_samples if measured else assumed.mismatch_delay_samples
    turn = 2 * np.pi * frequency_hz * delay / sample_rate_hz
    omega = 2 * np.pi * frequency_hz
    return Known(
        hot=wiring.resistor_side == "hot",
        resistor_ohm=wiring.series_resistor_ohm,
        loading=0.0 if wiring.input_resistance_ohm is None else 1 / wiring.input_resistance_ohm,
        node=_at(found["same-node"], frequency_hz, default=1.0),
        node_measured=measured,
        node_spread=np.hypot(gain / 100.0, turn) * RECTANGULAR + _LEAST_SPREAD,
        lead_ohm=0.0,
        lead_spread_ohm=assumed.lead_ohm * RECTANGULAR,
        crosstalk=0.0,
        open=None if found["open"] is None else _at(found["open"], frequency_hz),
        short=None if found["short"] is None else _at(found["short"], frequency_hz),
        resistors=np.array([_at(one, frequency_hz) for one in resistors]),
        resistances_ohm=np.array(
            [np.full(frequency_hz.shape, one.resistance_ohm, dtype=complex) for one in resistors]
        ),
        resistance_spread_ohm=np.array(
            [np.hypot(resistance_spread(one), omega * inductance_spread(one)) for one in resistors]
        ),
        noise=noise,
    )


def solve(known: Known) -> ErrorModel:
    """The error model from what is known.

    A known resistor takes the place of the series resistor as what every ohm is measured against.
    Several of them are met by weighted least squares (Gauss and Newton, complex unknowns, each row
    divided by its standard uncertainty), with open and short, measured or assumed, as two more
    rows.

    Returns:
        The model; NaN where a standard that it needs was not measured.
    """
    count = len(known.resistors)
    # Outside the band of a standard there is nothing but NaN, and nothing else is meant to be.
    with np.errstate(divide="ignore", invalid="ignore"):
        model = _by_circuit(known)
        if count == 0:
            return model
        each = (
            known.resistances_ohm * (model.open - known.resistors) / (known.resistors - model.short)
        )
    if count == 1:
        return replace(model, scale_ohm=each[0])
    return _least_squares(known, replace(model, scale_ohm=each.mean(axis=0)))


def corrected(
    ratio: ComplexArray, ratio_variance: FloatArray, known: Known
) -> tuple[ComplexArray, FloatArray]:
    """Impedance from a recorded ratio, with the noise of the standards in its uncertainty.

    Args:
        ratio: Driver input over source input as recorded, complex, shape (n,).
        ratio_variance: Variance of its real and imaginary part each, shape (n,).

    Returns:
        Impedance [ohm], complex, and the standard uncertainty of each part [ohm], both (n,); NaN
        outside the band of any standard that is used.
    """
    model = solve(known)
    impedance = model.impedance(ratio)
    total = np.abs(model.slope(ratio)) ** 2 * ratio_variance
    for name, moved in _moved_standards(known):
        difference = (solve(moved).impedance(ratio) - impedance) / _STEP
        total = total + np.abs(difference * known.noise[name]) ** 2
    return impedance, np.sqrt(total)


def effect(
    known: Known, impedance_ohm: ComplexArray, change: Callable[[Known, float], Known], step: float
) -> ComplexArray:
    """Change of the measured impedance per unit of a change of what is known.

    Args:
        impedance_ohm: The impedance measured, complex, shape (n,).
        change: What is known with something moved by so much.
        step: How far to move for the central difference.
    """
    ratio = solve(known).ratio(impedance_ohm)
    ends = [solve(change(known, sign * step)).impedance(ratio) for sign in (1, -1)]
    return (ends[0] - ends[1]) / (2 * step)


def resistance_spread(standard: Standard) -> float:
    """Standard uncertainty of a known resistor from its limits (JCGM 100:2008, 4.3.7) [ohm]."""
    percent = standard.tolerance_percent or 0.0
    return float((standard.resistance_ohm or 0.0) * percent / 100.0 * RECTANGULAR)


def inductance_spread(standard: Standard) -> float:
    """Standard uncertainty of a known resistor's own inductance, taken as none [H]."""
    return float((standard.inductance_limit_h or 0.0) * RECTANGULAR)


def _at(
    standard: Standard | None, frequency_hz: FloatArray, default: float = np.nan
) -> ComplexArray:
    if standard is None:
        return np.full(frequency_hz.shape, default, dtype=np.complex128)
    return interpolate(standard, frequency_hz)


def _by_circuit(known: Known) -> ErrorModel:
    """The model by circuit laws, wherever no open and no short was measured."""
    R, lead = known.resistor_ohm, known.lead_ohm
    divided = 1.0 / (1.0 + R * known.loading)
    scale = np.full(known.node.shape, R * divided, dtype=np.complex128)
    if known.hot:
        if known.open is not None and known.node_measured:
            # The two differ by the loading of the input, Ri/(R + Ri), which is thereby measured.
            scale = R * known.open / known.node
        far = known.node * divided if known.open is None else known.open
        if known.short is None:
            near = far * lead / (scale + lead) + known.crosstalk
            return ErrorModel(far, near, scale + lead)
        # A short reads its leads, short = far lead/(scale + lead), which are thereby measured.
        return ErrorModel(far, known.short, scale * far / (far - known.short))
    far = np.full_like(scale, known.crosstalk) if known.open is None else known.open
    if known.short is None:
        return ErrorModel(far, known.node * scale / (scale + lead), scale + lead)
    if known.node_measured:
        # As above: short = node scale/(scale + lead).
        return ErrorModel(far, known.short, scale * known.node / known.short)
    return ErrorModel(far, known.short, scale + lead)


def _least_squares(known: Known, start: ErrorModel) -> ErrorModel:
    """Open, short and scale together, from their own rows and one for each known resistor."""
    Z, R = known.resistances_ohm, np.abs(start.scale_ohm)
    span = np.abs(start.open - start.short)
    assumed_lead = span * known.lead_spread_ohm / R
    nothing = np.zeros(known.node.shape)
    spread_open = known.noise.get("open", known.node_spread if known.hot else nothing)
    spread_short = known.noise.get("short", assumed_lead if known.hot else known.node_spread)
    if not known.hot and known.short is None:
        spread_short = np.hypot(spread_short, assumed_lead)
    slope = span * R / (np.abs(Z) + R) ** 2
    noise = np.array([known.noise[str(place)] for place in range(len(Z))])
    spread = np.concatenate(
        [
            [np.hypot(spread_open, _LEAST_SPREAD), np.hypot(spread_short, _LEAST_SPREAD)],
            np.sqrt((slope * known.resistance_spread_ohm) ** 2 + noise**2 + _LEAST_SPREAD**2),
        ]
    )
    usable = np.all(np.isfinite(spread), axis=0) & np.isfinite(start.scale_ohm)
    at = np.flatnonzero(usable)
    first = np.stack([start.open, start.short], axis=1)[at]
    x = np.concatenate([first, start.scale_ohm[at, None]], axis=1)
    read, load, weight = known.resistors.T[at], Z.T[at], 1.0 / spread.T[at]
    for _ in range(_ITERATIONS):
        far, near, scale = x[:, :1], x[:, 1:2], x[:, 2:]
        total = load + scale
        rest = np.concatenate([first - x[:, :2], read - (load * far + scale * near) / total], 1)
        rows = np.zeros((at.size, rest.shape[1], 3), dtype=np.complex128)
        rows[:, 0, 0] = rows[:, 1, 1] = 1.0
        rows[:, 2:, 0] = load / total
        rows[:, 2:, 1] = scale / total
        rows[:, 2:, 2] = load * (near - far) / total**2
        # Columns of like size keep the orthogonal factorisation accurate.
        size = np.stack([np.ones(at.size), np.ones(at.size), np.abs(x[:, 2])], axis=1)
        q, r = np.linalg.qr(rows * size[:, None, :] * weight[:, :, None])
        step = np.linalg.solve(r, np.swapaxes(q.conj(), 1, 2) @ (rest * weight)[:, :, None])
        x = x + step[:, :, 0] * size
    found = np.full((3, usable.size), complex(np.nan, np.nan))
    found[:, at] = x.T
    return ErrorModel(found[0], found[1], found[2])


def _moved_standards(known: Known) -> Iterator[tuple[str, Known]]:
    """Move each measured ratio by a small step, one after the other."""
    if known.node_measured:
        yield "node", replace(known, node=known.node + _STEP)
    if known.open is not None:
        yield "open", replace(known, open=known.open + _STEP)
    if known.short is not None:
        yield "short", replace(known, short=known.short + _STEP)
    for place in range(len(known.resistors)):
        moved = known.resistors.copy()
        moved[place] += _STEP
        yield str(place), replace(known, resistors=moved)

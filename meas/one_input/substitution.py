"""One input only: the driver's node voltage against that with a known resistor in its place.

With the source E behind R_t = series resistor + source resistance, the node reads
V_k = E R_k/(R_t + R_k) with the known resistor and V_d = E Z/(R_t + Z) with the driver (input on
the driver), or E R/(R_t + R_k) and E R/(R_t + Z) with the input on a resistor on the ground side.
Their ratio q = V_d/V_k does not know E, and gives

    hot side     Z = R_t R_k q/(R_t + R_k - R_k q)
    ground side  Z = (R_t + R_k)/q - R_t.

What must be known besides R_k: R_t, with the source's own resistance in it (a headphone output
has 0.1 to 100 ohm), and that E is the same in both recordings. An input of resistance R_i
across the driver is in parallel to both; across the series resistor it is part of that.

Two recordings share no clock, so only |q| is believed. Z is positive real; so are Z/(R_t + Z)
and 1/(R_t + Z), whose phase follows from their magnitude (`meas.one_input.minimum_phase`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from meas.bench.rig import Rig, Substitution
from meas.correction.error_model import RECTANGULAR
from meas.curve import (
    Cause,
    ComplexArray,
    Curve,
    FloatArray,
    ImpedanceCurve,
    MagnitudeCurve,
    Systematic,
    TwoInputs,
)
from meas.errors import UnreadableInput
from meas.one_input.minimum_phase import rebuilt_phase
from meas.passivity.bode import phase_of_magnitude
from meas.transfer.from_sweeps import Transfer, estimate
from meas.transfer.passes import Passes, find_passes

# Where the rebuilt phase is less certain than this it is not told as a phase.
_LARGEST_PHASE_SPREAD_RAD = 0.05
_FEWEST_OCTAVES = 3.0
_LARGEST_RELATIVE = 0.2
_STEP = 1e-6


@dataclass(frozen=True)
class _Circuit:
    """Resistances of the circuit [ohm]."""

    known: float
    series: float
    source: float
    loading: float  # conductance of the input [S]
    hot: bool

    @classmethod
    def of(cls, rig: Rig, using: Substitution) -> _Circuit:
        wiring = rig.wiring
        if wiring.series_resistor_ohm is None:
            raise ValueError("the series resistor is not known")
        loading = 0.0 if wiring.input_resistance_ohm is None else 1.0 / wiring.input_resistance_ohm
        hot = wiring.resistor_side == "hot"
        series, source = wiring.series_resistor_ohm, using.source_resistance_ohm
        return cls(using.known_resistor_ohm, series, source, loading, hot)

    def impedance(self, ratio: ComplexArray) -> ComplexArray:
        with np.errstate(divide="ignore", invalid="ignore"):
            if self.hot:
                total = self.series + self.source
                known = self.known / (1.0 + self.loading * self.known)
                loaded = total * known * ratio / (total + known - known * ratio)
                return loaded / (1.0 - self.loading * loaded)
            total = self.series / (1.0 + self.loading * self.series) + self.source
            return (total + self.known) / ratio - total

    @property
    def ceiling(self) -> float | None:
        """Limit of |q| where the driver is all inductance."""
        if not self.hot:
            return None
        known = self.known / (1.0 + self.loading * self.known)
        return (self.series + self.source + known) / known


def paired(
    known: NDArray[np.float32], driver: NDArray[np.float32], sample_rate_hz: int
) -> NDArray[np.float32]:
    """Put both recordings side by side, every pass of the driver's on that of the known one.

    Args:
        known: Recording with the known resistor in the driver's place, shape (n,).
        driver: Recording with the driver, shape (m,), of the same excitation.

    Returns:
        Known resistor and driver, shape (n, 2).

    Raises:
        UnreadableInput: If the two do not hold the same number of passes.
    """
    passes = [find_passes(np.stack([one, one], axis=1), sample_rate_hz) for one in (known, driver)]
    first, second = (one.passes for one in passes)
    if len(first) != len(second) or not all(one.contained for one in passes):
        raise UnreadableInput(
            f"the recording of the known resistor holds {len(first)} whole stretches of sound, "
            f"that of the driver {len(second)}",
            where="substitution",
            remedy="Play the same excitation for both, with silence before and after it",
        )
    out = np.zeros((known.size, 2), dtype=np.float32)
    out[:, 0] = known
    floor = np.median(driver)
    out[:, 1] = floor
    edges = [0, *(one.begin for one in first[1:]), known.size]
    for index, (a, b) in enumerate(zip(first, second, strict=True)):
        lag = _lag(known[a.begin : a.end], driver[b.begin : b.end]) + b.begin - a.begin
        begin, end = edges[index], edges[index + 1]
        low, high = max(begin, -lag), min(end, driver.size - lag)
        out[low:high, 1] = driver[low + lag : high + lag]
    return out


def curve_from(transfer: Transfer, rig: Rig, using: Substitution) -> Curve | None:
    """Impedance, or its magnitude where the band does not let the phase be rebuilt.

    Args:
        transfer: Driver over known resistor, of `paired`.
        using: What was substituted, and what is known of the source.

    Returns:
        The curve with random uncertainty and `systematics`; None when nothing can be told.

    Raises:
        ValueError: If the series resistor is not known.
    """
    circuit = _Circuit.of(rig, using)
    frequency, size = transfer.frequency_hz, np.abs(transfer.ratio)
    if frequency.size < 8:
        return None
    angle, spread = rebuilt_phase(frequency, size, circuit.ceiling)
    ratio = size * np.exp(1j * angle)
    impedance = circuit.impedance(ratio)
    slope = _slope(circuit, ratio)
    # The Hilbert transform of white noise is as large as that noise: both parts are as uncertain.
    random = np.abs(slope) * np.sqrt(transfer.variance)
    turned = slope * ratio * 1j * spread
    bad = np.abs(turned) + np.sqrt(2.0) * random > _LARGEST_RELATIVE * np.abs(impedance)
    good = np.isfinite(impedance) & ~bad & (impedance.real > 0)
    known = good & (spread < _LARGEST_PHASE_SPREAD_RAD)
    if known.any() and np.log2(frequency[known][-1] / frequency[known][0]) > _FEWEST_OCTAVES:
        f, Z = frequency[known], impedance[known]
        return ImpedanceCurve(f, Z, random[known], systematics(f, Z, rig, using))
    if not good.any():
        return None
    curve = MagnitudeCurve(frequency[good], np.abs(impedance[good]), random[good])
    return replace(curve, systematics=systematics_of(curve, rig, using))


def systematics(
    frequency_hz: FloatArray, impedance_ohm: ComplexArray, rig: Rig, using: Substitution
) -> tuple[Systematic, ...]:
    """Common errors of a curve by substitution, as their effect on it.

    Args:
        impedance_ohm: Its impedance [ohm], complex, shape (n,).

    Returns:
        Known resistor, series resistor, source resistance, drift of the source between the two
        recordings, leads, and the rebuilt phase.

    Raises:
        ValueError: If the series resistor is not known.
    """
    circuit = _Circuit.of(rig, using)
    ratio = _ratio(circuit, impedance_ohm)
    slope = _slope(circuit, ratio)
    causes: list[Systematic] = []

    def add(source: str, text: str, effect: ComplexArray, cause: Cause | None = None) -> None:
        if np.any(effect != 0):
            causes.append(Systematic(f"{source}:{rig.name}", text, effect, cause))

    def moved(name: str, limit: float) -> ComplexArray:
        step = max(_STEP * circuit.series, 1e-9)
        up = _with(circuit, name, step).impedance(ratio)
        down = _with(circuit, name, -step).impedance(ratio)
        effect: ComplexArray = (up - down) / (2.0 * step) * limit * RECTANGULAR
        return effect

    wiring = rig.wiring
    percent = using.tolerance_percent
    add(
        "known-resistor",
        f"known resistor {circuit.known:g} ohm within ±{percent:g} %",
        moved("known", percent / 100.0 * circuit.known),
        Cause.KNOWN_RESISTOR,
    )
    add(
        "resistor",
        f"series resistor {circuit.series:g} ohm within ±{wiring.tolerance_percent:g} %",
        moved("series", wiring.tolerance_percent / 100.0 * circuit.series),
        Cause.SERIES_RESISTOR,
    )
    limit = using.source_resistance_limit_ohm
    add(
        "source-resistance",
        f"source resistance {circuit.source:g} ohm within ±{limit:g} ohm",
        moved("source", limit),
    )
    add(
        "source-drift",
        f"source equally strong in both recordings within ±{using.drift_percent:g} %",
        slope * ratio * (using.drift_percent / 100.0 * RECTANGULAR),
    )
    lead = rig.assumptions.lead_ohm
    add(
        "leads",
        f"leads and contacts up to ±{lead:g} ohm (no short measured)",
        np.full(frequency_hz.size, lead * RECTANGULAR, dtype=np.complex128),
    )
    if frequency_hz.size >= 8:
        spread = rebuilt_phase(frequency_hz, np.abs(ratio), circuit.ceiling)[1]
        add("rebuilt-phase", "phase rebuilt from the magnitude", slope * ratio * 1j * spread)
    return tuple(causes)


def systematics_of(curve: Curve, rig: Rig, using: Substitution) -> tuple[Systematic, ...]:
    """`systematics` of a curve, or their effect on a magnitude.

    The phase that their effect on a magnitude needs is that which belongs to the magnitude.
    """
    f = curve.frequency_hz
    if isinstance(curve, ImpedanceCurve):
        return systematics(f, curve.impedance_ohm, rig, using)
    size = curve.magnitude_ohm
    Z = size * np.exp(1j * phase_of_magnitude(f, np.log(size)))
    return tuple(
        replace(one, derivative_ohm=(one.derivative_ohm / Z).real * size + 0j)
        for one in systematics(f, Z, rig, using)
    )


def transfer_of(samples: TwoInputs, sample_rate_hz: int) -> tuple[Passes, Transfer | None]:
    """Driver over known resistor from `paired` recordings."""
    passes = find_passes(samples, sample_rate_hz)
    return passes, estimate(samples, sample_rate_hz, passes)


def _with(circuit: _Circuit, name: str, step: float) -> _Circuit:
    return replace(circuit, **{name: getattr(circuit, name) + step})


def _ratio(circuit: _Circuit, impedance: ComplexArray) -> ComplexArray:
    if circuit.hot:
        total = circuit.series + circuit.source
        known = circuit.known / (1.0 + circuit.loading * circuit.known)
        loaded = impedance / (1.0 + circuit.loading * impedance)
        return loaded * (total + known) / (known * (total + loaded))
    total = circuit.series / (1.0 + circuit.loading * circuit.series) + circuit.source
    return (total + circuit.known) / (total + impedance)


def _slope(circuit: _Circuit, ratio: ComplexArray) -> ComplexArray:
    """dZ/dq, by a central difference: Z is analytic in q."""
    step = _STEP * np.abs(ratio)
    up, down = circuit.impedance(ratio + step), circuit.impedance(ratio - step)
    slope: ComplexArray = (up - down) / (2.0 * step)
    return slope


def _lag(known: NDArray[np.float32], driver: NDArray[np.float32]) -> int:
    """Frames by which the driver's block is later than the known one's."""
    size = fft.next_fast_len(known.size + driver.size, real=True)
    spectrum = fft.rfft(known - np.mean(known), size).conj()
    match = fft.irfft(spectrum * fft.rfft(driver - np.mean(driver), size), size)
    place = int(np.argmax(np.abs(match)))
    return place if place < size // 2 else place - size

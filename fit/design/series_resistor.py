"""Choice of a series resistor for an expected driver, and how well the bench then measures.

With R in series, an error dH of the ratio of both inputs becomes
|dZ/Z| = |dH| |R + Z|^2/(R |Z|), smallest at |Z| = R. Inputs that differ by e give |e (1 + Z/R)|
with the resistor on the hot side and |e (1 + R/Z)| on the ground side. The resistor's own error
goes one to one (differentials of the voltage divider).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fit.design.preferred import decade
from meas.curve import ComplexArray, FloatArray

Side = Literal["hot", "ground"]

_RECTANGULAR = 1.0 / np.sqrt(3.0)
# Half of full scale at the louder input: 6 dB for surprises (common practice, no source).
_HEADROOM = 0.5
_POINTS_PER_OCTAVE = 40.0
_SECONDS = 10.0
"""Length of all sweeps together."""
_FLAT = 1.1


@dataclass(frozen=True)
class Card:
    """Ratings of a sound device.

    Attributes:
        output_volt: Peak volts of its output at full scale, unloaded.
        least_load_ohm: Smallest load that the output is made for.
        input_volt: Peak volts of an input at full scale.
        noise_volt_rms: Noise of an input over the whole band.
        sample_rate_hz: Sample rate [Hz].
    """

    output_volt: float
    output_ohm: float
    least_load_ohm: float
    input_volt: float
    noise_volt_rms: float
    sample_rate_hz: int = 48000


@dataclass(frozen=True)
class Expected:
    """Driver to be expected at the terminals.

    Attributes:
        Re: Resistance of the coil [ohm].
        fs: Resonance [Hz].
        Qms: Mechanical Q.
        Qes: Electrical Q.
        Le: Inductance of the coil [H].
    """

    Re: float
    fs: float
    Qms: float
    Qes: float
    Le: float = 0.0

    @property
    def peak_ohm(self) -> float:
        """Impedance at resonance, Re (1 + Qms/Qes) (Small 1972)."""
        return self.Re * (1 + self.Qms / self.Qes)

    def impedance(self, frequency_hz: FloatArray) -> ComplexArray:
        """Re + j w Le + Re Qms/Qes/(1 + j Qms (f/fs - fs/f)) [ohm] (Small 1972)."""
        bend = 1j * self.Qms * (frequency_hz / self.fs - self.fs / frequency_hz)
        motional = self.Re * self.Qms / self.Qes / (1 + bend)
        total: ComplexArray = self.Re + 2j * np.pi * frequency_hz * self.Le + motional
        return total


@dataclass(frozen=True)
class Limits:
    """Half-widths of the limits of resistor and inputs, relative.

    Attributes:
        tolerance: Tolerance of the series resistor.
        mismatch: Mismatch of the two inputs after calibration.
        uncalibrated: Mismatch of the two inputs before calibration.
    """

    tolerance: float = 0.01
    mismatch: float = 0.0005
    uncalibrated: float = 0.03


@dataclass(frozen=True, eq=False)
class Choice:
    """A series resistor and its uncertainty; relative parts are 95 % (two standard uncertainties).

    Attributes:
        frequency_hz: Frequencies [Hz], shape (n,).
        impedance_ohm: The expected driver, complex, shape (n,).
        noise: Part due to noise of one point of a curve, shape (n,).
        mismatch: Part due to inputs that differ, calibrated, shape (n,).
        uncalibrated: Part due to inputs that differ, not calibrated, shape (n,).
        tolerance: Part due to the resistor itself.
        driver_volt_rms: Largest voltage at the driver.
        resistor_watt: Largest power in the resistor.
        level: Peak of the drive, full scale 1.
    """

    resistor_ohm: float
    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    noise: FloatArray
    mismatch: FloatArray
    uncalibrated: FloatArray
    tolerance: float
    driver_volt_rms: float
    resistor_watt: float
    level: float

    def total(self, *, calibrated: bool = True) -> FloatArray:
        """All parts together, shape (n,)."""
        channels = self.mismatch if calibrated else self.uncalibrated
        return np.sqrt(self.noise**2 + channels**2 + self.tolerance**2)

    @property
    def worst(self) -> float:
        """Largest relative uncertainty of |Z| in the band, calibrated."""
        return float(self.total().max())


def evaluate(
    resistor_ohm: float,
    card: Card,
    driver: Expected,
    side: Side,
    limits: Limits,
    *,
    band_hz: tuple[float, float] = (10.0, 20000.0),
) -> Choice:
    """Evaluate a series resistor with a driver.

    Noise of a point: a sine of N samples under noise s is known to s sqrt(2/N) in each part
    (IEEE Std 1057), and a sweep spends its time evenly over octaves, 40 points to each.

    Args:
        band_hz: Lowest and highest frequency swept [Hz].
    """
    octaves = float(np.log2(band_hz[1] / band_hz[0]))
    frequency = np.geomspace(*band_hz, round(_POINTS_PER_OCTAVE * octaves))
    Z, R = driver.impedance(frequency), resistor_ohm
    share = (R + Z) / (R + Z + card.output_ohm)
    loudest = float(np.abs(share).max()) * card.output_volt
    level = min(1.0, _HEADROOM * card.input_volt / loudest)
    source = level * card.output_volt * np.abs(share)
    H = (Z if side == "hot" else R) / (R + Z)
    count = _SECONDS * card.sample_rate_hz / (octaves * _POINTS_PER_OCTAVE)
    dH = card.noise_volt_rms * np.sqrt(2 / count) * np.sqrt(1 + np.abs(H) ** 2) / source
    lever = np.abs(1 + (Z / R if side == "hot" else R / Z))
    current = source / np.abs(R + Z)
    return Choice(
        resistor_ohm=R,
        frequency_hz=frequency,
        impedance_ohm=Z,
        noise=2 * dH * np.abs(R + Z) ** 2 / (R * np.abs(Z)),
        mismatch=2 * _RECTANGULAR * limits.mismatch * lever,
        uncalibrated=2 * _RECTANGULAR * limits.uncalibrated * lever,
        tolerance=2 * _RECTANGULAR * limits.tolerance,
        driver_volt_rms=float((current * np.abs(Z)).max() / np.sqrt(2)),
        resistor_watt=float(current.max() ** 2 * R / 2),
        level=level,
    )


def choose(
    card: Card,
    driver: Expected,
    side: Side,
    limits: Limits,
    *,
    series: int = 12,
    band_hz: tuple[float, float] = (10.0, 20000.0),
) -> tuple[Choice, ...]:
    """Rank the preferred resistors that the output can bear, the best first.

    The largest uncertainty in the band decides, calibrated. Its minimum is flat, and among those
    within a tenth of it the one with the least noise is the best: the drive that it leaves at the
    driver also has to beat noise that nobody stated (rooms, hum).

    Args:
        series: Preferred values of IEC 60063, such as 12 for E12.
        band_hz: Lowest and highest frequency swept [Hz].

    Returns:
        Empty when the output bears none of them.
    """
    found = [
        evaluate(R, card, driver, side, limits, band_hz=band_hz)
        for R in _values(series)
        if R + driver.Re + card.output_ohm >= card.least_load_ohm
    ]
    enough = _FLAT * min((one.worst for one in found), default=0.0)

    def rank(one: Choice) -> tuple[float, float]:
        good = one.worst <= enough
        return (0.0, float(one.noise.max())) if good else (one.worst, 0.0)

    return tuple(sorted(found, key=rank))


def around(best: Choice, all_of_them: Sequence[Choice]) -> tuple[Choice, ...]:
    """List the best choice and up to three neighbours on each side, in order of value."""
    ordered = sorted(all_of_them, key=lambda one: one.resistor_ohm)
    place = ordered.index(best)
    return tuple(ordered[max(place - 3, 0) : place + 4])


def _values(series: int) -> Iterator[float]:
    for power in (1.0, 10.0, 100.0):
        for value in decade(series):
            yield float(f"{value * power:.12g}")
    yield 1000.0

"""Prediction of a driver in a box, with its uncertainty.

Every curve comes with its standard uncertainty per frequency: the effects of the fit's error
sources, propagated to first order with all correlations (JCGM 102:2011, 6.2.1.3;
tests/fitting/networks/test_box_predict.py compares with a Monte Carlo run after JCGM 101).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from fit.box.circuit import Air, Behaviour, Box, Mounted, behaviour
from fit.box.saved_driver import SavedDriver
from fit.box.sealed import SealedBox, sealed_by_volume
from fit.box.vent import STRAIGHT
from fit.box.vented import VentedBox, vented_by_volume
from fit.driver.elements.quantity import rounded
from fit.driver.impedance import RE, STRENGTH
from fit.results.result import Estimate
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

CHUFFS = 17.0
"""Peak air speed in a vent above which it is heard, 5 % of the sound speed [m/s] (common
practice, no source; 17 to 20 m/s are named)."""
LOUD_DB = 85.0
"""Level from which hearing needs care: 85 dB(A) for 8 hours, half the time for every 3 dB more
(NIOSH 1998)."""
LOWEST_HZ, HIGHEST_HZ, POINTS = 10.0, 1000.0, 461

_STEP = 1e-5
_ROUNDS = 8  # of a fixed point that gains a digit and more each time
_NOTICED = 0.02
"""Relative shift of fc or Qtc from which it is worth a word; 2 % are 0.2 dB at most."""


@dataclass(frozen=True, eq=False)
class Band:
    """A curve with its uncertainty.

    Attributes:
        value: The curve, shape (n,).
        standard_uncertainty: Standard uncertainty in the unit of the value, shape (n,).
    """

    value: FloatArray
    standard_uncertainty: FloatArray

    def over(self, divisor: float) -> Band:
        """Divide curve and uncertainty by a number."""
        return Band(self.value / divisor, self.standard_uncertainty / divisor)


@dataclass(frozen=True, eq=False)
class Prediction:
    """Prediction of a driver in a box, at a stated drive.

    Attributes:
        frequency_hz: Frequencies [Hz], shape (n,).
        level_db: Sound pressure level at 1 m in half space, re 20 uPa.
        excursion_m: Peak excursion of the cone; None where the fit does not know the mass.
        vent_speed_m_s: Peak air speed in the vent; None without a vent of known area.
        group_delay_s: Group delay of the sound, without its travel.
        impedance_ohm: Impedance at the driver's terminals, complex.
        parameters: ``fc Qtc f3 peak_db``, for a vented box ``f3 peak_db``, with what limits them.
        vent_flow_m3_s: Peak volume velocity in the vent, from which a bore is chosen; None
            without a vent.
        warnings: Disagreements between the parameters and the curves.
    """

    frequency_hz: FloatArray
    level_db: Band
    excursion_m: Band | None
    vent_speed_m_s: Band | None
    group_delay_s: Band
    impedance_ohm: ComplexArray
    magnitude_ohm: Band
    parameters: Mapping[str, Estimate]
    vent_flow_m3_s: FloatArray | None
    warnings: tuple[Finding, ...] = ()


def grid() -> FloatArray:
    """Frequencies of a prediction [Hz], evenly over ln f."""
    return np.geomspace(LOWEST_HZ, HIGHEST_HZ, POINTS)


def mounted(
    driver: SavedDriver, theta: FloatArray, box: Box, air: Air, source_ohm: float = 0.0
) -> Mounted:
    """Put a driver with parameters of its fit's kind into a box."""
    Vas, Mms = np.exp(theta[4:6])
    return Mounted(driver.driver, driver.electrical(theta), Mms, Vas, box, air, source_ohm)


def total_Q(theta: FloatArray, source_ohm: float = 0.0) -> float:  # noqa: N802  # Q: the field's symbol
    """Qts behind a source of some resistance, which adds to Re (Small 1972)."""
    Re, _, Qms, Qes = np.exp(theta[:4])
    Qe = Qes * (Re + source_ohm) / Re
    return float(Qms * Qe / (Qms + Qe))


def aligned(theta: FloatArray, box: Box, source_ohm: float = 0.0) -> SealedBox | VentedBox:
    """Resonance, Q and cut-off of a driver in a box, its coil taken as a resistance."""
    fs, Vas = math.exp(theta[1]), math.exp(theta[4])
    QT = total_Q(theta, source_ohm)
    if box.fb is None:
        return sealed_by_volume(fs, QT, Vas, box.volume)
    return vented_by_volume(fs, QT, Vas, box.volume, box.fb, box.QL)


def predict(
    driver: SavedDriver,
    box: Box,
    drive_volt: float,
    air: Air,
    *,
    source_ohm: float = 0.0,
    frequency_hz: FloatArray | None = None,
) -> Prediction:
    """Predict what a driver will do in a box.

    Args:
        box: The box to build; it is assumed to become what its numbers say.
        drive_volt: Voltage of the source, sinusoidal, rms [V].
        source_ohm: Resistance of amplifier and leads [ohm].
        frequency_hz: Frequencies [Hz], shape (n,); default `grid`.
    """
    f = grid() if frequency_hz is None else frequency_hz

    def solved(theta: FloatArray) -> Behaviour:
        return behaviour(f, mounted(driver, theta, box, air, source_ohm), drive_volt)

    def curves(theta: FloatArray) -> FloatArray:
        done = solved(theta)
        vent, size = done.vent_flow_m3_s, np.abs(done.impedance_ohm)
        return np.stack([done.level_db, done.excursion_m, vent, done.group_delay_s, size])

    value = curves(driver.theta)
    slopes = _derivatives(curves, driver.theta)  # (p, 5, n)
    effects = np.array(list(driver.effects.values())).reshape(-1, driver.theta.size)
    spread = np.sqrt(np.sum(np.einsum("kp,pcn->kcn", effects, slopes) ** 2, axis=0))
    level, excursion, flow, delay, size = (
        Band(own, u) for own, u in zip(value, spread, strict=True)
    )
    vented, area = box.fb is not None, box.vent_area
    return Prediction(
        frequency_hz=f,
        level_db=level,
        excursion_m=excursion if driver.has_mass else None,
        vent_speed_m_s=flow.over(area) if vented and area is not None else None,
        group_delay_s=delay,
        impedance_ohm=solved(driver.theta).impedance_ohm,
        magnitude_ohm=size,
        parameters=_parameters(driver, box, source_ohm),
        vent_flow_m3_s=flow.value if vented else None,
        warnings=_shifted(driver, box, source_ohm),
    )


def _shifted(driver: SavedDriver, box: Box, source_ohm: float) -> tuple[Finding, ...]:
    """Say how suspension and former move fc and Qtc of a closed box off what fs, Qts and Vas say.

    The alignments (R. H. Small, J. Audio Eng. Soc. 20(10), 1972) take stiffness, loss and force
    factor as those at fs; at fc a suspension that gives slowly is stiffer, and its loss another.
    fc is where the pressure leads by 90 degrees, Qtc its size there over what Bl/Re makes of it
    far above.
    """
    model, theta = driver.driver, driver.electrical(driver.theta)
    if box.fb is not None or not model.mechanics.laws:
        return ()
    fs, Vas = (math.exp(driver.theta[k]) for k in (1, 4))
    plain = sealed_by_volume(fs, total_Q(driver.theta, source_ohm), Vas, box.volume)
    w0, source = 2 * math.pi * fs, math.exp(theta[RE]) + source_ohm
    x = plain.fc / fs
    for _ in range(_ROUNDS):
        s = np.array([1j * w0 * x])
        ring, force, _, _ = model.ring(s, theta)
        spring = model.dynamics(s, theta, stiffer=Vas / box.volume) / w0**2
        motor = s * force * math.exp(theta[STRENGTH]) / (w0**2 * source)
        held = spring * (1 + ring / source) / force + motor
        x = math.sqrt(float(held[0].real) + x * x)
    Qtc = x * x / float(held[0].imag)
    if abs(x * fs / plain.fc - 1) < _NOTICED and abs(Qtc / plain.Qtc - 1) < _NOTICED:
        return ()
    laws = {"suspension": model.mechanics.suspension, "ring": model.mechanics.former}
    parts = " and the ".join(name for name, law in laws.items() if law is not None)
    return (
        Finding(
            "law-shifts-box",
            f"the effect of the {parts} at fc differs from that at fs. With it fc is "
            f"{x * fs:.3g} Hz and Qtc {Qtc:.3g}, where fs, Qts and Vas say {plain.fc:.3g} Hz and "
            f"{plain.Qtc:.3g}. The curves follow it",
        ),
    )


def _derivatives(function: Callable[[FloatArray], FloatArray], theta: FloatArray) -> FloatArray:
    """Central differences by every parameter, shape (p, ...)."""
    found = []
    for index in range(theta.size):
        step = np.zeros(theta.size)
        step[index] = _STEP
        found.append((function(theta + step) - function(theta - step)) / (2 * _STEP))
    return np.array(found)


def _parameters(driver: SavedDriver, box: Box, source_ohm: float) -> dict[str, Estimate]:
    kinds = (
        {"fc": "Hz", "Qtc": "1", "f3": "Hz", "peak_db": "dB"}
        if box.fb is None
        else {"f3": "Hz", "peak_db": "dB"}
    )

    def values(theta: FloatArray) -> FloatArray:
        found = aligned(theta, box, source_ohm)
        return np.array([getattr(found, name) for name in kinds])

    own, slopes = values(driver.theta), _derivatives(values, driver.theta)
    return {
        name: driver.estimate(float(own[i]), slopes[:, i], unit)
        for i, (name, unit) in enumerate(kinds.items())
    }


def cautions(
    prediction: Prediction, box: Box, *, xmax: float | None, tube_length: float | None
) -> tuple[Finding, ...]:
    """Warn of what speaks against the box or the drive.

    Args:
        prediction: What the driver does in the box at the drive.
        xmax: Peak excursion that the driver takes [m]; None where it is not known.
        tube_length: Length of the vent's tube [m].
    """
    found = list(prediction.warnings)
    f = prediction.frequency_hz
    if prediction.vent_speed_m_s is not None:
        speed = prediction.vent_speed_m_s.value
        at = int(np.argmax(speed))
        if speed[at] > CHUFFS:
            wider = math.ceil(100 * math.sqrt(speed[at] / CHUFFS)) / 100
            found.append(
                Finding(
                    "vent-noise",
                    f"the air in the vent reaches {speed[at]:.0f} m/s at {f[at]:.0f} Hz and this "
                    f"drive; above about {CHUFFS:.0f} m/s a vent chuffs. A bore {wider:.2f} times "
                    "as wide (and a longer tube), rounded ends or less drive",
                )
            )
    if prediction.excursion_m is not None and xmax is not None:
        over = prediction.excursion_m.value > xmax
        if over.any():
            found.append(_too_far(f, prediction.excursion_m.value, xmax))
    if box.fb is not None:
        found.append(
            Finding(
                "unloaded-below-tuning",
                f"below {0.7 * box.fb:.0f} Hz or so nothing but the suspension holds the cone of "
                "a vented box: keep such signals away (a high-pass before the amplifier)",
            )
        )
    if tube_length is not None and tube_length > STRAIGHT * box.volume ** (1 / 3):
        found.append(
            Finding(
                "tube-long",
                f"the tube of {tube_length * 1e3:.0f} mm hardly fits a box of "
                f"{box.volume * 1e3:.3g} L ({1e3 * box.volume ** (1 / 3):.0f} mm as a cube). Leave "
                "a bore's width free behind its end, fold it, or take a narrower bore",
            )
        )
    loudest = float(np.max(prediction.level_db.value))
    if loudest > LOUD_DB:
        hours = 8 / 2 ** ((loudest - LOUD_DB) / 3)
        time = f"{hours:.1f} hours" if hours >= 1 else f"{rounded(60 * hours, 1)} minutes"
        found.append(
            Finding(
                "loud",
                f"{loudest:.0f} dB at 1 m at this drive: hearing takes that for about {time} a "
                "day (85 dB for 8 hours, half for every 3 dB more). Keep away or wear protection",
            )
        )
    return tuple(found)


def _too_far(f: FloatArray, excursion: FloatArray, xmax: float) -> Finding:
    over = np.flatnonzero(excursion > xmax)
    first, last = f[over[0]], f[over[-1]]
    where = f"below {last:.0f} Hz" if over[0] == 0 else f"between {first:.0f} and {last:.0f} Hz"
    most = float(np.max(excursion))
    return Finding(
        "too-far",
        f"{where} the cone moves farther than the {xmax * 1e3:.3g} mm it takes (up to "
        f"{most * 1e3:.2g} mm at {f[int(np.argmax(excursion))]:.0f} Hz). Keep such signals away, "
        f"or lower the drive to {xmax / most:.2f} of this voltage",
    )

"""Driver and box as one linear circuit: sound pressure, excursion, air flow, impedance.

Electro-mechano-acoustical circuit of L. L. Beranek, Acoustics (1954), chapters 3 and 8, and of
R. H. Small, J. Audio Eng. Soc. 20/21, 1972/73: the voltage behind the source resistance drives
the voice coil, Bl couples to the moving parts, the cone area to the air of the box. Valid while
cone, box and vent are small against the wavelength. The impedance is that of
`fit.driver.impedance`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.driver import enclosed_air
from fit.driver.impedance import RESONANCE, STRENGTH, Driver
from fit.given import air
from fit.given.standards import REFERENCE_PRESSURE
from meas.curve import ComplexArray, FloatArray


@dataclass(frozen=True)
class Air:
    """The air in and around the box.

    Attributes:
        density: Density [kg/m3].
        sound_speed: Sound speed [m/s].
    """

    density: float
    sound_speed: float

    @classmethod
    def at(cls, pressure: float, temperature: float, humidity: float) -> Air:
        """Air of a pressure [Pa], a temperature [K] and a relative humidity (`fit.given.air`)."""
        state = pressure, temperature, humidity
        return cls(air.density(*state), air.sound_speed(*state))

    @property
    def modulus(self) -> float:
        """Stiffness of the air, density times square of the sound speed [Pa]."""
        return self.density * self.sound_speed**2

    @property
    def words(self) -> str:
        """Density and sound speed, as stands beside a level."""
        return f"air of {self.density:.3f} kg/m³ and {self.sound_speed:.1f} m/s"


@dataclass(frozen=True)
class Box:
    """A box to build.

    Attributes:
        volume: Volume net of driver, vent and braces [m3].
        fb: Tuning of the vent [Hz]; None for a closed box.
        QL: Leakage Q, at fb for a vented box and at the driver's resonance in it for a closed
            one; infinite for none.
        vent_area: Cross section of all vents [m2]; None while it is not chosen.
    """

    volume: float
    fb: float | None = None
    QL: float = math.inf
    vent_area: float | None = None


@dataclass(frozen=True, eq=False)
class Mounted:
    """A driver in its box behind a source.

    Attributes:
        theta: The driver's parameters (`fit.driver.impedance`).
        Mms: Moving mass with air load [kg].
        Vas: Volume of as much compliance as the suspension's [m3].
        air: The air in and around the box.
        source_ohm: Amplifier and lead resistance in series [ohm].
    """

    driver: Driver
    theta: FloatArray
    Mms: float
    Vas: float
    box: Box
    air: Air
    source_ohm: float = 0.0

    @property
    def Sd(self) -> float:  # noqa: N802  # the field's symbol
        """Area with which Vas, Mms and fs agree, sqrt(Vas/(rho c^2 Cms)) [m2].

        A ruler enters only as far as the fit let it.
        """
        Cms = 1 / (math.exp(2 * self.theta[RESONANCE]) * self.Mms)
        return math.sqrt(self.Vas / (self.air.density * self.air.sound_speed**2 * Cms))


@dataclass(frozen=True, eq=False)
class Behaviour:
    """Response of the circuit to a sinusoidal drive, every array of shape (n,).

    Attributes:
        pressure_pa: Pressure at 1 m in half space, complex, rms [Pa].
        level_db: Its level re 20 uPa [dB].
        excursion_m: Peak excursion of the cone [m].
        vent_flow_m3_s: Peak volume velocity in the vent [m3/s]; 0 for a closed box.
        group_delay_s: Group delay of the pressure, propagation excluded [s].
        impedance_ohm: Impedance at the driver's terminals, complex [ohm].
    """

    pressure_pa: ComplexArray
    level_db: FloatArray
    excursion_m: FloatArray
    vent_flow_m3_s: FloatArray
    group_delay_s: FloatArray
    impedance_ohm: ComplexArray


def behaviour(frequency_hz: FloatArray, mounted: Mounted, drive_volt_rms: float) -> Behaviour:
    """Solve the circuit.

    Args:
        frequency_hz: Increasing, dense enough for the group delay's difference [Hz], shape (n,).
        drive_volt_rms: Voltage of the source before ``source_ohm`` [V].
    """
    omega = 2 * np.pi * np.asarray(frequency_hz, dtype=float)
    s = np.asarray(1j * omega, dtype=np.complex128)
    driver, theta, fb = mounted.driver, mounted.theta, mounted.box.fb
    alpha = mounted.Vas / mounted.box.volume
    compressed = _compressed(s, mounted.box, math.exp(theta[RESONANCE]) * math.sqrt(1 + alpha))
    dynamics = driver.dynamics(s, theta, stiffer=alpha * compressed)
    mobility = s / (mounted.Mms * dynamics)  # reciprocal of the mechanical impedance
    Bl = math.sqrt(math.exp(theta[STRENGTH]) * mounted.Mms) * driver.force(s, theta)
    impedance = driver.blocked(s, theta) + Bl**2 * mobility
    velocity = Bl * drive_volt_rms / (mounted.source_ohm + impedance) * mobility
    # The leak and the vent give back part of what the cone's rear pushes in: what radiates is
    # the flow that compresses the air in the box (Small 1973, part I).
    radiating = mounted.Sd * velocity * compressed
    pressure = s * mounted.air.density * radiating / (2 * np.pi)
    vent = np.zeros_like(s) if fb is None else radiating * (2 * math.pi * fb / s) ** 2
    return Behaviour(
        pressure_pa=pressure,
        level_db=20 * np.log10(np.abs(pressure) / REFERENCE_PRESSURE),
        excursion_m=math.sqrt(2) * np.abs(velocity) / omega,
        vent_flow_m3_s=math.sqrt(2) * np.abs(vent),
        group_delay_s=-np.gradient(np.unwrap(np.angle(pressure)), omega),
        impedance_ohm=impedance,
    )


def _compressed(s: ComplexArray, box: Box, resonance: float) -> ComplexArray:
    """Share of the cone's flow that compresses the air of a box.

    A leak of QL at a closed box's angular resonance lets the pressure go at the rate resonance/QL.
    """
    if box.fb is None:
        return enclosed_air.closed(1.0, s, resonance / box.QL)[0]
    return enclosed_air.vented(1.0, s, 2 * math.pi * box.fb, 1 / box.QL)[0]

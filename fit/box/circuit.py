"""Driver and box as one linear circuit: sound pressure, excursion, air speed, impedance.

Electro-mechano-acoustical circuit of L. L. Beranek, Acoustics (1954), chapters 3 and 8, and of
R. H. Small, J. Audio Eng. Soc. 20/21, 1972/73: the voltage behind the source resistance drives
the voice coil, Bl couples to the moving parts, the cone area to the air of the box. Valid while
cone, box and vent are small against the wavelength.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from meas.curve import ComplexArray, FloatArray


@dataclass(frozen=True, eq=False)
class Mounted:
    """What goes into the circuit.

    Attributes:
        coil_ohm: Blocked electrical impedance, Re included [ohm], shape (n,).
        Bl: Force factor [T m]; of shape (n,) and complex where a closed former turns it
            (`fit.driver.former`): it makes the force and the back-EMF alike.
        Mms: Moving mass with air load [kg].
        Cms: Compliance at the driver's own resonance [m/N].
        Rms: Mechanical loss [kg/s].
        Sd: Effective area [m2].
        volume: Net volume of the box [m3]; ``math.inf`` for an infinite baffle.
        fb: Tuning of the vent [Hz]; None for a closed box.
        QL: Leakage Q, at fb for a vented box and at fs in the box for a closed one.
        vent_area: Cross section of all vents [m2]; only used for the air speed.
        density: Of air [kg/m3].
        sound_speed: [m/s].
        source_ohm: Amplifier and lead resistance in series [ohm].
        stiffness: Dynamic stiffness of the suspension over 1/Cms, shape (n,)
            (`fit.driver.mechanics`).
    """

    coil_ohm: ComplexArray
    Bl: ComplexArray | float
    Mms: float
    Cms: float
    Rms: float
    Sd: float
    volume: float
    fb: float | None
    QL: float
    vent_area: float | None
    density: float
    sound_speed: float
    source_ohm: float = 0.0
    stiffness: ComplexArray | float = 1.0


@dataclass(frozen=True, eq=False)
class Behaviour:
    """What the circuit does at a sinusoidal drive, every array of shape (n,).

    Attributes:
        pressure_pa: At 1 m in half space, complex, rms [Pa].
        level_db: Its level re 20 uPa [dB].
        excursion_m: Peak excursion of the cone [m].
        vent_speed_m_s: Peak air speed in the vent; None without a vent area [m/s].
        group_delay_s: Of the pressure, propagation excluded [s].
        impedance_ohm: At the driver's terminals, complex [ohm].
    """

    pressure_pa: ComplexArray
    level_db: FloatArray
    excursion_m: FloatArray
    vent_speed_m_s: FloatArray | None
    group_delay_s: FloatArray
    impedance_ohm: ComplexArray


def behaviour(frequency_hz: FloatArray, mounted: Mounted, drive_volt_rms: float) -> Behaviour:
    """Solve the circuit.

    Args:
        frequency_hz: Increasing, dense enough for the group delay's difference [Hz], shape (n,).
        mounted: The circuit.
        drive_volt_rms: Voltage of the source before ``source_ohm`` [V].
    """
    omega = 2 * np.pi * np.asarray(frequency_hz, dtype=float)
    s = np.asarray(1j * omega, dtype=np.complex128)
    box, port_share = _box_acoustics(s, mounted)
    spring = mounted.stiffness / (s * mounted.Cms)
    mechanical = mounted.Rms + s * mounted.Mms + spring + mounted.Sd**2 * box
    impedance = mounted.coil_ohm + mounted.Bl**2 / mechanical
    current = drive_volt_rms / (mounted.source_ohm + impedance)
    velocity = mounted.Bl * current / mechanical
    cone_flow = mounted.Sd * velocity
    # The leak and the vent give back part of what the cone's rear pushes in: what radiates is
    # the flow that compresses the air in the box (Small 1973, part I), or the whole in a baffle.
    radiating = cone_flow * (1 - port_share)
    pressure = s * mounted.density * radiating / (2 * np.pi)
    phase = np.unwrap(np.angle(pressure))
    vent_speed = None
    if mounted.fb is not None and mounted.vent_area is not None:
        vent_flow = box * cone_flow / (s * _vent_mass(mounted.fb, _compliance(mounted)))
        vent_speed = math.sqrt(2) * np.abs(vent_flow) / mounted.vent_area
    return Behaviour(
        pressure_pa=pressure,
        level_db=20 * np.log10(np.abs(pressure) / 20e-6),
        excursion_m=math.sqrt(2) * np.abs(velocity) / omega,
        vent_speed_m_s=vent_speed,
        group_delay_s=-np.gradient(phase, omega),
        impedance_ohm=impedance,
    )


def _compliance(mounted: Mounted) -> float:
    """Acoustic compliance of the box [m5/N]: V/(rho c^2)."""
    return mounted.volume / (mounted.density * mounted.sound_speed**2)


def _vent_mass(fb: float, compliance: float) -> float:
    """Acoustic mass that resonates with the box at fb [kg/m4]."""
    return 1 / ((2 * math.pi * fb) ** 2 * compliance)


def _box_acoustics(s: ComplexArray, mounted: Mounted) -> tuple[ComplexArray, ComplexArray]:
    """Acoustic impedance seen by the cone's rear, and the share of its flow that escapes."""
    if math.isinf(mounted.volume):
        zero = np.zeros_like(s)
        return zero, zero
    compliance = _compliance(mounted)
    leaving = np.zeros_like(s)
    if mounted.fb is None:
        stiffness = 1 / mounted.Cms + mounted.Sd**2 / compliance
        reference = math.sqrt(stiffness / mounted.Mms)
    else:
        leaving = leaving + 1 / (s * _vent_mass(mounted.fb, compliance))
        reference = 2 * math.pi * mounted.fb
    if not math.isinf(mounted.QL):
        # QL = omega C_ab R_al; a closed box is referred to the driver's resonance in it.
        leaving = leaving + reference * compliance / mounted.QL
    admittance = s * compliance + leaving
    return 1 / admittance, leaving / admittance

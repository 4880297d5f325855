"""Synthetic drivers, independent of `fit.driver.impedance`, for tests of the estimator."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fit.given.measured import AddedMass, FreeAir, MeasuredCurve, Session, Stated, TestBox
from meas.curve import Cause, ImpedanceCurve, MagnitudeCurve, Systematic

GAMMA_P = 141.8e3
"""Stiffness of air at 1013.25 hPa, 20 C, 50 % [Pa]: 1.1994 x 343.96^2 (CoolProp)."""


@dataclass(frozen=True)
class Driver:
    """Lumped elements in SI units; the coil is K s^n."""

    Re: float
    Mms: float
    Cms: float
    Rms: float
    Bl: float
    Sd: float
    K: float = 0.02
    n: float = 0.7

    @property
    def truth(self):
        w0 = 1 / np.sqrt(self.Mms * self.Cms)
        Qms = w0 * self.Mms / self.Rms
        Qes = w0 * self.Mms * self.Re / self.Bl**2
        return {
            "Re": self.Re,
            "fs": w0 / (2 * np.pi),
            "Qms": Qms,
            "Qes": Qes,
            "Qts": 1 / (1 / Qms + 1 / Qes),
            "Mms": self.Mms,
            "Cms": self.Cms,
            "Rms": self.Rms,
            "Bl": self.Bl,
            "Vas": GAMMA_P * self.Sd**2 * self.Cms,
            "Sd": self.Sd,
        }

    def impedance(self, frequency, *, mass=0.0, volume=None, modulus=GAMMA_P):
        """Electrical impedance from the mechanical one."""
        jw = 2j * np.pi * frequency
        mechanical = self.Rms + jw * (self.Mms + mass) + 1 / (jw * self.Cms)
        if volume is not None:
            mechanical = mechanical + modulus * self.Sd**2 / (volume * jw)
        return self.Re + self.K * jw**self.n + self.Bl**2 / mechanical


WOOFER = Driver(Re=6.2, Mms=0.0125, Cms=1.1e-3, Rms=0.9, Bl=6.8, Sd=0.0137)
SUBWOOFER = Driver(Re=3.4, Mms=0.110, Cms=0.42e-3, Rms=4.1, Bl=11.5, Sd=0.049, K=0.05, n=0.66)
MIDRANGE = Driver(Re=5.6, Mms=0.0042, Cms=0.55e-3, Rms=0.75, Bl=4.9, Sd=0.0052, K=0.004, n=0.75)

FREQUENCY = np.geomspace(10.0, 20e3, 400)


def stated(value, half_width, source):
    return Stated(value, half_width, source, f"{source} ±{half_width:g}")


SESSION = Session(
    area=None,
    measured_re=None,
    moving_parts=None,
    pressure=stated(101325.0, 3000.0, "air-pressure"),
    temperature=stated(293.15, 3.0, "air-temperature"),
    relative_humidity=stated(0.5, 0.2, "air-humidity"),
)


def with_area(area, half_width):
    return replace(SESSION, area=stated(area, half_width, "ruler"))


def curve(z, rng, *, noise=1e-4, resistor=0.01, frequency=FREQUENCY):
    """A measured curve; `noise` is relative, `resistor` the half-width of its tolerance."""
    sigma = noise * np.abs(z)
    data = z + sigma * (rng.standard_normal(z.size) + 1j * rng.standard_normal(z.size))
    systematics = ()
    if resistor:
        text = f"series resistor ±{resistor:.1%}"
        effect = data * resistor / 3**0.5
        systematics = (Systematic("resistor:bench", text, effect, Cause.SERIES_RESISTOR),)
    return ImpedanceCurve(frequency, data, sigma, systematics)


def magnitude(z, rng, *, scatter, frequency):
    """A table of magnitudes without stated uncertainty."""
    return MagnitudeCurve(frequency, np.abs(z) * (1 + scatter * rng.standard_normal(z.size)))


def free(source, measured):
    return MeasuredCurve(source, measured, FreeAir())


def loaded(source, measured, mass, half_width=1e-4):
    name = f"mass:{mass:g}kg"
    return MeasuredCurve(source, measured, AddedMass(stated(mass, half_width, name)))


def boxed(source, measured, volume, half_width):
    name = f"volume:{volume:g}m3"
    return MeasuredCurve(source, measured, TestBox(stated(volume, half_width, name)))

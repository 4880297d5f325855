"""Fits made from known physics, without an estimator: for what follows from an estimate."""

from dataclasses import dataclass, replace
from math import log10, pi, sqrt

import numpy as np

from fit.results.result import DriverFit, Estimate, FittedCurve

AIR = (1.2, 344.0)  # density [kg/m3] and sound speed [m/s]: any fixed pair will do here


@dataclass(frozen=True)
class Physical:
    """A driver by its parts; the invented woofer "Auerhahn"."""

    Re: float = 6.2
    Le: float = 0.6e-3
    Bl: float = 6.4
    Mms: float = 14e-3
    Cms: float = 0.7e-3
    Rms: float = 1.1
    Sd: float = 133e-4

    def but(self, **factors):
        """The same driver with some parts multiplied."""
        return replace(self, **{name: getattr(self, name) * f for name, f in factors.items()})

    def values(self):
        """Every reported quantity; definitions of A. N. Thiele and R. H. Small."""
        ws = 1 / sqrt(self.Mms * self.Cms)
        qms = ws * self.Mms / self.Rms
        qes = ws * self.Mms * self.Re / self.Bl**2
        rho, c = AIR
        vas = rho * c**2 * self.Sd**2 * self.Cms
        eta0 = ws**3 * vas / (2 * pi * c**3 * qes)  # 4 pi^2 fs^3 Vas / (c^3 Qes)
        level = 10 * log10(rho * c / (2 * pi) / 20e-6**2) + 10 * log10(eta0)
        return {
            "Re": self.Re,
            "Re_20C": self.Re,
            "Res": self.Bl**2 / self.Rms,
            "Le": self.Le,
            "fs": ws / (2 * pi),
            "Qms": qms,
            "Qes": qes,
            "Qts": qms * qes / (qms + qes),
            "Zmin": 1.05 * self.Re,
            "Zmax": self.Re + self.Bl**2 / self.Rms,
            "Mms": self.Mms,
            "Cms": self.Cms,
            "Rms": self.Rms,
            "Bl": self.Bl,
            "Vas": vas,
            "Sd": self.Sd,
            "eta0": eta0,
            "sensitivity_1w": level,
            "sensitivity_2v83": level + 10 * log10(8 / self.Re),
        }

    def impedance(self, frequency_hz):
        """Total and motional impedance [ohm]."""
        s = 2j * pi * frequency_hz
        motional = self.Bl**2 / (self.Rms + s * self.Mms + 1 / (s * self.Cms))
        return self.Re + s * self.Le + motional, motional


UNITS = {
    "Re": "ohm", "Re_20C": "ohm", "Res": "ohm", "Le": "H",
    "fs": "Hz", "Qms": "1", "Qes": "1", "Qts": "1", "Zmin": "ohm",
    "Zmax": "ohm", "Mms": "kg", "Cms": "m/N", "Rms": "kg/s", "Bl": "T m", "Vas": "m3",
    "Sd": "m2", "eta0": "1", "sensitivity_1w": "dB", "sensitivity_2v83": "dB",
}  # fmt: skip

# Relative effect of plus one standard uncertainty (for decibels: absolute, in dB). A 1 % resistor
# goes one to one into resistances and half into Bl; a mass limited to 1.3 % goes into Mms ...
SOURCES = {
    "resistor:bench-a": {"Re": 0.0058, "Re_20C": 0.0058, "Res": 0.0058, "Le": 0.0058,
                         "Zmin": 0.0058, "Zmax": 0.0058, "Bl": 0.0029,
                         "eta0": 0.0, "sensitivity_2v83": 0.025},
    "mass:7.5g±0.1g": {"Mms": 0.0077, "Cms": -0.0077, "Rms": 0.0077, "Bl": 0.0038, "Vas": -0.0077,
                       "eta0": -0.0077, "sensitivity_1w": -0.033, "sensitivity_2v83": -0.033},
    "ruler": {"Sd": 0.008, "Vas": 0.016, "eta0": 0.016, "sensitivity_1w": 0.07,
              "sensitivity_2v83": 0.07},
    "random:takes": {"Re": 0.0002, "Re_20C": 0.0002, "Res": 0.001, "Le": 0.001,
                     "fs": 0.0004, "Qms": 0.001, "Qes": 0.0008,
                     "Qts": 0.0007, "Zmin": 0.0002, "Zmax": 0.0005, "Mms": 0.002, "Cms": -0.002,
                     "Rms": 0.002, "Bl": 0.001, "Vas": -0.002, "eta0": -0.002,
                     "sensitivity_1w": -0.01, "sensitivity_2v83": -0.01},
}  # fmt: skip
FREE_AIR_ONLY = ("Re", "Re_20C", "Res", "Le", "fs", "Qms", "Qes", "Qts", "Zmin", "Zmax")


def estimates(physical, *, names=tuple(UNITS), sources=None, scale=1.0):
    """Symbol to estimate for a driver, with all uncertainties times ``scale``."""
    made = {}
    for name in names:
        value = physical.values()[name]
        decibel = UNITS[name] == "dB"
        made[name] = Estimate(
            value=value,
            unit=UNITS[name],
            contributions={
                source: scale * effects[name] * (1 if decibel else value)
                for source, effects in (sources or SOURCES).items()
                if name in effects
            },
            logarithmic=not decibel,
            frequency_hz=1000.0 if name == "Le" else None,
        )
    return made


def curve(physical, *, condition="free-air", value=None, source="take-1", points=300):
    """A curve followed perfectly by its model."""
    frequency = np.geomspace(10, 2e4, points)
    total, motional = physical.impedance(frequency)
    return FittedCurve(source, condition, value, frequency, total, total, motional, 1e-4)


def fit_of(physical, *, free_air_takes=1, model="plain", **how):
    """A whole fit."""
    return DriverFit(
        model=model,
        parameters=estimates(physical, **how),
        curves=tuple(curve(physical, source=f"take-{i + 1}") for i in range(free_air_takes)),
        sources={name: f"{name} in words" for name in SOURCES},
        model_choice={"plain": 12.5, "ladder": 17.25},
    )

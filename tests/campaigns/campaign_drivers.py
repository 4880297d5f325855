"""Twelve invented drivers and any number of random ones, written from their elements.

Nothing here knows how `fit` models a driver: impedances are those of mass, spring, coil and ring,
and the truth follows from the definitions of the trade (fs where the mechanical impedance is
real, Rms its value there, Cms = 1/(ws^2 Mms); A. N. Thiele, J. Audio Eng. Soc. 19(5), 1971). The
bench is a divider with a series resistor on the hot side, whose errors are made where they arise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import brentq

from fit.given import in_python
from fit.given.measured import MeasuredCurve, Session
from meas.curve import ImpedanceCurve, Systematic

MODULUS = 1.199359 * 343.9630**2
"""rho c^2 at 101325 Pa, 20 C, 50 % [Pa]: density and sound speed by CoolProp 8.0."""
PRESSURE, TEMPERATURE, HUMIDITY = 101325.0, 293.15, 0.5
SERIES_OHM = 10.0
KILOHERTZ = 2e3 * np.pi
POINTS = 120
"""Points of a take. Real takes have 400; a scatter relative to its bound does not depend on it."""


@dataclass(frozen=True)
class Driver:
    """A driver by its parameters at rest, with laws of coil, suspension and former.

    Attributes:
        coil: Kind and values: ``plain`` (L), ``lossy`` (ohm at 1 kHz, n), ``ladder`` and longer
            (L1, L2, R2, L3, ...), ``empirical`` (ohm at 1 kHz, Xr, ohm at 1 kHz, Xi), ``laws``
            (ohm at 1 kHz, n, ohm at 1 kHz, n).
        law: Nothing, ``creep`` (share a decade), ``relaxing`` (give, delay times ws), ``former``
            (brake over the spring's reaction at fs, corner in hertz, ohms in the coil),
            ``hysteretic`` (loss factor), ``bump`` (share of the moving mass that resonates by
            itself, at how many times fs, with what Q).
    """

    name: str
    Re: float
    fs: float
    Qms: float
    Qes: float
    Mms: float
    Sd: float
    coil: tuple[str, tuple[float, ...]]
    law: tuple[str, tuple[float, ...]] = ("", ())

    @property
    def w0(self) -> float:
        return 2 * np.pi * self.fs

    @property
    def Bl(self) -> float:  # noqa: N802 (the symbol of the field)
        return float(np.sqrt(self.w0 * self.Mms * self.Re / self.Qes))

    @property
    def model(self) -> str:
        """The model that generates it, by the name it has in `fit`."""
        return self.coil[0] + (f"+{self.law[0]}" if self.law[0] else "")

    def coil_impedance(self, s):
        kind, v = self.coil
        if kind == "plain":
            return s * v[0]
        if kind == "lossy":
            return v[0] * (s / KILOHERTZ) ** v[1]
        if kind == "laws":
            return v[0] * (s / KILOHERTZ) ** v[1] + v[2] * (s / KILOHERTZ) ** v[3]
        if kind == "empirical":
            w = s.imag / KILOHERTZ
            return v[0] * w ** v[1] + 1j * v[2] * w ** v[3]
        total = s * v[0]
        for L, R in zip(v[1::2], v[2::2], strict=True):
            total = total + 1 / (1 / (s * L) + 1 / R)
        return total

    def mechanical(self, s, *, mass=0.0, volume=None, state=None):
        """Force over velocity [N s/m]; `state` is how the take departs from rest."""
        now = state or State()
        kind, v = self.law
        C0 = np.exp(now.softer) / (self.w0**2 * self.Mms)
        Rms = self.w0 * self.Mms / self.Qms * np.exp(now.lossier)
        compliance = C0 + 0 * s
        extra = 0.0
        if kind == "creep":
            compliance = C0 * (1 - v[0] * np.log10(s / self.w0))
        elif kind == "relaxing":
            compliance = C0 * (1 + v[0] / (1 + s * v[1] / self.w0))
        elif kind == "former":
            extra = v[0] * self.w0 * self.Mms / (1 + s / (2 * np.pi * v[1]))
        elif kind == "hysteretic":
            compliance = C0 / (1 + 1j * v[0])
        elif kind == "bump":
            # Part of the mass rides on the rest through a spring: s m k/(s^2 m + k), damper in k.
            m, w = v[0] * self.Mms, v[1] * self.w0
            k = m * (w * w + s * w / v[2])
            extra = s * m * k / (s * s * m + k) - s * m
        inertia = (self.Mms * np.exp(now.airier) + mass) * s
        total = Rms + extra + inertia + 1 / (s * compliance)
        if volume is not None:
            total = total + MODULUS * self.Sd**2 / (volume * (s + now.leak * self.w0))
        return total

    def impedance(self, f, **condition):
        s = 2j * np.pi * np.asarray(f)
        now = condition.get("state") or State()
        blocked = self.Re * np.exp(now.warmer) + self.coil_impedance(s)
        force = self.Bl
        if self.law[0] == "former":
            # Ring: 0 = (Rf + s Lf) i + s M I + Bf v. It adds -(s M)^2/(Rf + s Lf) to the coil,
            # R h beside a lossless part that counts as the coil's own, and turns the force to
            # Bl - s M Bf/(Rf + s Lf) = Bl - sqrt(R Bf^2/Rf) h.
            brake, corner, R = self.law[1]
            h = s / (s + 2 * np.pi * corner)
            blocked = blocked + R * h
            force = force - np.sqrt(R * brake * self.w0 * self.Mms) * h
        return blocked + force**2 / self.mechanical(s, **condition)

    @property
    def truth(self) -> Mapping[str, float]:
        def reactance(w):
            return complex(self.mechanical(np.array([1j * w]))[0]).imag

        ws = self.w0
        if self.law[0]:
            ws = float(brentq(reactance, 0.8 * self.w0, 1.25 * self.w0, xtol=1e-12 * self.w0))
        Rms = float(self.mechanical(np.array([1j * ws]))[0].real)
        Cms = 1 / (ws * ws * self.Mms)
        Qms, Qes = ws * self.Mms / Rms, ws * self.Mms * self.Re / self.Bl**2
        return {
            "Re": self.Re,
            "fs": ws / (2 * np.pi),
            "Qms": Qms,
            "Qes": Qes,
            "Qts": Qms * Qes / (Qms + Qes),
            "Mms": self.Mms,
            "Cms": Cms,
            "Bl": self.Bl,
            "Vas": MODULUS * self.Sd**2 * Cms,
            "Sd": self.Sd,
        }

    @property
    def band(self):
        """Frequencies of a take: from a fifth of fs, but 5 to 100 Hz, to 20 kHz."""
        return np.geomspace(max(5.0, min(self.fs / 5, 100.0)), 20e3, POINTS)

    @property
    def added_mass(self) -> float:
        """0.6 Mms, a fifth off the resonance, but what pocket scales can weigh [kg]."""
        return max(0.6 * self.Mms, 0.3e-3)

    @property
    def box(self) -> float:
        """As large as Vas [m3]."""
        return self.truth["Vas"]


@dataclass(frozen=True)
class State:
    """How a take departs from rest, in logarithms; the leak is a corner over fs."""

    softer: float = 0.0
    warmer: float = 0.0
    lossier: float = 0.0
    airier: float = 0.0
    leak: float = 0.0


DRIVERS = (
    Driver("subwoofer 15 Hz", 3.1, 15, 7.0, 0.42, 0.38, 0.135,
           ("ladder4", (0.2e-3, 1.5e-3, 1.5, 0.8e-3, 6.0, 0.35e-3, 25.0))),
    Driver("subwoofer 24 Hz", 3.6, 24, 4.5, 0.50, 0.16, 0.082,
           ("ladder", (0.5e-3, 1.1e-3, 5.0)), ("creep", (0.12,))),
    Driver("woofer 33 Hz", 5.8, 33, 3.2, 0.38, 52e-3, 0.053,
           ("lossy", (7.0, 0.66)), ("creep", (0.08,))),
    Driver("woofer 41 Hz", 6.1, 41, 3.0, 0.45, 31e-3, 0.035,
           ("lossy", (5.5, 0.70)), ("former", (0.35, 700.0, 0.8))),
    Driver("bass-mid 52 Hz", 5.5, 52, 5.5, 0.33, 16.5e-3, 0.0215,
           ("ladder3", (0.12e-3, 0.45e-3, 1.8, 0.25e-3, 9.0))),
    Driver("bass-mid 64 Hz", 6.3, 64, 2.4, 0.55, 11.8e-3, 0.0137, ("lossy", (3.2, 0.74))),
    Driver("wide-range 88 Hz", 7.1, 88, 4.8, 0.78, 4.2e-3, 0.0085,
           ("empirical", (1.4, 0.55, 2.6, 0.82))),
    Driver("wide-range 125 Hz", 3.5, 125, 3.1, 0.62, 2.1e-3, 0.0038,
           ("ladder", (0.08e-3, 0.15e-3, 2.5)), ("relaxing", (0.2, 3.0))),
    Driver("midrange 210 Hz", 5.6, 210, 2.8, 0.60, 4.0e-3, 0.0052,
           ("ladder", (0.10e-3, 0.16e-3, 3.5))),
    Driver("midrange 390 Hz", 6.4, 390, 3.6, 1.1, 1.5e-3, 0.0038, ("plain", (0.09e-3,))),
    Driver("dome 820 Hz", 5.9, 820, 1.9, 1.3, 0.42e-3, 0.00072, ("lossy", (0.25, 0.72))),
    Driver("tweeter 2.4 kHz", 4.2, 2400, 1.4, 1.9, 0.16e-3, 0.00032,
           ("ladder", (8e-6, 20e-6, 2.0))),
)  # fmt: skip
"""From the lowest subwoofer to a tweeter, with every coil model and every law."""


@dataclass(frozen=True)
class Bench:
    """One session at a bench: the errors that nobody there knows.

    Attributes:
        resistor: Of the series resistor, relative.
        gain: Of the driver input against the source input, relative, after calibration.
        delay: The same [s].
        noise: Standard deviation of each component of the ratio of voltages.
        limits: Half-widths of the three that the bench states about itself.
    """

    noise: float
    resistor: float = 0.0
    gain: float = 0.0
    delay: float = 0.0
    limits: Mapping[str, float] = field(default_factory=dict)

    def take(self, driver, rng, *, f=None, **condition) -> ImpedanceCurve:
        """One curve as this bench measures it."""
        f = driver.band if f is None else f
        z = driver.impedance(f, **condition)
        turn = -2j * np.pi * f
        R = SERIES_OHM / (1 + self.resistor)
        ratio = z / (R + z) * (1 + self.gain) * np.exp(turn * self.delay)
        ratio = ratio + self.noise * (
            rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)
        )
        data = SERIES_OHM * ratio / (1 - ratio)
        slope = data * (1 + data / SERIES_OHM)
        effects = {"resistor": data, "gain": slope, "delay": slope * turn}
        systematics = tuple(
            Systematic(f"{name}:bench", name, effects[name] * half / np.sqrt(3))
            for name, half in self.limits.items()
            if half
        )
        return ImpedanceCurve(f, data, self.sigma(z), systematics)

    def sigma(self, z):
        """Random standard uncertainty of each component of a small-noise impedance [ohm]."""
        return self.noise * np.abs(SERIES_OHM + z) ** 2 / SERIES_OHM


EXACT = 1e-7
"""Relative half-width of what counts as known."""


def exact_session() -> Session:
    return in_python.session(
        pressure=(PRESSURE, EXACT * PRESSURE),
        temperature=(TEMPERATURE, EXACT * TEMPERATURE),
        relative_humidity=(HUMIDITY, EXACT * HUMIDITY),
    )


def drifted(rng, *, box=False) -> State:
    """A later take, as far from the first as `fit.given.prior_widths` says that takes may be.

    Re 0.5 %, Cms 2 %, loss 15 % (30 % in a box), air load 5 % and a leak of QL 50 in a box. A
    leak is positive: its size, not its value, is normal.
    """
    normal = rng.standard_normal
    return State(
        softer=0.02 * normal(),
        warmer=0.005 * normal(),
        lossier=(0.3 if box else 0.15) * normal(),
        airier=0.05 * normal() if box else 0.0,
        leak=0.02 * abs(normal()) if box else 0.0,
    )


def exact_takes(driver, rng, noise) -> list[MeasuredCurve]:
    """Free air, mass and box with noise and drift as the only errors."""
    bench = Bench(noise)
    m, v = driver.added_mass, driver.box
    return [
        in_python.in_free_air(bench.take(driver, rng)),
        in_python.with_added_mass(
            bench.take(driver, rng, mass=m, state=drifted(rng)), (m, EXACT * m)
        ),
        in_python.in_test_box(
            bench.take(driver, rng, volume=v, state=drifted(rng, box=True)), (v, EXACT * v)
        ),
    ]


SCALES, RULER, VOLUME = 0.1e-3, 1e-3, 0.02
LIMITS = {"resistor": 0.01, "gain": 0.0005, "delay": 0.002 / 48e3}
"""Resistor 1 %; inputs after calibration as a rig assumes it, 0.05 % and 0.002 samples."""


def whole_bench(driver, rng, noise) -> tuple[list[MeasuredCurve], Session]:
    """Free air, mass and box of one session with every declared error drawn anew.

    Rectangular within: resistor 1 %, scales 0.1 g, diameter 1 mm, volume 2 %, air 30 hPa, 3 K and
    0.2 of humidity, inputs 0.05 % and 0.002 samples at 48 kHz. Drift as in `drifted`.
    """

    def off(half_width):
        return rng.uniform(-half_width, half_width)

    bench = Bench(noise, **{name: off(half) for name, half in LIMITS.items()}, limits=LIMITS)
    across = 2 * np.sqrt(driver.Sd / np.pi)
    session = in_python.session(
        pressure=(PRESSURE + off(3e3), 3e3),
        temperature=(TEMPERATURE + off(3.0), 3.0),
        relative_humidity=(HUMIDITY + off(0.2), 0.2),
        diameter=(across + off(RULER), RULER),
    )
    m, v = driver.added_mass, driver.box
    curves = [
        in_python.in_free_air(bench.take(driver, rng)),
        in_python.with_added_mass(
            bench.take(driver, rng, mass=m, state=drifted(rng)), (m + off(SCALES), SCALES)
        ),
        in_python.in_test_box(
            bench.take(driver, rng, volume=v, state=drifted(rng, box=True)),
            (v * (1 + off(VOLUME)), VOLUME * v),
        ),
    ]
    return curves, session


@dataclass(frozen=True)
class RandomCase:
    """A random driver with the band and the noise of its one take."""

    driver: Driver
    f: np.ndarray
    noise: float


def random_case(rng) -> RandomCase:
    """Anything a person may hold to the leads: 15 Hz to 3 kHz, Qms 0.5 to 20, Qes 0.2 to 6, Re 2
    to 16, Le 0 to 3 mH, the band cut off at either end, 60 to 100 dB from signal to noise."""

    def between(low, high):
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    fs = between(15, 3000)
    Re, Le = between(2, 16), rng.uniform(0, 3e-3)
    kind = rng.choice(["plain", "lossy", "ladder", "ladder3", "empirical"])
    wLe = KILOHERTZ * Le
    if kind == "plain":
        values = (Le,)
    elif kind == "lossy":
        n = rng.uniform(0.55, 0.95)
        values = (wLe / np.sin(n * np.pi / 2), n)
    elif kind == "empirical":
        values = (wLe * between(0.2, 1.0), rng.uniform(0.45, 1.0), wLe, rng.uniform(0.6, 0.95))
    else:
        shares = rng.dirichlet(np.ones(2 if kind == "ladder" else 3))
        corners = np.sort([between(3 * fs, max(20e3, 6 * fs)) for _ in shares[1:]])
        pairs = [
            x for L, c in zip(shares[1:] * Le, corners, strict=True) for x in (L, 2 * np.pi * c * L)
        ]
        values = (shares[0] * Le, *pairs)
    low, high = fs / between(0.8, 20), fs * between(0.8, 400)
    f = np.geomspace(max(5.0, low), max(min(24e3, high), 2 * max(5.0, low)), 100)
    driver = Driver(
        "random", Re, fs, between(0.5, 20), between(0.2, 6), between(1e-4, 0.3), 0.01,
        (str(kind), tuple(float(v) for v in values)),
    )  # fmt: skip
    return RandomCase(driver, f, 10 ** (-rng.uniform(60, 100) / 20))


def generating(driver: Driver):
    """Elements in logarithms, and the driver back from them: what a bound is taken along.

    All positive but an exponent; strength and mass are what takes can tell apart.
    """
    start = np.log([driver.Re, driver.fs, driver.Qms, driver.Qes, driver.Mms, driver.Sd,
                    *driver.coil[1], *driver.law[1]])  # fmt: skip
    n = len(driver.coil[1])

    def back(p) -> Driver:
        v = np.exp(p)
        return replace(
            driver, Re=v[0], fs=v[1], Qms=v[2], Qes=v[3], Mms=v[4], Sd=v[5],
            coil=(driver.coil[0], tuple(v[6 : 6 + n])),
            law=(driver.law[0], tuple(v[6 + n :])),
        )  # fmt: skip

    return start, back

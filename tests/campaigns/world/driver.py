"""Drivers from the laws of Kirchhoff and Newton: coil, cone, suspension, frame, air around."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

RHO, SPEED = 1.1993, 343.97
"""Air at 20 C, 101325 Pa, 50 % [kg/m3, m/s] (CIPM-2007 and Cramer, as in the handbooks)."""

Impedance = Callable[[np.ndarray], np.ndarray]
"""Mechanical impedance [N s/m] of the complex angular frequency [rad/s]."""


def parallel(one, other):
    return one * other / (one + other)


@dataclass(frozen=True)
class Driver:
    """A moving-coil driver, SI units.

    ``sections`` are pairs of R [ohm] parallel to L [H] (eddy currents, a shorted ring as seen from
    the coil); ``power`` is K and n of K s^n (W. M. Leach, J. Audio Eng. Soc. 50(6), 2002);
    ``creep`` is lambda of C0 [1 - lambda log10(s/w0)] (M. H. Knudsen, J. G. Jensen, 41(1/2), 1993).
    """

    name: str
    Re: float
    Bl: float
    M: float
    C: float
    R: float
    Sd: float
    L: float = 0.0
    sections: tuple[tuple[float, float], ...] = ()
    power: tuple[float, float] = (0.0, 0.7)
    creep: float = 0.0
    frame_kg: float = 1.0

    def coil(self, s):
        K, n = self.power
        z = s * self.L + K * s**n
        for r, inductance in self.sections:
            z = z + parallel(r, s * inductance)
        return z

    def suspension(self, s):
        w0 = 1 / math.sqrt(self.M * self.C)
        return self.R + 1 / (s * self.C * (1 - self.creep * np.log10(s / w0)))

    def mechanical(self, s, held: Impedance | None = None, moved: tuple[Impedance, ...] = ()):
        """Force of the coil over velocity of cone against frame.

        Motor and suspension push cone and frame apart: what is inert is the cone (with all that
        ``moved`` adds to it) in series with the frame on its mounting (``held``).
        """
        cone = s * self.M
        for added in moved:
            cone = cone + added(s)
        inert = cone if held is None else parallel(cone, held(s))
        return inert + self.suspension(s)

    def impedance(self, s, held: Impedance | None = None, moved: tuple[Impedance, ...] = ()):
        return self.Re + self.coil(s) + self.Bl**2 / self.mechanical(s, held, moved)

    @property
    def truth(self) -> dict[str, float]:
        """Parameters by the definitions that hold for every law of the suspension."""
        start = 1 / (2 * math.pi * math.sqrt(self.M * self.C))

        def reactance(f):
            return float(self.mechanical(np.array([2j * math.pi * f])).imag[0])

        fs = float(brentq(reactance, 0.5 * start, 2 * start))
        w = 2 * math.pi * fs
        loss = float(self.mechanical(np.array([1j * w])).real[0])
        Qms, Qes = w * self.M / loss, w * self.M * self.Re / self.Bl**2
        C = 1 / (w * w * self.M)
        return {
            "Re": self.Re,
            "fs": fs,
            "Qms": Qms,
            "Qes": Qes,
            "Qts": Qms * Qes / (Qms + Qes),
            "Mms": self.M,
            "Bl": self.Bl,
            "Cms": C,
            "Vas": RHO * SPEED**2 * self.Sd**2 * C,
        }


# --- what moves with the cone or holds the frame ---------------------------------------------


def mass(kg: float) -> Impedance:
    return lambda s: s * kg


def resonator(kg: float, hz: float, Q: float) -> Impedance:
    """A mass on a spring on the cone: a loose cap, soft putty."""
    w = 2 * math.pi * hz
    spring, damping = kg * w * w, kg * w / Q
    return lambda s: parallel(s * kg, spring / s + damping)


def chamber(Sd: float, m3: float, leak: Impedance | None = None) -> Impedance:
    """Air shut in before or behind the cone, with a leak or a vent as acoustic impedance."""
    stiff = RHO * SPEED**2 / m3

    def impedance(s):
        acoustic = stiff / s
        if leak is not None:
            acoustic = parallel(acoustic, leak(s))
        return Sd**2 * acoustic

    return impedance


def vent(m3: float, hz: float, Q: float) -> Impedance:
    """Acoustic impedance of an opening that tunes a chamber to a frequency."""
    w = 2 * math.pi * hz
    inertance = RHO * SPEED**2 / (m3 * w * w)
    return lambda s: s * inertance + w * inertance / Q


def slit(m3: float, corner_hz: float) -> Impedance:
    """Acoustic resistance of a leak through which a chamber empties below a corner."""
    return lambda s: 0 * s + RHO * SPEED**2 / (m3 * 2 * math.pi * corner_hz)


def frame(kg: float, hz: float, Q: float) -> Impedance:
    """A frame on something that yields; at 0 Hz it hangs freely."""
    w = 2 * math.pi * hz
    return lambda s: kg * (s + w / Q + w * w / s)


# --- drawing ------------------------------------------------------------------------------------


def _between(rng, low, high):
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


_KINDS = {
    # fs, Qms, Qes, Re, diameter [m], Mms over diameter^2.6, L at 1 kHz times 1 kHz over Re
    "woofer": ((20, 60), (2, 10), (0.25, 1.2), (3, 8), (0.10, 0.30), (0.6, 1.3), (0.03, 0.3)),
    "mid": ((60, 400), (1.5, 7), (0.3, 1.5), (3, 8), (0.06, 0.12), (0.4, 0.9), (0.02, 0.12)),
    "tweeter": ((500, 1800), (1, 6), (0.4, 2.0), (3, 8), (0.022, 0.032), (0.3, 0.8), (0.004, 0.02)),
}


def draw(rng: np.random.Generator) -> Driver:
    """A driver nobody has built: resonance, quality and size as such things go."""
    kind = str(rng.choice(["woofer", "woofer", "mid", "tweeter"]))
    fs, Qms, Qes, Re, wide, heavy, induct = (_between(rng, *span) for span in _KINDS[kind])
    Sd = math.pi / 4 * wide**2
    M, w = heavy * wide**2.6, 2 * math.pi * fs
    creep = float(rng.uniform(0.02, 0.12)) if kind == "woofer" and rng.random() < 0.4 else 0.0
    loss = w * M / Qms
    # Creep brakes by itself: what is asked of Qms is what both leave.
    driver = Driver(
        kind, Re, math.sqrt(w * M * Re / Qes), M, 1 / (w * w * M), loss, Sd, creep=creep,
        frame_kg=_between(rng, 15, 60) * M,
    )  # fmt: skip
    if creep:
        own = float(driver.mechanical(np.array([1j * w])).real[0]) - loss
        driver = replace(driver, R=max(0.2 * loss, loss - own))
    total = induct * Re / 1e3  # effective inductance near 1 kHz [H]
    law = rng.choice(["power", "ladder", "both"])
    if law != "ladder":
        n = float(rng.uniform(0.5, 0.9))
        K = 2000 * math.pi * total / ((2000 * math.pi) ** n * math.sin(n * math.pi / 2))
        driver = replace(driver, power=(K * (0.6 if law == "both" else 1.0), n))
    if law != "power":
        share = total * (0.4 if law == "both" else 1.0)
        corners = sorted(_between(rng, 300, 9000) for _ in range(int(rng.integers(1, 4))))
        parts = rng.dirichlet(np.full(len(corners) + 1, 2.0)) * share
        sections = tuple(
            (2 * math.pi * corner * float(part), float(part))
            for corner, part in zip(corners, parts[1:], strict=True)
        )
        driver = replace(driver, L=float(parts[0]), sections=sections)
    return driver

"""Reported parameters as functions of the fitted ones."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fit.driver.coils.plain import Plain
from fit.given import air
from fit.given.standards import COPPER_PER_KELVIN, REFERENCE_PRESSURE, ROOM
from fit.problem.joint_problem import Problem
from meas.curve import FloatArray

_GRID = 4000


@dataclass(frozen=True)
class Extremes:
    """Frequencies of the peak, of the minimum above it, and of Le [Hz]; None outside the band."""

    peak: float | None
    minimum: float | None
    inductance: float | None


def free_air_impedance(
    problem: Problem, theta: FloatArray, frequency: FloatArray
) -> NDArray[np.complex128]:
    """Impedance of the reference state [ohm], shape (n,)."""
    s = np.asarray(2j * np.pi * frequency, dtype=np.complex128)
    return problem.driver.blocked(s, theta) + problem.driver.motion(s, theta)


def extremes(problem: Problem, theta: FloatArray, band: tuple[float, float]) -> Extremes:
    """Find the impedance peak at resonance and the minimum above it, inside the band.

    Args:
        band: Lowest and highest measured frequency of the reference state [Hz].
    """
    grid = np.geomspace(*band, _GRID)
    magnitude = np.abs(free_air_impedance(problem, theta, grid))
    fs = math.exp(theta[2]) / (2 * math.pi)
    inside = (magnitude[1:-1] > magnitude[:-2]) & (magnitude[1:-1] >= magnitude[2:])
    peaks = np.flatnonzero(inside) + 1
    peak: float | None = None
    minimum: float | None = None
    if peaks.size:
        nearest = int(peaks[np.argmin(np.abs(np.log(grid[peaks] / fs)))])
        peak = float(grid[nearest])
        lowest = nearest + int(np.argmin(magnitude[nearest:]))
        if nearest < lowest < grid.size - 1:
            minimum = float(grid[lowest])
    reference = 1000.0 if fs <= 500.0 else 10e3
    return Extremes(peak, minimum, reference if band[0] <= reference <= band[1] else None)


def derived(problem: Problem, theta: FloatArray, at: Extremes) -> dict[str, tuple[float, str]]:
    """Compute every reported parameter that the takes can give.

    fs, Q and sensitivity follow R. H. Small, J. Audio Eng. Soc. 20(5), 1972; Vas = rho c^2 Sd^2
    Cms; eta0 = 4 pi^2/c^3 fs^3 Vas/Qes; level at 1 m for 1 W into half space 10 log10(eta0 rho
    c/(2 pi)/(20 uPa)^2). "2.83 V" is the square root of 8 V2, 1 W into 8 ohm.

    Args:
        at: Frequencies of the extremes, held fixed so that derivatives are exact (the
            derivative at an extremum does not see its motion).

    Returns:
        Symbol to value and unit, in SI base units.
    """
    Re, strength, w0, loss = (math.exp(value) for value in theta[:4])
    fs = w0 / (2 * math.pi)
    Qms, Qes = w0 / loss, w0 * Re / strength
    found = {
        "Re": (Re, "ohm"),
        "fs": (fs, "Hz"),
        "Qms": (Qms, "1"),
        "Qes": (Qes, "1"),
        "Qts": (Qms * Qes / (Qms + Qes), "1"),
        "Res": (strength / loss, "ohm"),
    }
    above = problem.stated.air_state(theta)[1] - ROOM
    found["Re_20C"] = (Re / (1 + COPPER_PER_KELVIN * above), "ohm")
    driver = problem.driver
    internal = theta[driver.coil_columns]
    if at.inductance is not None:
        blocked = driver.blocked(np.array([2j * math.pi * at.inductance]), theta)
        found["Le"] = (float(blocked[0].imag) / (2 * math.pi * at.inductance), "H")
    found.update(driver.coil.reported(internal))
    if isinstance(driver.coil, Plain) and driver.mechanics.former is not None:
        found["L1"] = (math.exp(internal[0]), "H")  # Le is that of coil and ring
    found.update(driver.mechanics.reported(theta[driver.law_columns], fs))
    for name, frequency in (("Zmax", at.peak), ("Zmin", at.minimum)):
        if frequency is not None:
            z = free_air_impedance(problem, theta, np.array([frequency]))
            found[name] = (float(np.abs(z[0])), "ohm")
    found.update(_mechanical(problem, theta, w0, loss, strength))
    if "Vas" in found:
        found.update(_acoustical(problem, theta, fs, Qes, Re, found["Vas"][0]))
    return found


def _mechanical(
    problem: Problem, theta: FloatArray, w0: float, loss: float, strength: float
) -> dict[str, tuple[float, str]]:
    """Compute mass, compliance, resistance, motor, volume and area from added masses and boxes."""
    found: dict[str, tuple[float, str]] = {}
    modulus = problem.stated.bulk_modulus(theta)
    Sd = Mms = Vas = None
    if problem.session.area is not None:
        Sd = problem.stated.area(theta)
        found["Sd"] = (Sd, "m2")
    if problem.mass_column is not None:
        Mms = math.exp(theta[problem.mass_column])
    if problem.volume_column is not None:
        Vas = math.exp(theta[problem.volume_column])
    if Mms is not None and Vas is not None:
        found["Sd_from_takes"] = (math.sqrt(Vas * Mms * w0 * w0 / modulus), "m2")
    if Mms is None and Vas is not None and Sd is not None:
        Mms = modulus * Sd * Sd / (Vas * w0 * w0)
    if Vas is None and Mms is not None and Sd is not None:
        Vas = modulus * Sd * Sd / (Mms * w0 * w0)
    if Mms is not None:
        found["Mms"] = (Mms, "kg")
        found["Cms"] = (1 / (Mms * w0 * w0), "m/N")
        found["Rms"] = (loss * Mms, "kg/s")
        found["Bl"] = (math.sqrt(strength * Mms), "T m")
    if Vas is not None:
        found["Vas"] = (Vas, "m3")
    return found


def _acoustical(
    problem: Problem, theta: FloatArray, fs: float, Qes: float, Re: float, Vas: float
) -> dict[str, tuple[float, str]]:
    state = problem.stated.air_state(theta)
    density, speed = air.density(*state), air.sound_speed(*state)
    eta0 = 4 * math.pi**2 / speed**3 * fs**3 * Vas / Qes
    per_watt = density * speed / (2 * math.pi) / REFERENCE_PRESSURE**2
    level = 10 * math.log10(eta0 * per_watt)
    return {
        "eta0": (eta0, "1"),
        "sensitivity_1w": (level, "dB"),
        "sensitivity_2v83": (level + 10 * math.log10(8 / Re), "dB"),
    }

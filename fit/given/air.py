"""Density and sound speed of humid air, with their uncertainty and range.

Its state is the station pressure [Pa], not reduced to sea level, the temperature [K], and the
relative humidity over liquid water, 0 to 1.
"""

from __future__ import annotations

import math

from meas.errors import Finding, Refused

CELSIUS_ZERO = 273.15
CO2_FRACTION = 400e-6
"""Amount fraction of carbon dioxide taken for room air; 1000 ppm changes density by 0.02 %."""

_TRUSTED_CELSIUS = (15.0, 27.0)
_TRUSTED_PRESSURE = (60e3, 110e3)
_COMPUTED_CELSIUS = (-10.0, 50.0)
_COMPUTED_PRESSURE = (50e3, 120e3)


def density(pressure: float, temperature: float, relative_humidity: float) -> float:
    """Density of humid air [kg/m3], equation CIPM-2007.

    Source: A. Picard, R. S. Davis, M. Gläser, K. Fujii, Revised formula for the density of
    moist air (CIPM-2007), Metrologia 45, 2008, 149-155.
    """
    t = temperature - CELSIUS_ZERO
    water = vapour_fraction(pressure, temperature, relative_humidity)
    ratio = pressure / temperature
    compressibility = (
        1
        - ratio
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * water
            + (1.9898e-4 - 2.376e-6 * t) * water**2
        )
        + ratio**2 * (1.83e-11 - 0.765e-8 * water**2)
    )
    dry_molar_mass = (28.96546 + 12.011 * (CO2_FRACTION - 0.0004)) * 1e-3
    water_molar_mass = 18.01528e-3
    gas_constant = 8.314472
    dry = pressure * dry_molar_mass / (compressibility * gas_constant * temperature)
    return dry * (1 - water * (1 - water_molar_mass / dry_molar_mass))


def sound_speed(pressure: float, temperature: float, relative_humidity: float) -> float:
    """Speed of sound in humid air at low frequency [m/s].

    Source: O. Cramer, The variation of the specific heat ratio and the speed of sound in air
    with temperature, pressure, humidity, and CO2 concentration, J. Acoust. Soc. Am. 93, 1993,
    2510-2516, equation 15; stated for 0 to 30 C, 75 to 102 kPa, coefficients from memory (they
    are tested against CoolProp over the whole range in which this module answers).
    """
    t = temperature - CELSIUS_ZERO
    p, c = pressure, CO2_FRACTION
    w = vapour_fraction(pressure, temperature, relative_humidity)
    return (
        331.5024
        + 0.603055 * t
        - 0.000528 * t**2
        + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * w
        + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
        + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * c
        - 2.835149 * w**2
        - 2.15e-13 * p**2
        + 29.179762 * c**2
        + 0.000486 * w * p * c
    )


def bulk_modulus(pressure: float, temperature: float, relative_humidity: float) -> float:
    """Stiffness of air without heat exchange, rho c^2 = gamma p [Pa]."""
    speed = sound_speed(pressure, temperature, relative_humidity)
    return density(pressure, temperature, relative_humidity) * speed**2


def standard_pressure(height: float) -> float:
    """Air pressure of the standard atmosphere below 11 km [Pa].

    Args:
        height: Above the sea [m].

    Source: ISO 2533:1975, standard atmosphere: 288.15 K at the sea, 6.5 K/km less with height,
    hydrostatic (constants from memory; tested by integration).
    """
    lapse, sea_kelvin, gravity, gas_constant = 0.0065, 288.15, 9.80665, 287.05287
    fall = gravity / (gas_constant * lapse)
    return float(101325.0 * (1 - lapse * height / sea_kelvin) ** fall)


def vapour_fraction(pressure: float, temperature: float, relative_humidity: float) -> float:
    """Amount fraction of water vapour; Picard et al. 2008, appendix A."""
    t = temperature - CELSIUS_ZERO
    saturation = math.exp(
        1.2378847e-5 * temperature**2
        - 1.9121316e-2 * temperature
        + 33.93711047
        - 6.3431645e3 / temperature
    )
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * t**2
    return relative_humidity * enhancement * saturation / pressure


def model_uncertainty(pressure: float, temperature: float) -> float:
    """Relative standard uncertainty of the bulk modulus by the equations alone.

    Half of it belongs to the sound speed. Within the range of CIPM-2007 (15 to 27 C, 600 to
    1100 hPa; from memory) 0.06 %: twice the 300 ppm of Cramer's equation (from memory), beside
    which the 22 ppm of the density vanish. Outside 0.6 %: CoolProp's humid air differs by at
    most 0.56 % between -10 and 50 C and 500 and 1200 hPa (tests/fitting/driver/test_air.py), at its
    worst in thin, hot, saturated air.
    """
    return 6e-4 if _trusted(pressure, temperature) else 6e-3


def doubts(pressure: float, temperature: float, relative_humidity: float) -> tuple[Finding, ...]:
    """Doubts about stated air; empty within the range of the equations.

    Raises:
        Refused: ``air-out-of-range`` where nobody measures a driver, so that a slip is likely.
    """
    celsius = temperature - CELSIUS_ZERO
    low, high = _COMPUTED_CELSIUS
    reasons = []
    if not low <= celsius <= high:
        reasons.append(f"the air temperature is given as {celsius:.4g} C; {low:g} to {high:g} C")
    low, high = _COMPUTED_PRESSURE
    if not low <= pressure <= high:
        reasons.append(
            f"the air pressure is given as {pressure / 100:.4g} hPa; "
            f"{low / 100:g} to {high / 100:g} hPa"
        )
    if not 0 <= relative_humidity <= 1:
        reasons.append(f"the relative humidity is given as {relative_humidity:.4g}; 0 to 1")
    if reasons:
        raise Refused(
            Finding("air-out-of-range", f"{reason} can be computed", refuses=True)
            for reason in reasons
        )
    if _trusted(pressure, temperature):
        return ()
    return (
        Finding(
            "air-extrapolated",
            f"Air at {celsius:.1f} C and {pressure / 100:.0f} hPa lies outside the range of the "
            "equations (15 to 27 C, 600 to 1100 hPa): 0.6 % standard uncertainty is added to "
            "rho c^2.",
        ),
    )


def _trusted(pressure: float, temperature: float) -> bool:
    celsius = temperature - CELSIUS_ZERO
    return (
        _TRUSTED_CELSIUS[0] <= celsius <= _TRUSTED_CELSIUS[1]
        and _TRUSTED_PRESSURE[0] <= pressure <= _TRUSTED_PRESSURE[1]
    )

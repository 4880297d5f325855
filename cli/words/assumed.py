"""Assumptions where nobody said otherwise: every default limit, and why.

Each function completes one `Value` and returns it with the sentence to print about what was
assumed (empty when the limits were stated). All limits are half-widths of rectangular
distributions. Their sizes are common practice, no source, unless one is named.
"""

from __future__ import annotations

import math
from dataclasses import replace

from cli.words.values import Value

_RULER_M = 1e-3
_BOX_PART = 0.02
_MULTIMETER_PART = 0.01
_MULTIMETER_OHM = 0.1
_RESISTOR_PART = 0.01
_VOLTMETER_PART = 0.02
_THERMOMETER_K = 2.0
_ROOM_K = (293.15, 8.0)
_BAROMETER_PA = 1000.0
_SEA_LEVEL_PA = (101325.0, 3000.0)
_HYGROMETER = 0.10
_ROOM_HUMIDITY = (0.5, 0.3)
_TABLE_PERCENT = 1.0

Assumed = tuple[Value, str]


def mass(value: Value) -> Assumed:
    """Assume one unit of the last digit: what scales that show so many digits promise."""
    why = "one of its last digit, as scales promise; write 7.50g if they show hundredths"
    return _complete(value, value.last_digit, 1e-3, "g", why)


def volume(value: Value) -> Assumed:
    """Assume ±2 %: what filling and measuring a box leave, but at least half the last digit."""
    why = "what filling or measuring a box leaves"
    return _complete(value, _BOX_PART * value.value, 1e-3, "L", why)


def diameter(value: Value) -> Assumed:
    """Assume ±1 mm: where the surround's middle lies, but at least half the last digit."""
    why = "where the middle of the surround lies"
    return _complete(value, _RULER_M, 1e-3, "mm", why)


def area(value: Value) -> Assumed:
    """Limits of an area from ±1 mm of the diameter, but at least half the last digit."""
    half_width = math.sqrt(math.pi * value.value) * _RULER_M  # dA = pi D/2 dD, D = sqrt(4 A/pi)
    return _complete(value, half_width, 1e-4, "cm2", "1 mm of the diameter")


def area_from_diameter(value: Value) -> Value:
    """Area [m2] of a cone of the given effective diameter [m]; limits to first order."""
    factor = math.pi * value.value / 2
    half_width = None if value.half_width is None else factor * value.half_width
    return Value(factor * value.value / 2, half_width, value.written, factor * value.last_digit)


def measured_resistance(value: Value) -> Assumed:
    """Assume ±(1 % + 0.1 ohm), a hand-held multimeter with its leads, at least the last digit."""
    half_width = _MULTIMETER_PART * value.value + max(_MULTIMETER_OHM, value.last_digit)
    return _complete(value, half_width, 1.0, "ohm", "1 % of a hand-held meter, and its leads")


def bought_resistor(value: Value) -> Assumed:
    """Assume ±1 %, what resistors are sold to, but at least half the last digit."""
    return _share(value, _RESISTOR_PART)


def voltmeter(value: Value) -> Assumed:
    """Assume ±2 %, what plain multimeters promise on alternating volts; half a digit at least."""
    return _share(value, _VOLTMETER_PART)


def _share(value: Value, part: float) -> Assumed:
    if value.half_width is not None:
        return value, ""
    half_width = max(part * value.value, value.last_digit / 2)
    text = f"{value.written}: ±{100 * half_width / value.value:.2g} %"
    return replace(value, half_width=half_width), text


def table_scale() -> tuple[float, str]:
    """Assume ±1 %: the resistor, or the meter, that the ohms of a table came by [per cent].

    Metal-film resistors are sold to 1 %, and hand-held meters promise about as much for
    alternating volts in the middle of the audio band (common practice, no source).
    """
    return _TABLE_PERCENT, (
        f"a table does not say how well its ohms are known as a whole: ±{_TABLE_PERCENT:g} % "
        "assumed, for each table by itself. State it with --table-tolerance 0.5%, or with "
        "--table-tolerance NAME=0.5% where one meter and resistor measured all"
    )


def air_temperature(value: Value | None) -> Assumed:
    """Assume ±2 K for a thermometer; without one a heated room, 20 °C ± 8 K."""
    if value is None:
        room = Value(*_ROOM_K, "20 °C ± 8 K", 1.0)
        return room, "air temperature not given: 20 °C ± 8 K assumed"
    return _complete(value, _THERMOMETER_K, 1.0, "K", "what thermometers promise")


def air_pressure(value: Value | None) -> Assumed:
    """Assume ±10 hPa for a barometer; without one sea level ± 30 hPa, which is weather only.

    Weather moves the pressure at one place by about ±30 hPa; height takes 11 to 12 hPa for every
    100 m near sea level (ISO 2533:1975 standard atmosphere: 954.6 hPa at 500 m; from memory).
    """
    if value is None:
        return Value(*_SEA_LEVEL_PA, "1013.25 hPa ± 30 hPa", 1.0), (
            "air pressure not given: 1013 hPa ± 30 hPa assumed, which holds near sea level only. "
            "It falls by about 12 hPa for every 100 m of height and goes straight into Vas. "
            "Above 100 m give --air-pressure: that of the place (985hPa), or its height (340m)"
        )
    return _complete(value, _BAROMETER_PA, 1e2, "hPa", "what barometers promise")


def relative_humidity(value: Value | None) -> Assumed:
    """Assume ±10 % for a hygrometer; without one 50 % ± 30 %."""
    if value is None:
        room = Value(*_ROOM_HUMIDITY, "50 % ± 30 %", 0.01)
        return room, "relative humidity not given: 50 % ± 30 % assumed"
    found, text = _complete(value, _HYGROMETER, 0.01, "%", "what hygrometers promise")
    if text:  # no air is drier than dry
        found = replace(found, half_width=min(found.half_width or 0.0, 0.999 * value.value))
    return found, text


def _complete(value: Value, half_width: float, unit: float, unit_text: str, reason: str) -> Assumed:
    """The value with limits; a value is known to half of its last digit at the best."""
    if value.half_width is not None:
        return value, ""
    if value.last_digit / 2 > half_width:
        half_width, reason = value.last_digit / 2, "half of its last digit as written"
    text = f"no limits given for {value.written}: ±{half_width / unit:.2g} {unit_text} assumed"
    return replace(value, half_width=half_width), f"{text}, {reason}"

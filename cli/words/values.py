"""Values with units, as people write them, read strictly.

One reader per quantity; each takes the text and the name of the option it came from and returns a
`Value` in SI base units or raises `UsageError`. Nothing is guessed: a comma, a missing unit, a
unit of another quantity or of another case, and a value of an absurd size are errors that say
what to write instead.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import partial

from cli.words.units import (
    ALL,
    AREA,
    CAPACITANCE,
    DIAMETER,
    FREQUENCY,
    HEIGHT,
    HUMIDITY,
    INDUCTANCE,
    LENGTH,
    MASS,
    NOT_METRIC,
    PERCENT,
    PRESSURE,
    RESISTANCE,
    SAMPLE_RATE,
    TEMPERATURE,
    VOLTAGE,
    VOLUME,
    Quantity,
)
from meas.errors import UsageError


@dataclass(frozen=True)
class Value:
    """A value somebody wrote.

    Attributes:
        value: In SI base units; percentages as said by the function that read them.
        half_width: Half-width of the stated limits, same unit; None when none were written.
        written: The text as written, blanks around it removed.
        last_digit: One unit of the last digit written, same unit.
    """

    value: float
    half_width: float | None
    written: str
    last_digit: float


_SPELLINGS = str.maketrans(
    {"\u2126": "Ω", "\u03a9": "Ω", "\u00b5": "u", "\u03bc": "u"}
    | {"\u2212": "-", "\u00a0": " ", "\u2009": " ", "\u202f": " ", "º": "°"}
)
# Only after a metre: elsewhere 4² would become 42.
_SQUARED = re.compile(r"(?<=m)(?:\^2|²)")
_CUBED = re.compile(r"(?<=m)(?:\^3|³)")
_DIGITS = r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"
_NUMBER = re.compile(
    rf"(?P<sign>[+-]?)(?P<digits>{_DIGITS})(?P<power>[eE][+-]?[0-9]{{1,2}})?(?![0-9.])"
)
_WEATHER_PA = 3000.0
_PLUS_MINUS = re.compile(r"±|\+\s*/?\s*-")


def sample_rate(text: str, where: str = "") -> int:
    """A sample rate [Hz]; a bare number is in hertz."""
    value = read(SAMPLE_RATE, text, where)
    if value.half_width is not None or abs(value.value - round(value.value)) > 1e-6:
        raise UsageError(
            f"'{value.written}' is no sample rate",
            where=where,
            remedy="Write a whole number of hertz without limits, such as 48000 or 44.1kHz.",
        )
    return round(value.value)


def pressure(text: str, where: str = "") -> Value:
    """A station air pressure [Pa], or the usual one at the height of a place, such as ``340m``.

    Weather moves the pressure at one place by about 30 hPa either way (common practice, no source).
    """
    if not text.strip().endswith("m"):
        return read(PRESSURE, text, where)
    from fit.given.air import standard_pressure

    height = read(HEIGHT, text, where)
    off = max(height.half_width or 0.0, height.last_digit / 2)
    usual = standard_pressure(height.value)
    half_width = _WEATHER_PA + usual - standard_pressure(height.value + off)
    limits = f"{usual / 100:.0f} hPa ± {half_width / 100:.0f} hPa"
    return Value(usual, half_width, f"{limits}, usual at a height of {height.written}", 1.0)


def relative_humidity(text: str, where: str = "") -> Value:
    """A relative humidity as a FRACTION (50% gives 0.5); a bare number is in per cent."""
    written = read(HUMIDITY, text, where)
    half_width = None if written.half_width is None else written.half_width / 100
    return Value(written.value / 100, half_width, written.written, written.last_digit / 100)


def read(quantity: Quantity, text: str, where: str = "") -> Value:
    """Read one value with optional limits: ``7.5g``, ``7.5g±0.1g``, ``7.5g+-1%``, ``7.5±0.1g``.

    Raises:
        UsageError: If the text is anything else, or the value is of an absurd size.
    """
    written = text.strip()
    plain = _CUBED.sub("3", _SQUARED.sub("2", written.translate(_SPELLINGS))).strip()
    if not plain:
        raise _error(quantity, where, f"no {quantity.name} given")
    if "," in plain:
        raise _error(
            quantity,
            where,
            f"'{written}' has a comma, which could be a decimal sign or a thousands separator",
            "Write a decimal point and no thousands separators",
            plain.replace(",", ".") if re.match(r"[0-9]+,[0-9]{1,2}[^0-9,]", plain) else "",
        )
    if plain.startswith("(") and ")" in plain:  # (7.5±0.1)g
        inside, _, unit = plain[1:].partition(")")
        plain = inside + unit
    parts = _PLUS_MINUS.split(plain)
    if len(parts) > 2:
        raise _error(quantity, where, f"'{written}' has more than one ±")
    if len(parts) == 1:
        value, last_digit = _absolute(quantity, parts[0].strip(), written, where)
        half_width = None
    else:
        value, last_digit, half_width = _with_limits(quantity, parts, written, where)
    _check_size(quantity, value, half_width, written, where)
    return Value(value, half_width, written, last_digit)


# One reader for each quantity, in the SI base unit; a percentage stays IN PER CENT (1% gives 1.0).
resistance, mass, volume = partial(read, RESISTANCE), partial(read, MASS), partial(read, VOLUME)
length, diameter, area = partial(read, LENGTH), partial(read, DIAMETER), partial(read, AREA)
capacitance, inductance = partial(read, CAPACITANCE), partial(read, INDUCTANCE)
temperature = partial(read, TEMPERATURE)
frequency, voltage, percent = (partial(read, one) for one in (FREQUENCY, VOLTAGE, PERCENT))


def number(value: Value | None) -> float | None:
    """The number by itself; None where nothing was written."""
    return None if value is None else value.value


def _with_limits(
    quantity: Quantity, parts: list[str], written: str, where: str
) -> tuple[float, float, float]:
    stated, limits = parts[0].strip(), parts[1].strip()
    number = _NUMBER.match(limits)
    if number is None or number["sign"]:
        raise _error(quantity, where, f"'{limits}' in '{written}' is no half-width of limits")
    limits_unit = limits[number.end() :].strip()
    if not limits_unit and quantity.bare is None:
        raise _error(
            quantity,
            where,
            f"the limits '{limits}' in '{written}' have no unit",
            "Write one after the limits, or %",
        )
    # 7.5±0.1g; but 10±0R1 must not become 10R1, which is 10.1 ohm.
    if _NUMBER.fullmatch(stated) and limits_unit != "%" and limits_unit in quantity.units:
        stated += limits_unit
    value, last_digit = _absolute(quantity, stated, written, where)
    if limits_unit == "%" and quantity.bare != "%":
        if not quantity.relative:
            what = f"'{written}': per cent of {quantity.name} mean nothing"
            raise _error(quantity, where, what, "Write the limits with a unit")
        half_width = value * float(number.group()) / 100
    else:
        half_width = _scaled(quantity, limits, written, where)[0]
    return value, last_digit, half_width


def _absolute(quantity: Quantity, text: str, written: str, where: str) -> tuple[float, float]:
    """Value in base units and one unit of its last digit."""
    value, last_digit, unit = _scaled(quantity, text, written, where)
    return value + quantity.offsets.get(unit, 0.0), last_digit


def _scaled(quantity: Quantity, text: str, written: str, where: str) -> tuple[float, float, str]:
    """Number times the factor of its unit, one unit of its last digit, the unit."""
    coded = _read_code(quantity, text)
    if coded is not None:
        return coded
    number = _NUMBER.match(text)
    if number is None:
        raise _error(quantity, where, f"'{written}' is no {quantity.name}")
    unit = text[number.end() :].strip()
    if not unit:
        if quantity.bare is None:
            usual = re.sub(r"^[0-9.]+", "", quantity.example.split()[0].rstrip(","))
            meant = f"{text}{usual}" if text == written else ""
            raise _error(quantity, where, f"'{written}' has no unit", meant=meant)
        unit = quantity.bare
    if unit not in quantity.units:
        raise _error(quantity, where, *_wrong_unit(quantity, unit, written))
    decimals = len(number["digits"].partition(".")[2])
    factor = quantity.units[unit]
    power = int((number["power"] or "e0")[1:])
    # In decimal arithmetic 11.8 cm is the very number that 0.118 m is.
    scaled = float(Decimal(number.group()) * Decimal(str(factor)))
    return scaled, factor * 10.0 ** (power - decimals), unit


def _read_code(quantity: Quantity, text: str) -> tuple[float, float, str] | None:
    """Component code with a letter for the point: 4k7, 4R7, R22; None when it is none."""
    if not quantity.codes:
        return None
    code = re.fullmatch(rf"([0-9]*)([{''.join(quantity.codes)}])([0-9]+)(?:ohm|Ω)?", text)
    if code is None:
        return None
    factor = quantity.codes[code[2]]
    value = float(Decimal(f"{code[1] or 0}.{code[3]}") * Decimal(str(factor)))
    return value, factor * 10.0 ** -len(code[3]), code[2]


def _check_size(
    quantity: Quantity, value: float, half_width: float | None, written: str, where: str
) -> None:
    # One part in 1e12: 0.1 pF written in other units must not miss its own limit by rounding.
    slack = 1e-12 * abs(quantity.largest)
    smallest = quantity.smallest * (1 - 1e-12)
    if not math.isfinite(value) or not smallest <= value <= quantity.largest + slack:
        raise _error(
            quantity,
            where,
            f"'{written}' is outside what the {quantity.name} can be here, {quantity.limits_unit}",
        )
    if half_width is None:
        return
    if not half_width > 0:
        raise _error(
            quantity,
            where,
            f"'{written}' claims limits of zero; nothing is known exactly",
            "Leave the limits out to take the default, or write what the instrument promises",
        )
    if not half_width < value:
        raise _error(quantity, where, f"the limits in '{written}' reach zero or below")


def _wrong_unit(quantity: Quantity, unit: str, written: str) -> tuple[str, str]:
    what = f"'{unit}' in '{written}' is no unit of {quantity.name}"
    if unit in NOT_METRIC or (unit == "F" and quantity.offsets):
        return what, "Use metric units"
    if unit == "m" and quantity.codes:
        return f"{what}: a thousandth, a million or a metre", "Write mohm or Mohm"
    same = [known for known in quantity.units if known.lower() == unit.lower()]
    if same:
        return what, f"Upper and lower case differ; did you mean '{same[0]}'?"
    for other in ALL:
        if unit in other.units:
            return f"{what}; it is one of {other.name}", ""
    near = difflib.get_close_matches(unit, quantity.units, n=1, cutoff=0.5)
    return what, f"Did you mean '{near[0]}'?" if near else ""


def _error(
    quantity: Quantity, where: str, what: str, advice: str = "", meant: str = ""
) -> UsageError:
    unit_list = quantity.shown or " ".join(quantity.units)
    start = advice if not advice or advice.endswith("?") else f"{advice}."
    example = f"{meant} if that is meant" if meant else f"for example {quantity.example}"
    remedy = f"{start} Write {example}; units: {unit_list}.".strip()
    return UsageError(what, where=where, remedy=remedy)

"""Values with units, as people write them, read strictly.

One function per quantity; each takes the text and the name of the option it came from and returns
a `Value` in SI base units or raises `UsageError`. Nothing is guessed: a comma, a missing unit, a
unit of another quantity or of another case, and a value of an absurd size are errors that say
what to write instead.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal

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


@dataclass(frozen=True)
class Quantity:
    """What may be written for one kind of value.

    Attributes:
        name: For messages.
        units: Accepted spellings and their factor to the base unit.
        example: A value written well.
        smallest: Least acceptable value, base unit.
        largest: Largest acceptable value, base unit.
        limits_unit: The range above in words.
        bare: The unit that a bare number has; None: a bare number is an error.
        codes: Letters that may stand for the decimal point, and their factor (4k7).
        offsets: What to add after the factor, for units whose zero is elsewhere.
        shown: The units as listed in messages, where not every spelling need be.
    """

    name: str
    units: Mapping[str, float]
    example: str
    smallest: float
    largest: float
    limits_unit: str
    bare: str | None = None
    codes: Mapping[str, float] = field(default_factory=dict)
    offsets: Mapping[str, float] = field(default_factory=dict)
    shown: str = ""


_OHM = {"ohm": 1.0, "Ohm": 1.0, "ohms": 1.0, "Ohms": 1.0, "Ω": 1.0}
# IEC 60062 marks kilo with a capital K; in a resistance it cannot be the kelvin.
_RESISTOR_CODES = {"R": 1.0, "k": 1e3, "K": 1e3, "M": 1e6}
_OHM_PREFIXES = {"m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}

RESISTANCE = Quantity(
    "resistance",
    _OHM
    | _RESISTOR_CODES
    | {p + u: f for p, f in _OHM_PREFIXES.items() for u in ("ohm", "Ohm", "ohms", "Ω")},
    "10ohm, 10R or 4k7",
    1e-3,
    1e10,
    "1 mohm to 10 Gohm",
    codes=_RESISTOR_CODES,
    shown="mohm ohm kohm Mohm R k M",
)
MASS = Quantity(
    "mass", {"kg": 1.0, "g": 1e-3, "mg": 1e-6}, "7.5g or 0.0075kg", 1e-6, 20.0, "1 mg to 20 kg"
)
VOLUME = Quantity(
    "volume",
    {"L": 1e-3, "l": 1e-3, "dl": 1e-4, "dL": 1e-4, "cl": 1e-5, "cL": 1e-5, "ml": 1e-6, "mL": 1e-6}
    | {"m3": 1.0, "dm3": 1e-3, "cm3": 1e-6, "mm3": 1e-9},
    "6.8L or 6800cm3",
    1e-7,
    10.0,
    "0.1 cm3 to 10 m3",
    shown="L ml cm3 dm3 m3",
)
LENGTH = Quantity(
    "length",
    {"m": 1.0, "dm": 0.1, "cm": 1e-2, "mm": 1e-3, "um": 1e-6},
    "118mm or 11.8cm",
    1e-6,
    1000.0,
    "1 um to 1000 m",
)
DIAMETER = replace(
    LENGTH, name="cone diameter", smallest=5e-3, largest=1.0, limits_unit="5 mm to 1 m"
)
AREA = Quantity(
    "area",
    {"m2": 1.0, "dm2": 1e-2, "cm2": 1e-4, "mm2": 1e-6},
    "113cm2 or 0.0113m2",
    2e-5,
    1.0,
    "20 mm2 to 1 m2",
)
CAPACITANCE = Quantity(
    "capacitance",
    {"F": 1.0, "mF": 1e-3, "uF": 1e-6, "nF": 1e-9, "pF": 1e-12},
    "3.9uF",
    1e-13,
    0.1,
    "0.1 pF to 0.1 F",
)
INDUCTANCE = Quantity(
    "inductance",
    {"H": 1.0, "mH": 1e-3, "uH": 1e-6, "nH": 1e-9},
    "0.83mH",
    1e-10,
    100.0,
    "0.1 nH to 100 H",
)
_CELSIUS = ("C", "°C", "degC", "℃")
TEMPERATURE = Quantity(
    "air temperature",
    {"K": 1.0} | dict.fromkeys(_CELSIUS, 1.0),
    "21C or 294K",
    243.15,
    333.15,
    "-30 C to 60 C",
    offsets=dict.fromkeys(_CELSIUS, 273.15),
    shown="C K",
)
FREQUENCY = Quantity(
    "frequency",
    {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6},
    "42Hz or 1.5kHz",
    1e-2,
    1e6,
    "0.01 Hz to 1 MHz",
)
SAMPLE_RATE = replace(
    FREQUENCY,
    name="sample rate",
    example="48000 or 48kHz",
    smallest=8e3,
    largest=768e3,
    limits_unit="8 kHz to 768 kHz",
    bare="Hz",
)
PRESSURE = Quantity(
    "air pressure",
    {"Pa": 1.0, "hPa": 1e2, "kPa": 1e3, "mbar": 1e2, "bar": 1e5},
    "1013hPa or 101.3kPa",
    5e4,
    1.1e5,
    "500 hPa to 1100 hPa",
)
VOLTAGE = Quantity(
    "voltage", {"V": 1.0, "mV": 1e-3, "uV": 1e-6}, "1.2V", 1e-6, 1000.0, "1 uV to 1000 V"
)
DURATION = Quantity(
    "duration", {"s": 1.0, "ms": 1e-3, "min": 60.0}, "5s", 1e-3, 3600.0, "1 ms to 60 min"
)
PERCENT = Quantity("percentage", {"%": 1.0}, "1%", 0.0, 100.0, "0 % to 100 %", bare="%")
# Below one per cent somebody wrote a fraction: such dry air does not exist in a workshop.
HUMIDITY = replace(
    PERCENT, name="relative humidity", example="50%", smallest=1.0, limits_unit="1 % to 100 %"
)

_QUANTITIES = (
    *(RESISTANCE, MASS, VOLUME, LENGTH, AREA, CAPACITANCE, INDUCTANCE),
    *(TEMPERATURE, FREQUENCY, PRESSURE, VOLTAGE, DURATION, PERCENT),
)
_NOT_METRIC = {
    "in",
    "inch",
    "inches",
    '"',
    "ft",
    "ft3",
    "cuft",
    "in2",
    "in3",
    "sqin",
    "cuin",
    "oz",
} | {*("lb", "lbs", "F°", "°F", "degF", "psi", "inHg", "mmHg", "mil", "mils")}

_SPELLINGS = str.maketrans(
    {"\u2126": "Ω", "\u03a9": "Ω", "\u00b5": "u", "\u03bc": "u", "²": "2", "³": "3", "^": ""}
    | {"\u2212": "-", "\u00a0": " ", "\u2009": " ", "\u202f": " ", "º": "°"}
)
_DIGITS = r"[0-9]+(?:\.[0-9]*)?|\.[0-9]+"
_NUMBER = re.compile(
    rf"(?P<sign>[+-]?)(?P<digits>{_DIGITS})(?P<power>[eE][+-]?[0-9]{{1,2}})?(?![0-9.])"
)
_PLUS_MINUS = re.compile(r"±|\+\s*/?\s*-")


def resistance(text: str, where: str = "") -> Value:
    """A resistance [ohm], greater than zero."""
    return read(RESISTANCE, text, where)


def mass(text: str, where: str = "") -> Value:
    """A mass [kg], greater than zero."""
    return read(MASS, text, where)


def volume(text: str, where: str = "") -> Value:
    """A volume [m3], greater than zero."""
    return read(VOLUME, text, where)


def length(text: str, where: str = "") -> Value:
    """A length [m], greater than zero."""
    return read(LENGTH, text, where)


def diameter(text: str, where: str = "") -> Value:
    """An effective cone diameter [m]."""
    return read(DIAMETER, text, where)


def area(text: str, where: str = "") -> Value:
    """An effective cone area [m2]."""
    return read(AREA, text, where)


def capacitance(text: str, where: str = "") -> Value:
    """A capacitance [F], greater than zero."""
    return read(CAPACITANCE, text, where)


def inductance(text: str, where: str = "") -> Value:
    """An inductance [H], greater than zero."""
    return read(INDUCTANCE, text, where)


def temperature(text: str, where: str = "") -> Value:
    """An air temperature [K]."""
    return read(TEMPERATURE, text, where)


def frequency(text: str, where: str = "") -> Value:
    """A frequency [Hz], greater than zero."""
    return read(FREQUENCY, text, where)


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
    """A station air pressure [Pa]."""
    return read(PRESSURE, text, where)


def voltage(text: str, where: str = "") -> Value:
    """A voltage [V], greater than zero."""
    return read(VOLTAGE, text, where)


def duration(text: str, where: str = "") -> Value:
    """A time [s], greater than zero."""
    return read(DURATION, text, where)


def percent(text: str, where: str = "") -> Value:
    """A percentage, IN PER CENT (1% gives 1.0); a bare number is in per cent."""
    return read(PERCENT, text, where)


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
    plain = written.translate(_SPELLINGS).strip()
    if not plain:
        raise _error(quantity, where, f"no {quantity.name} given")
    if "," in plain:
        raise _error(
            quantity,
            where,
            f"'{written}' has a comma, which could be a decimal sign or a thousands separator",
            "Write a decimal point and no thousands separators",
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
    if limits_unit == "%" and "%" not in quantity.units:
        if quantity.offsets:
            raise _error(quantity, where, f"'{written}': per cent of a temperature mean nothing")
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
            raise _error(quantity, where, f"'{written}' has no unit")
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
    if unit in _NOT_METRIC or (unit == "F" and quantity.offsets):
        return what, "Use metric units"
    if unit == "m" and quantity.codes:
        return f"{what}: a thousandth, a million or a metre", "Write mohm or Mohm"
    same = [known for known in quantity.units if known.lower() == unit.lower()]
    if same:
        return what, f"Upper and lower case differ; did you mean '{same[0]}'?"
    for other in _QUANTITIES:
        if unit in other.units:
            return f"{what}; it is one of {other.name}", ""
    near = difflib.get_close_matches(unit, quantity.units, n=1, cutoff=0.5)
    return what, f"Did you mean '{near[0]}'?" if near else ""


def _error(quantity: Quantity, where: str, what: str, advice: str = "") -> UsageError:
    unit_list = quantity.shown or " ".join(quantity.units)
    start = advice if not advice or advice.endswith("?") else f"{advice}."
    remedy = f"{start} Write for example {quantity.example}; units: {unit_list}.".strip()
    return UsageError(what, where=where, remedy=remedy)

"""The units in which each kind of value may be written, and the sizes it may have.

The sizes are wide: they only stop values that a wrong unit or a slipped point has made absurd.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace


@dataclass(frozen=True)
class Quantity:
    """Units and range in which one kind of value may be written.

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
        relative: Whether limits in per cent of the value mean something.
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
    relative: bool = True
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
    relative=False,
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
HEIGHT = Quantity(
    "height above the sea", {"m": 1.0, "km": 1e3}, "340m", -430.0, 5000.0, "-430 m to 5000 m"
)
VOLTAGE = Quantity(
    "voltage", {"V": 1.0, "mV": 1e-3, "uV": 1e-6}, "1.2V", 1e-6, 1000.0, "1 uV to 1000 V"
)
POWER = Quantity("power", {"W": 1.0, "mW": 1e-3, "kW": 1e3}, "10W", 1e-6, 1e4, "1 uW to 10 kW")
PERCENT = Quantity("percentage", {"%": 1.0}, "1%", 0.0, 100.0, "0 % to 100 %", bare="%")
# Below one per cent somebody wrote a fraction: such dry air does not exist in a workshop.
HUMIDITY = replace(
    PERCENT, name="relative humidity", example="50%", smallest=1.0, limits_unit="1 % to 100 %"
)

COMPLIANCE = Quantity(
    "compliance",
    {"m/N": 1.0, "mm/N": 1e-3, "um/N": 1e-6},
    "0.85mm/N",
    1e-7,
    1.0,
    "0.1 um/N to 1 m/N",
)
MECHANICAL_RESISTANCE = Quantity(
    "mechanical resistance",
    {"kg/s": 1.0, "g/s": 1e-3, "Ns/m": 1.0, "N s/m": 1.0},
    "1.1kg/s",
    1e-3,
    100.0,
    "1 g/s to 100 kg/s",
)
FORCE_FACTOR = Quantity(
    "force factor",
    {"Tm": 1.0, "T m": 1.0, "N/A": 1.0, "mTm": 1e-3},
    "5.2Tm",
    1e-3,
    100.0,
    "0.001 Tm to 100 Tm",
)
LEVEL = Quantity("level", {"dB": 1.0}, "86dB", 20.0, 140.0, "20 dB to 140 dB", relative=False)
NUMBER = Quantity(
    "number",
    {"": 1.0},
    "0.38",
    1e-6,
    1e6,
    "0.000001 to 1000000",
    bare="",
    shown="none, it is a plain number",
)

ALL = (
    *(RESISTANCE, MASS, VOLUME, LENGTH, AREA, CAPACITANCE, INDUCTANCE),
    *(TEMPERATURE, FREQUENCY, PRESSURE, VOLTAGE, POWER, PERCENT),
    *(COMPLIANCE, MECHANICAL_RESISTANCE, FORCE_FACTOR, LEVEL),
)
NOT_METRIC = {
    "in", "inch", "inches", '"', "ft", "ft3", "cuft", "in2", "in3", "sqin", "cuin", "oz", "lb",
    "lbs", "F°", "°F", "degF", "psi", "inHg", "mmHg", "mil", "mils",
}  # fmt: skip

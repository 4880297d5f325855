"""The targets file: what a driver is meant to become, with limits, as people write them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field, model_validator

from cli.words import units
from cli.words.units import Quantity
from cli.words.values import number
from cli.words.values import read as read_value
from cli.words.written import Length
from fit.results.judge import Target
from fit.results.quantities import QUANTITIES
from meas.errors import UsageError
from meas.files.outside_text import quoted
from meas.files.schema_errors import near, shortened
from meas.files.settings import Settings, each_read_by, fault, read_settings
from meas.files.writing import write_text

if TYPE_CHECKING:
    from fit.diagnosis.known_coil import KnownCoil

_FORMAT = "freeair-targets/1"
_ADVICE = 'Write for example: fs = "42Hz ± 10%"'

NOTATION: Mapping[str, Quantity] = {
    "ohm": units.RESISTANCE,
    "H": units.INDUCTANCE,
    "Hz": units.FREQUENCY,
    "kg": units.MASS,
    "m/N": units.COMPLIANCE,
    "kg/s": units.MECHANICAL_RESISTANCE,
    "T m": units.FORCE_FACTOR,
    "m3": units.VOLUME,
    "m2": units.AREA,
    "dB": units.LEVEL,
    "1": units.NUMBER,
}
"""How values of each SI base unit are written."""

_HEAD = """\
# What this driver is meant to become. A fit is judged against it:
#     freeair fit TAKES... --targets THIS_FILE
#
# Each line gives an aim with limits, as you would write them on paper:
#     fs  = "42Hz ± 10%"           limits in per cent (+- instead of ± will do)
#     Re  = "5.8ohm ± 0.4ohm"      or in a unit
#     Qts = "0.38 ± 0.05"          plain numbers have no unit
#     Mms = { target = "13g", lower = "12g", upper = "15g" }     limits that differ
#     Qms = { lower = "3" }        one limit is enough: low, or high, never hurts
# The values below are examples. Put in what you mean to build and remove the rest; a # in
# front of a line takes it out. A decimal comma is not accepted.
"""

_EXAMPLES: Mapping[str, tuple[str, str]] = {
    "Re": ('"5.8ohm ± 5%"', "direct-current resistance of the coil"),
    "Re_20C": ('"5.8ohm ± 5%"', "the same at 20 °C, whatever the air had"),
    "fs": ('"48Hz ± 10%"', "resonance in free air"),
    "Qts": ('"0.42 ± 0.08"', "total Q at the resonance"),
    "Qms": ('{ lower = "3" }', "mechanical Q: losses of suspension and former"),
    "Qes": ('"0.46 ± 20%"', "electrical Q: damping by the motor"),
    "Le": ('{ upper = "0.8mH" }', "coil inductance at 1 kHz"),
    "Res": ('{ lower = "25ohm" }', "height of the peak above Re"),
    "Zmax": ('{ lower = "30ohm" }', "impedance at the resonance peak"),
    "Zmin": ('{ lower = "5.5ohm" }', "least impedance above the resonance"),
    "Mms": ('"13g ± 1.5g"', "moving mass with air; needs mass or box"),
    "Cms": ('"0.85mm/N ± 20%"', "compliance of the suspension; likewise"),
    "Rms": ('{ upper = "1.2kg/s" }', "mechanical resistance; likewise"),
    "Bl": ('"5.2Tm ± 10%"', "force factor; likewise"),
    "Vas": ('"14L ± 20%"', "equivalent volume of air; needs the area"),
    "Sd": ('"109cm2 ± 5%"', "effective area of the cone"),
    "eta0": ('"0.004 ± 20%"', "reference efficiency, as a fraction"),
    "sensitivity_2v83": ('"86dB ± 1.5dB"', "level at 1 m for 2.83 V, half space"),
    "sensitivity_1w": ('"86dB ± 1.5dB"', "level at 1 m for 1 W into Re, half space"),
}
_ACTIVE = ("Re", "fs", "Qts")

_WINDING_TEXT = """
# What is known of the coil helps to explain a deviation (such as missing turns). All optional.
[winding]
# wire = "copper"              # or "aluminium"
# wire_diameter = "0.16mm"     # of the bare metal
# turns = 110                  # in all layers together
# layers = 2
# former_diameter = "25.4mm"   # outside, where the wire lies
# gap_height = "5mm"           # of the pole plate
"""


def new_text(targets: Mapping[str, str] | None = None) -> str:
    """A commented targets file.

    Args:
        targets: Symbol to aim as written (``{"fs": "42Hz ± 10%"}``); None: the examples.
    """
    lines = [_HEAD, f'format = "{_FORMAT}"\n', "[targets]"]
    for symbol, (example, meaning) in _EXAMPLES.items():
        if targets is None:
            shown = f"{symbol} = {example}" if symbol in _ACTIVE else f"# {symbol} = {example}"
        elif symbol in targets:
            shown = f"{symbol} = {quoted(targets[symbol])}"
        else:
            shown = f"# {symbol} = {example}"
        lines.append(f"{shown:<40}# {meaning}")
    return "\n".join(lines) + "\n" + _WINDING_TEXT


def write_new(path: Path, targets: Mapping[str, str] | None = None) -> None:
    """Write a commented targets file.

    Raises:
        UsageError: If it exists or cannot be written.
    """
    write_text(path, new_text(targets))


def _target(symbol: str, aim: Any) -> Target:
    if symbol not in QUANTITIES:
        raise UsageError(f"unknown parameter {near(symbol, QUANTITIES)}")
    return Target(symbol, *read_aim(aim, NOTATION[QUANTITIES[symbol].unit]))


class Winding(Settings):
    """Known values of a coil, as written; None where one is not known.

    Attributes:
        wire_diameter: Diameter of the bare metal.
        turns: Turns in all layers together.
        former_diameter: Outside diameter of the former.
        gap_height: Height of the pole plate.
    """

    wire: Literal["copper", "aluminium"] | None = None
    wire_diameter: Length | None = None
    turns: Annotated[float, Field(gt=0, lt=1e5)] | None = None
    layers: Annotated[int, Field(gt=0, lt=1e5)] | None = None
    former_diameter: Length | None = None
    gap_height: Length | None = None

    def coil(self) -> KnownCoil:
        """The planned coil, as far as the file says."""
        from fit.design import wire
        from fit.diagnosis.known_coil import KnownCoil

        return KnownCoil(
            metal=wire.ALUMINIUM if self.wire == "aluminium" else wire.COPPER,
            wire_diameter=number(self.wire_diameter),
            turns=self.turns,
            layers=self.layers,
            former_diameter=number(self.former_diameter),
            gap_height=number(self.gap_height),
        )


class TargetsFile(Settings):
    """Plan of a driver: its targets, and what is known of its coil.

    Attributes:
        targets: In the order of the file; may be empty.
    """

    format: Literal["freeair-targets/1"]
    targets: Annotated[tuple[Target, ...], each_read_by(_target)] = ()
    winding: Winding = Winding()

    @model_validator(mode="before")
    @classmethod
    def _below_a_header(cls, content: Any) -> Any:
        if astray := [key for key in content if key in QUANTITIES]:
            raise fault(f"{', '.join(astray)}: did you forget the line [targets]?")
        return content


def read(path: Path) -> TargetsFile:
    """Read a targets file.

    Raises:
        UnreadableInput: If it cannot be read, is no TOML (with line and column), or holds wrong
            keys or values: all of them at once.
    """
    return read_settings(
        TargetsFile, "freeair-targets", path, "targets file", f"{_ADVICE}.", needs_format=False
    )


def read_aim(aim: Any, quantity: Quantity) -> tuple[float, float | None, float | None]:
    """Read one line of limits: ``"48Hz ± 10%"``, or a table of target, lower and upper.

    Args:
        aim: What TOML made of the line.

    Returns:
        Target, lower and upper limit in SI base units; None where there is none.

    Raises:
        UsageError: If it is neither, or has no limit.
    """
    if isinstance(aim, dict):
        return _limited(aim, quantity)
    if not isinstance(aim, str):
        raise UsageError(
            f"{shortened(aim)} should be text in double quotes with limits", remedy=_ADVICE
        )
    value = read_value(quantity, aim)
    if value.half_width is None:
        raise UsageError(
            f"'{aim}' has no limits",
            remedy=f'Write for example "{aim} ± 10%"' if quantity.relative else "Add ± 1.5dB",
        )
    return value.value, value.value - value.half_width, value.value + value.half_width


def _limited(
    aim: Mapping[str, Any], quantity: Quantity
) -> tuple[float, float | None, float | None]:
    numbers: dict[str, float] = {}
    for key, text in aim.items():
        if key not in ("target", "lower", "upper"):
            raise UsageError("is none of target, lower, upper", where=key)
        plain = isinstance(text, int | float) and not isinstance(text, bool)
        if not isinstance(text, str) and not (plain and quantity.bare is not None):
            raise UsageError(
                f"{shortened(text)} should be text in double quotes with its unit", where=key
            )
        value = read_value(quantity, str(text), key)
        if value.half_width is not None:
            raise UsageError(
                f"'{text}' has limits of its own", where=key, remedy="Give one plain value"
            )
        numbers[key] = value.value
    lower, upper = numbers.get("lower"), numbers.get("upper")
    if lower is None and upper is None:
        raise UsageError("has neither a lower nor an upper limit")
    target = numbers.get("target")
    if target is None:  # between two limits the middle is meant, with one the limit itself
        known = [limit for limit in (lower, upper) if limit is not None]
        target = sum(known) / len(known)
    return target, lower, upper

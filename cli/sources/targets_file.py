"""The targets file: what a driver is meant to become, with limits, as people write them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import Any

from cli.words import units
from cli.words.units import Quantity
from cli.words.values import read as read_value
from fit.results.judge import Target
from fit.results.quantities import QUANTITIES
from meas.errors import UsageError
from meas.files.settings_file import SettingsFile, open_settings
from meas.files.writing import write_text

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


@dataclass(frozen=True)
class Winding:
    """What is known of a coil; None where it is not.

    Attributes:
        wire: ``copper`` or ``aluminium``.
        wire_diameter_m: Of the bare metal [m].
        turns: In all layers together.
        layers: Number of layers.
        former_diameter_m: Outside diameter of the former [m].
        gap_height_m: Height of the magnet gap [m].
    """

    wire: str | None = None
    wire_diameter_m: float | None = None
    turns: float | None = None
    layers: int | None = None
    former_diameter_m: float | None = None
    gap_height_m: float | None = None


@dataclass(frozen=True)
class Plan:
    """Content of a targets file.

    Attributes:
        targets: In the order of the file; may be empty.
        winding: What is known of the coil.
    """

    targets: tuple[Target, ...]
    winding: Winding


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
            shown = f"{symbol} = {json.dumps(targets[symbol], ensure_ascii=False)}"
        else:
            shown = f"# {symbol} = {example}"
        lines.append(f"{shown:<40}# {meaning}")
    return "\n".join(lines) + "\n" + _WINDING_TEXT


def write_new(
    path: Path, targets: Mapping[str, str] | None = None, *, overwrite: bool = False
) -> None:
    """Write a commented targets file.

    Raises:
        UsageError: If it exists and may not be overwritten, or cannot be written.
    """
    write_text(path, new_text(targets), overwrite=overwrite)


def read(path: Path) -> Plan:
    """Read a targets file.

    Raises:
        UnreadableInput: If it cannot be read, is no TOML (with line and column), or holds wrong
            keys or values: all of them at once.
    """
    file = open_settings(path, "freeair-targets", "targets file", needs_format=False)
    for key in file.content:
        if key not in ("targets", "winding"):
            line = "did you forget the line [targets]?" if key in QUANTITIES else ""
            hint = line or near(key, ("targets", "winding"))
            file.faults.append(f"unknown key {key} {hint}".strip())
    targets = [
        target
        for symbol, aim in _subtable(file, "targets").items()
        if (target := file.attempt(symbol, partial(_target, symbol, aim)))
    ]
    facts = [
        fact
        for key, value in _subtable(file, "winding").items()
        if (fact := file.attempt(key, partial(_winding_fact, key, value)))
    ]
    file.finish(f"{_ADVICE}.")
    return Plan(tuple(targets), Winding(**dict(facts)))


def _subtable(file: SettingsFile, key: str) -> Mapping[str, Any]:
    table = file.content.get(key, {})
    if isinstance(table, dict):
        return table
    file.faults.append(f"{key} should be a table: write [{key}] on a line of its own")
    return {}


def _target(symbol: str, aim: Any) -> Target:
    if symbol not in QUANTITIES:
        raise UsageError(f"unknown parameter {near(symbol, QUANTITIES)}".strip(), where=symbol)
    return Target(symbol, *read_aim(symbol, aim, NOTATION[QUANTITIES[symbol].unit]))


def read_aim(symbol: str, aim: Any, quantity: Quantity) -> tuple[float, float | None, float | None]:
    """One line of limits, as ``"48Hz ± 10%"`` or as a table of target, lower and upper.

    Args:
        symbol: For messages.
        aim: What TOML made of the line.
        quantity: What may be written.

    Returns:
        Target, lower and upper limit in SI base units; None where there is none.

    Raises:
        UsageError: If it is neither, or has no limit.
    """
    if isinstance(aim, dict):
        return _limited(symbol, aim, quantity)
    if not isinstance(aim, str):
        raise UsageError(
            f"{aim!r} should be text in quotes with limits", where=symbol, remedy=_ADVICE
        )
    value = read_value(quantity, aim, symbol)
    if value.half_width is None:
        raise UsageError(
            f"'{aim}' has no limits",
            where=symbol,
            remedy=f'Write for example "{aim} ± 10%"' if quantity.relative else "Add ± 1.5dB",
        )
    return value.value, value.value - value.half_width, value.value + value.half_width


def _limited(
    symbol: str, aim: Mapping[str, Any], quantity: Quantity
) -> tuple[float, float | None, float | None]:
    numbers: dict[str, float] = {}
    for key, text in aim.items():
        where = f"{symbol}.{key}"
        if key not in ("target", "lower", "upper"):
            raise UsageError("is none of target, lower, upper", where=where)
        plain = isinstance(text, int | float) and not isinstance(text, bool)
        if not isinstance(text, str) and not (plain and quantity.bare is not None):
            raise UsageError(f"{text!r} should be text in quotes with its unit", where=where)
        value = read_value(quantity, str(text), where)
        if value.half_width is not None:
            raise UsageError(
                f"'{text}' has limits of its own", where=where, remedy="Give one plain value"
            )
        numbers[key] = value.value
    lower, upper = numbers.get("lower"), numbers.get("upper")
    if lower is None and upper is None:
        raise UsageError("has neither a lower nor an upper limit", where=symbol)
    target = numbers.get("target")
    if target is None:  # between two limits the middle is meant, with one the limit itself
        known = [limit for limit in (lower, upper) if limit is not None]
        target = sum(known) / len(known)
    return target, lower, upper


def _winding_fact(key: str, value: Any) -> tuple[str, Any]:
    """Name in `Winding` and value in SI of one line."""
    where = f"winding.{key}"
    if key in ("wire_diameter", "former_diameter", "gap_height"):
        if not isinstance(value, str):
            raise UsageError(f"{value!r} should be text in quotes with its unit", where=where)
        return f"{key}_m", read_value(units.LENGTH, value, where).value
    if key == "wire":
        if value not in ("copper", "aluminium"):
            raise UsageError(f"{value!r} should be 'copper' or 'aluminium'", where=where)
        return key, value
    if key in ("turns", "layers"):
        kinds = (int,) if key == "layers" else (int, float)
        if isinstance(value, bool) or not isinstance(value, kinds) or not 0 < value < 1e5:
            raise UsageError(f"{value!r} should be a number above zero", where=where)
        return key, value
    known = ("wire", "wire_diameter", "turns", "layers", "former_diameter", "gap_height")
    raise UsageError(f"unknown key {near(key, known)}".strip(), where=where)


def near(word: str, known: Any) -> str:
    """A hint at the known word that was meant, or at all of them."""
    alike = get_close_matches(word, list(known), n=1, cutoff=0.5)
    folded = [name for name in known if name.lower() == word.lower()]
    found = folded or alike
    return f"(did you mean {found[0]}?)" if found else f"(known: {' '.join(known)})"

"""The limits of a series as a file: a part for people to edit, and the reference behind it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import AfterValidator, Field, model_validator

from cli.sources import targets_file
from cli.words import units
from cli.words.units import Quantity
from fit.results.result import DECIBEL, logarithm
from fit.series.limits import Limit, SeriesLimits
from fit.series.mask import CENTRES_HZ, Layer, LayerName, Mask
from fit.series.values import NAMES, Common
from meas.files.outside_text import quoted
from meas.files.schema_errors import near
from meas.files.settings import Settings, each_read_by, fault, read_settings
from meas.files.writing import write_text

FORMAT = "freeair-series/1"
_ADVICE = "Mend that line, or make a new file: freeair series limits UNIT... --save FILE"
_NOTATION: Mapping[str, Quantity] = {**targets_file.NOTATION, "F": units.CAPACITANCE}
_DIGITS = 5
_SAME = 2e-4
"""Relative difference that writing a limit with five digits makes at most, twice over."""

_HEAD = """\
# What good units of a series look like. A unit is judged by it:
#     freeair series judge TAKE --limits THIS_FILE
#
# Below [limits] stands what is judged. Edit it: change a limit (units as in the examples), leave
# out a lower or an upper one, put a # in front of a line that shall not count, or take one away.
# Limits as derived are limits on what this bench measures: errors which the reference shares (one
# resistor) cancel, and a unit is undecided only when it lies outside by less than it repeats. A
# limit that you change is taken for one on the true value: then every error of the bench counts,
# on both sides of the limit, and more units come out undecided.
"""

_LIMITS_HEAD = """
# Each limit was chosen to hold {coverage:g} % of good units, with {confidence:g} % confidence
# from {n} units. "spread" is the standard deviation over the units; "measuring" what of it is
# measurement, and not the units. Re is that of the room: copper changes by 2 % over 5 K. Where
# your room changes so much, give --air-temperature every time, and judge by Re_20C instead.
[limits]
"""

_SPARE_HEAD = """
# Not judged, because it says the same in other words, or because not every take can give it (Mms
# and Bl need a mass or a box, sensitivity the diameter as well). Take the # away to judge by it.
"""

_MASK_HEAD = """
# What of the curve the parameters do not tell, such as a leak, a rub or a loose joint.
[curve]
judged = {judged}

# From here on: the reference. It is not meant to be edited.
"""


def text_of(limits: SeriesLimits) -> str:
    """The file's content."""
    lines = [
        _HEAD,
        f"format = {quoted(FORMAT)}",
        f"model = {quoted(limits.model)}",
        f"coverage = {limits.coverage!r}",
        f"confidence = {limits.confidence!r}",
        f"units = [{', '.join(map(quoted, limits.units))}]",
        _LIMITS_HEAD.format(
            coverage=100 * limits.coverage, confidence=100 * limits.confidence, n=len(limits.units)
        ).rstrip("\n"),
    ]
    lines += [_line(limit) for limit in limits.limits if limit.judged]
    spare = [limit for limit in limits.limits if not limit.judged]
    if spare:
        lines += [_SPARE_HEAD.rstrip("\n"), *(f"# {_line(limit)}" for limit in spare)]
    lines.append(_MASK_HEAD.format(judged="true" if limits.mask else "false").rstrip("\n"))
    if limits.near:
        lines += ["", "[near]", *(f"{name} = {value!r}" for name, value in limits.near.items())]
    for limit in limits.limits:
        lines += ["", *_reference(limit)]
    if limits.mask is not None:
        lines += ["", "[mask]", f"factor = {limits.mask.factor!r}"]
        for name, layer in limits.mask.layers.items():
            lines += ["", f"[mask.{name}]"]
            lines += [
                f"{key} = {_numbers(values)}"
                for key, values in (
                    ("frequency_hz", layer.frequency_hz),
                    ("centre", layer.centre),
                    ("spread", layer.spread),
                )
            ]
    return "\n".join(lines) + "\n"


def write(path: Path, limits: SeriesLimits) -> None:
    """Write a new limits file.

    Raises:
        UsageError: If it exists, or cannot be written.
    """
    write_text(path, text_of(limits))


def _line(limit: Limit) -> str:
    aims = [
        f"{name} = {quoted(_written(limit, value))}"
        for name, value in (("lower", limit.lower), ("upper", limit.upper))
        if value is not None
    ]
    quantity = NAMES[limit.parameter]
    spread = (
        f"{limit.spread / DECIBEL:.2g} dB, measuring {limit.measuring / DECIBEL:.2g} dB"
        if limit.unit == "dB"
        else f"{100 * limit.spread:.2g} %, measuring {100 * limit.measuring:.2g} %"
    )
    said = f"{quantity.name}: centre {quantity.text(limit.centre, 4)}, spread {spread}"
    line = f"{limit.parameter} = {{ {', '.join(aims)} }}"
    return f"{line:<52}# {said}"


def _written(limit: Limit, value: float) -> str:
    quantity = NAMES[limit.parameter]
    unit = quantity.shown_unit.replace("T m", "Tm").replace("litre", "L")
    if unit == "%":
        return f"{value:.{_DIGITS}g}"
    return f"{float(f'{value / quantity.scale:.{_DIGITS}g}')}{unit}"


def _reference(limit: Limit) -> list[str]:
    lines = [f"[reference.{limit.parameter}]", f"unit = {quoted(limit.unit)}"]
    numbers = {
        "centre": limit.centre,
        "lower": limit.lower,
        "upper": limit.upper,
        "spread": limit.spread,
        "measuring": limit.measuring,
        "model": limit.common.model,
        "frequency_hz": limit.frequency_hz,
    }
    lines += [f"{key} = {float(v)!r}" for key, v in numbers.items() if v is not None]
    effects = ", ".join(f"{quoted(s)} = {float(e)!r}" for s, e in limit.common.effects.items())
    return [*lines, f"effects = {{ {effects} }}" if effects else "effects = {}"]


def _numbers(values: Any) -> str:
    return f"[{', '.join(f'{float(v):.7g}' for v in values)}]"


# ---- reading -------------------------------------------------------------------------------------


_Share = Annotated[float, Field(gt=0, lt=1)]
_Size = Annotated[float, Field(gt=0)]
_AtLeast0 = Annotated[float, Field(ge=0)]


class _Reference(Settings):
    unit: str
    centre: float
    lower: float
    upper: float
    spread: _Size
    measuring: _AtLeast0
    model: _AtLeast0
    frequency_hz: _Size | None = None
    effects: dict[str, float]

    @model_validator(mode="after")
    def _ordered(self) -> _Reference:
        if self.unit != "dB" and self.lower <= 0:
            raise ValueError("lower should be above 0")
        if not self.lower < self.centre < self.upper:
            raise ValueError("centre should lie between lower and upper")
        return self


class _Layer(Settings):
    frequency_hz: list[_Size]
    centre: list[float]
    spread: list[_Size]

    @model_validator(mode="after")
    def _equally_long(self) -> _Layer:
        if not len(self.frequency_hz) == len(self.centre) == len(self.spread) > 0:
            raise ValueError("frequency_hz, centre and spread should be equally long")
        at = np.searchsorted(CENTRES_HZ, np.array(self.frequency_hz) * 0.999)
        if np.any(at >= CENTRES_HZ.size) or np.any(
            np.abs(CENTRES_HZ[at] / self.frequency_hz - 1) > 1e-4
        ):
            raise ValueError("frequency_hz should be centres of sixths of an octave about 1 kHz")
        return self


class _Mask(Settings):
    factor: _Size
    magnitude: _Layer | None = None
    shape: _Layer | None = None
    phase: _Layer | None = None


class _Curve(Settings):
    judged: bool


def _known(symbol: str) -> str:
    if symbol not in NAMES:
        raise fault(f"unknown parameter {near(symbol, NAMES)}")
    return symbol


def _aim(symbol: str, aim: Any) -> tuple[str, float | None, float | None]:
    """Symbol, lower and upper limit of a line below [limits]."""
    unit = NAMES[_known(symbol)].unit
    _, lower, upper = targets_file.read_aim(aim, _NOTATION[unit])
    low = -math.inf if lower is None else lower
    high = math.inf if upper is None else upper
    if not low < high or (unit != "dB" and min(low, high) <= 0 and lower is not None):
        raise fault("its lower limit should lie above 0 and below its upper")
    return symbol, lower, upper


class _File(Settings):
    """Content of a limits file."""

    format: Literal["freeair-series/1"]
    model: str
    coverage: _Share
    confidence: _Share
    units: list[str]
    reference: dict[Annotated[str, AfterValidator(_known)], _Reference]
    limits: Annotated[tuple[tuple[str, float | None, float | None], ...], each_read_by(_aim)]
    curve: _Curve
    near: dict[str, _Size] = Field(default_factory=dict)
    mask: _Mask | None = None

    @model_validator(mode="after")
    def _judges_something(self) -> Self:
        if lost := [symbol for symbol, _, _ in self.limits if symbol not in self.reference]:
            named = ", ".join(lost)
            raise fault(f"the reference does not have {named}, which cannot be compared")
        if not self.limits and not (self.curve.judged and self.mask):
            raise fault("nothing is judged: no line stands below [limits], and curve.judged is off")
        return self


def read(path: Path) -> SeriesLimits:
    """Read a limits file.

    Raises:
        UnreadableInput: If it cannot be read, is no TOML, or holds wrong keys or values: all of
            them at once.
    """
    file = read_settings(_File, "freeair-series", path, "limits file", _ADVICE)
    stated = {symbol: (lower, upper) for symbol, lower, upper in file.limits}
    derived = [_limit(symbol, reference) for symbol, reference in file.reference.items()]
    return SeriesLimits(
        units=tuple(file.units),
        model=file.model,
        coverage=file.coverage,
        confidence=file.confidence,
        limits=tuple(
            _judged(limit, *stated[limit.parameter]) if limit.parameter in stated else limit
            for limit in derived
        ),
        mask=_mask(file.mask) if file.mask and file.curve.judged else None,
        near=file.near,
    )


def _limit(symbol: str, r: _Reference) -> Limit:
    same = r.model_dump(exclude={"effects", "model"})
    return Limit(parameter=symbol, common=Common(r.effects, r.model), judged=False, **same)


def _judged(derived: Limit, lower: float | None, upper: float | None) -> Limit:
    symbol = derived.parameter
    changed = not (_same(lower, derived.lower, symbol) and _same(upper, derived.upper, symbol))
    if not changed:  # to the last digit, where it is there at all
        lower = None if lower is None else derived.lower
        upper = None if upper is None else derived.upper
    return replace(derived, lower=lower, upper=upper, judged=True, changed=changed)


def _same(stated: float | None, derived: float | None, symbol: str) -> bool:
    """Tell whether a limit is the derived one; a limit that was left out was not moved."""
    if stated is None or derived is None:
        return True
    unit = NAMES[symbol].unit
    return abs(logarithm(stated, unit) - logarithm(derived, unit)) <= _SAME


def _mask(file: _Mask) -> Mask:
    layers: dict[LayerName, Layer] = {}
    names: tuple[LayerName, ...] = ("magnitude", "shape", "phase")
    for name in names:
        layer = getattr(file, name)
        if layer is not None:
            layers[name] = Layer(*map(np.array, (layer.frequency_hz, layer.centre, layer.spread)))
    return Mask(layers, file.factor)

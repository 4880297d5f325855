"""The network file: any crossover made of ladders, one block of lines for each arm."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from cli.sources import opened
from cli.terminal import show
from cli.words.values import Value
from cli.words.written import Capacitance, Inductance, Power, Resistance
from fit.crossover.ladder import Part
from fit.crossover.network import NetworkArm, NetworkPart
from fit.crossover.textbook import TOLERANCE
from fit.parts.passive import LETTER
from fit.parts.store import SavedPart
from fit.results.error_sources import named_apart
from fit.results.numbers import with_prefix
from meas.errors import UsageError
from meas.files.schema_errors import validate
from meas.files.settings import Settings, fault, read_settings

BRANCHES = ("woofer", "midrange", "tweeter")
_REMEDY = "Mend those lines and run it again."
_UNWRITTEN = "Keep the network file and the files of its parts: they say it already."

_MOST_ARMS = 40  # ten times what anybody solders into one branch
_MOST_PARTS = 10  # measured ones of one arm

_HEAD = """\
# A crossover: branches of one amplifier, each a ladder from the amplifier to its driver.
#     freeair filter THIS_FILE --woofer TAKE|FIT --tweeter TAKE|FIT
#
# Each block is one arm, in order from the amplifier to the driver:
#     place = "series"              in the line, or "shunt": across it
#     resistor, capacitor, inductor one or more; those of one arm are in series with each other
#     series_resistance = "0.4ohm"  of the inductor's winding, or of the capacitor
#     core_resistance = "500ohm"    core loss of the inductor, parallel to it
#     power = "10W"                 what the resistor bears
#     back_to_back = true           the capacitor is made of polarised ones, equal poles joined
#     part = "l1.json"              a part as measured (freeair part ... --save), beside values
# Values are written as on the parts, with limits where you know them: "12uF ± 5%".
"""


def _one_or_more(names: Any) -> Any:
    return (
        (names,) if isinstance(names, str) else tuple(names) if isinstance(names, list) else names
    )


class _Arm(Settings):
    """One arm of a ladder: parts in series with each other, in the line or across it."""

    place: Literal["series", "shunt"]
    inductor: Inductance | None = None
    capacitor: Capacitance | None = None
    resistor: Resistance | None = None
    part: Annotated[
        tuple[str, ...], BeforeValidator(_one_or_more), Field(max_length=_MOST_PARTS)
    ] = ()
    series_resistance: Resistance | None = None
    core_resistance: Resistance | None = None
    power: Power | None = None
    back_to_back: bool = False

    @model_validator(mode="after")
    def _of_its_parts(self) -> Self:
        if self.inductor is self.capacitor is self.resistor is None and not self.part:
            raise fault("has no part", 'Write for example capacitor = "4.7uF"')
        if self.series_resistance and not (self.inductor or self.capacitor):
            raise fault(
                "series_resistance without an inductor or a capacitor",
                "A resistor of its own is written as resistor",
            )
        if self.core_resistance and not self.inductor:
            raise fault("core_resistance without an inductor")
        if self.back_to_back and not (self.capacitor or self.part):
            raise fault("back_to_back without a capacitor")
        return self


def _blocks(content: Any) -> Any:
    if not isinstance(content, list) or not all(isinstance(block, dict) for block in content):
        raise fault(f"write each arm under a line such as [[{BRANCHES[0]}]]")
    return tuple(content)


_Arms = Annotated[tuple[_Arm, ...], BeforeValidator(_blocks), Field(max_length=_MOST_ARMS)]


class _NetworkFile(Settings):
    """Arms of every branch, in order from the amplifier to the driver."""

    format: Literal["freeair-network/1"]
    woofer: _Arms = ()
    midrange: _Arms = ()
    tweeter: _Arms = ()

    @model_validator(mode="after")
    def _some_branch(self) -> Self:
        if not self.model_fields_set & set(BRANCHES):
            raise fault(f"has no branch: write arms under lines such as [[{BRANCHES[0]}]]")
        return self


def read(path: Path) -> dict[str, tuple[NetworkArm, ...]]:
    """Read the arms of every branch of a network file.

    Raises:
        UnreadableInput: If it cannot be read, is no TOML (with line and column), or holds wrong
            keys or values: all of them at once.
    """
    file = read_settings(
        _NetworkFile, "freeair-network", path, "network file", _REMEDY, entry="arm"
    )
    return {
        branch: _arms(getattr(file, branch), path.parent)
        for branch in BRANCHES
        if branch in file.model_fields_set
    }


def _arms(arms: Sequence[_Arm], folder: Path) -> tuple[NetworkArm, ...]:
    counts = dict.fromkeys(LETTER, 0)

    def name(kind: str) -> str:
        counts[kind] += 1
        return f"{LETTER[kind]}{counts[kind]}"

    made = []
    for arm in arms:
        valued = {"inductor": arm.inductor, "capacitor": arm.capacitor, "resistor": arm.resistor}
        parts = [_valued(kind, value, arm, name(kind)) for kind, value in valued.items() if value]
        for file in arm.part:
            saved = opened.part(folder / file)
            parts.append(measured_part(saved, name(saved.kind), arm.back_to_back))
        made.append(NetworkArm(arm.place, tuple(parts)))
    return tuple(made)


def _valued(kind: str, value: Value, arm: _Arm, name: str) -> NetworkPart:
    half_width = value.half_width
    if half_width is None:
        half_width = TOLERANCE[kind] * value.value
        show.default_taken(f"{name} {value.written} (no limits given): ±{TOLERANCE[kind]:.0%}")
    has_series = kind == "inductor" or (kind == "capacitor" and arm.inductor is None)
    series = arm.series_resistance if has_series else None
    core = arm.core_resistance if kind == "inductor" else None
    return NetworkPart(
        name,
        Part(
            kind,  # type: ignore[arg-type]  # one of the three kinds
            value.value,
            series.value if series else 0.0,
            core.value if core else math.inf,
        ),
        half_width / math.sqrt(3),
        (series.half_width or 0.0) / math.sqrt(3) if series else 0.0,
        arm.power.value if arm.power and kind == "resistor" else None,
        arm.back_to_back and kind == "capacitor",
    )


def measured_part(saved: SavedPart, name: str, back_to_back: bool = False) -> NetworkPart:
    """A saved part as part of a network; flaws that were not resolved count as none."""
    flaw = {"capacitor": "ESR", "inductor": "R"}.get(saved.kind, "")
    fields = {"value": LETTER[saved.kind], "series_ohm": flaw, "core_ohm": "Rcore"}
    known = {field: saved.values[key] for field, key in fields.items() if key in saved.values}
    errors: dict[str, dict[str, float]] = {}
    for field, value in known.items():
        for source, effect in named_apart(value.contributions, f":{saved.name}").items():
            errors.setdefault(source, {})[field] = effect
    series, core = known.get("series_ohm"), known.get("core_ohm")
    return NetworkPart(
        name,
        Part(
            saved.kind,
            known["value"].value,
            series.value if series else 0.0,
            core.value if core else math.inf,
        ),
        back_to_back=back_to_back,
        errors=errors,
    )


def as_text(branches: Mapping[str, Sequence[NetworkArm]]) -> str:
    """A commented network file that reads back as the same network.

    Raises:
        UsageError: If an arm cannot be written in one block.
    """
    lines = [_HEAD, 'format = "freeair-network/1"']
    for branch, arms in branches.items():
        for arm in arms:
            # In the line, parts in series are as well arms of their own.
            groups = [(part,) for part in arm.parts] if arm.place == "series" else [arm.parts]
            for parts in groups:
                block = _block(arm.place, parts)
                validate(_Arm, json.dumps(block), f"{branch}, an arm of it", _UNWRITTEN)
                lines += ["", f"[[{branch}]]"]
                lines += [f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in block.items()]
    return "\n".join(lines) + "\n"


def _block(place: str, parts: Sequence[NetworkPart]) -> dict[str, str | bool]:
    """Lines of one arm, as `_Arm` reads them."""
    block: dict[str, str | bool] = {"place": place}
    for named in parts:
        part = named.part
        if part.kind in block:
            raise UsageError(
                f"two {part.kind}s in one arm across the line cannot be written",
                where="--save-network",
                remedy=_UNWRITTEN,
            )
        limits = 100 * named.total_uncertainty * math.sqrt(3) / part.value
        block[part.kind] = f"{_exact(part.value, part.unit)} ± {limits:.3g}%"
        if math.isfinite(part.core_ohm):
            block["core_resistance"] = _exact(part.core_ohm, "ohm")
        if named.rated_watt is not None:
            block["power"] = f"{named.rated_watt:g}W"
        if named.back_to_back:
            block["back_to_back"] = True
    series_ohm = sum(named.part.series_ohm for named in parts if named.part.kind != "resistor")
    if series_ohm > 0:
        block["series_resistance"] = _exact(series_ohm, "ohm")
    return block


def _exact(value: float, unit: str) -> str:
    """A value with a unit that reads back to twelve digits."""
    factor, prefix = {"ohm": (1.0, "ohm"), "F": (1e-6, "uF"), "H": (1e-3, "mH")}[unit]
    return f"{value / factor:.12g}{prefix}"


def in_words(named: NetworkPart) -> str:
    """Value and winding of a part, such as ``0.820 mH (0.40 Ω)``."""
    part = named.part
    text = with_prefix(part.value, part.unit)
    if part.series_ohm > 0 and part.kind != "resistor":
        text += f" ({with_prefix(part.series_ohm, 'ohm', 2)})"
    return text

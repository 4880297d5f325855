"""The network file: any crossover made of ladders, one block of lines for each arm."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

from cli.sources import opened
from cli.terminal import show
from cli.words import units, values
from fit.results.numbers import with_prefix
from meas.errors import UsageError

if TYPE_CHECKING:
    from fit.crossover.network import NetworkArm, NetworkPart
    from fit.parts.store import SavedPart
    from meas.files.settings_file import SettingsFile

BRANCHES = ("woofer", "midrange", "tweeter")
_FORMAT = "freeair-network/1"
_KINDS = ("resistor", "capacitor", "inductor")
_UNITS = {"resistor": "ohm", "capacitor": "F", "inductor": "H"}
_LETTER = {"resistor": "R", "capacitor": "C", "inductor": "L"}
_KEYS = (
    *("place", *_KINDS, "part", "series_resistance", "core_resistance", "power", "back_to_back"),
)

_MOST_ARMS = 40  # ten times what anybody solders into one branch

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


def read(path: Path) -> dict[str, tuple[NetworkArm, ...]]:
    """Arms of every branch of a network file.

    Raises:
        UnreadableInput: If it cannot be read, is no TOML (with line and column), or holds wrong
            keys or values: all of them at once.
    """
    from meas.files.settings_file import open_settings

    file = open_settings(path, "freeair-network", "network file")
    branches: dict[str, tuple[NetworkArm, ...]] = {}
    for key, blocks in file.content.items():
        if key not in BRANCHES:
            file.faults.append(f"unknown branch {key}: there are {', '.join(BRANCHES)}")
        elif not isinstance(blocks, list) or not all(isinstance(block, dict) for block in blocks):
            file.faults.append(f"{key}: write each arm under a line [[{key}]]")
        else:
            branches[key] = _arms(key, blocks, file)
    if not branches and not file.faults:
        file.faults.append(f"has no branch: write arms under lines such as [[{BRANCHES[0]}]]")
    file.finish("Mend those lines and run it again.")
    return branches


def _arms(
    branch: str, blocks: Sequence[Mapping[str, Any]], file: SettingsFile
) -> tuple[NetworkArm, ...]:
    counts = dict.fromkeys(_KINDS, 0)
    arms = []
    if len(blocks) > _MOST_ARMS:  # each is solved at every frequency
        file.faults.append(f"{branch}: {len(blocks)} arms, where {_MOST_ARMS} are the most")
        return ()
    for number, block in enumerate(blocks, start=1):
        where = f"{branch} arm {number}"
        arms.append(file.attempt(where, partial(_arm, block, where, file.path.parent, counts)))
    return tuple(arm for arm in arms if arm is not None)


def _arm(block: Mapping[str, Any], where: str, folder: Path, counts: dict[str, int]) -> NetworkArm:
    from fit.crossover.network import NetworkArm

    _check_keys(block, where)
    parts = _parts(block, where, folder, counts)
    return NetworkArm(cast(Literal["series", "shunt"], block["place"]), parts)


def _check_keys(block: Mapping[str, Any], where: str) -> None:
    for key, value in block.items():
        if key not in _KEYS:
            raise UsageError(f"unknown key {key}", where=where, remedy=f"One of {', '.join(_KEYS)}")
        wanted = (str, list) if key == "part" else (bool,) if key == "back_to_back" else (str,)
        if not isinstance(value, wanted):
            kind = "true or false" if key == "back_to_back" else "text in double quotes"
            raise UsageError(f"{key} = {value!r} should be {kind}", where=where)
    if block.get("place") not in ("series", "shunt"):
        raise UsageError(
            f"place = {block.get('place')!r}", where=where, remedy='Write "series" or "shunt"'
        )
    if "series_resistance" in block and not {"capacitor", "inductor"} & set(block):
        raise UsageError(
            "series_resistance without an inductor or a capacitor",
            where=where,
            remedy="A resistor of its own is written as resistor",
        )
    if "core_resistance" in block and "inductor" not in block:
        raise UsageError("core_resistance without an inductor", where=where)
    if block.get("back_to_back") and "capacitor" not in block and "part" not in block:
        raise UsageError("back_to_back without a capacitor", where=where)


def _parts(
    block: Mapping[str, Any], where: str, folder: Path, counts: dict[str, int]
) -> tuple[NetworkPart, ...]:
    found = []
    for kind in ("inductor", "capacitor", "resistor"):
        if kind in block:
            counts[kind] += 1
            found.append(_valued(kind, block, where, f"{_LETTER[kind]}{counts[kind]}"))
    files = block.get("part", [])
    for file in [files] if isinstance(files, str) else files:
        if not isinstance(file, str):
            raise UsageError(f"part = {file!r} should be names of files in quotes", where=where)
        found.append(_measured(folder / file, counts, bool(block.get("back_to_back"))))
    if not found:
        raise UsageError("has no part", where=where, remedy='Write for example capacitor = "4.7uF"')
    return tuple(found)


def _valued(kind: str, block: Mapping[str, Any], where: str, name: str) -> NetworkPart:
    from fit.crossover.ladder import Part
    from fit.crossover.network import NetworkPart
    from fit.crossover.textbook import TOLERANCE

    reader = {
        "resistor": values.resistance,
        "capacitor": values.capacitance,
        "inductor": values.inductance,
    }[kind]
    value = reader(block[kind], f"{where}, {kind}")
    half_width = value.half_width
    if half_width is None:
        half_width = TOLERANCE[kind] * value.value
        show.default_taken(f"{name} {value.written} (no limits given): ±{TOLERANCE[kind]:.0%}")
    series = core = None
    takes_series = kind == "inductor" or (kind == "capacitor" and "inductor" not in block)
    if "series_resistance" in block and takes_series:
        series = values.resistance(block["series_resistance"], f"{where}, series_resistance")
    if "core_resistance" in block and kind == "inductor":
        core = values.resistance(block["core_resistance"], f"{where}, core_resistance")
    rated = None
    if "power" in block and kind == "resistor":
        rated = values.read(units.POWER, block["power"], f"{where}, power").value
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
        rated,
        bool(block.get("back_to_back")) and kind == "capacitor",
    )


def _measured(path: Path, counts: dict[str, int], back_to_back: bool) -> NetworkPart:
    saved = opened.part(path)
    counts[saved.kind] += 1
    return measured_part(saved, f"{_LETTER[saved.kind]}{counts[saved.kind]}", back_to_back)


def measured_part(saved: SavedPart, name: str, back_to_back: bool = False) -> NetworkPart:
    """A saved part as part of a network; flaws that were not resolved count as none."""
    from fit.crossover.ladder import Part
    from fit.crossover.network import NetworkPart
    from fit.results.error_sources import named_apart

    main, flaw = {"resistor": ("R", ""), "capacitor": ("C", "ESR"), "inductor": ("L", "R")}[
        saved.kind
    ]
    fields = {"value": main, "series_ohm": flaw}
    if saved.kind == "inductor":
        fields["core_ohm"] = "Rcore"
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
    """A commented network file that reads back as the same network."""
    lines = [_HEAD, f'format = "{_FORMAT}"']
    for branch, arms in branches.items():
        for arm in arms:
            lines += ["", f"[[{branch}]]", f'place = "{arm.place}"']
            for named in arm.parts:
                part = named.part
                limits = 100 * named.total_uncertainty * math.sqrt(3) / part.value
                text = _exact(part.value, _UNITS[part.kind])
                lines.append(f'{part.kind} = "{text} ± {limits:.3g}%"')
                if part.series_ohm > 0 and part.kind != "resistor":
                    lines.append(f'series_resistance = "{_exact(part.series_ohm, "ohm")}"')
                if math.isfinite(part.core_ohm):
                    lines.append(f'core_resistance = "{_exact(part.core_ohm, "ohm")}"')
                if named.rated_watt is not None:
                    lines.append(f'power = "{named.rated_watt:g}W"')
                if named.back_to_back:
                    lines.append("back_to_back = true")
    return "\n".join(lines) + "\n"


def _exact(value: float, unit: str) -> str:
    """A value with a unit that reads back to twelve digits."""
    factor, prefix = {
        "ohm": (1.0, "ohm"),
        "F": (1e-6, "uF"),
        "H": (1e-3, "mH"),
    }[unit]
    return f"{value / factor:.12g}{prefix}"


def in_words(named: NetworkPart) -> str:
    """Value and winding of a part, such as ``0.820 mH (0.40 Ω)``."""
    part = named.part
    text = with_prefix(part.value, _UNITS[part.kind])
    if part.series_ohm > 0 and part.kind != "resistor":
        text += f" ({with_prefix(part.series_ohm, 'ohm', 2)})"
    return text

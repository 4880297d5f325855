"""From words on the command line to curves with their conditions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from cli.sources import opened
from cli.words import assumed, table_scale, values
from cli.words.session import GRAMS, LITRES, stated
from cli.words.values import Value
from meas.errors import UsageError
from meas.files.outside_text import composed

if TYPE_CHECKING:
    from cli.words.table_scale import TableScale
    from fit.given.measured import Condition, MeasuredCurve
    from meas.errors import Finding
    from meas.takes.record import TakeCondition
    from meas.takes.take import Take


@dataclass(frozen=True)
class Gathered:
    """All measured curves, ready to be fitted.

    Attributes:
        curves: One per table or take, free air first.
        takes: The take behind each curve; None behind a table.
        findings: Doubts that the takes themselves came with.
    """

    curves: tuple[MeasuredCurve, ...]
    takes: tuple[Take | None, ...]
    unit: str
    findings: tuple[Finding, ...] = ()


@dataclass
class _Sources:
    """Sources read so far: curves with their takes, names and short names of tables."""

    scale: TableScale
    seen: dict[bytes, str] = field(default_factory=dict)
    curves: list[tuple[MeasuredCurve, Take | None]] = field(default_factory=list)
    names: list[str] = field(default_factory=list)
    scaled: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def gather(
    free: Sequence[str],
    added_mass: Sequence[str] = (),
    test_box: Sequence[str] = (),
    unit: str | None = None,
    table_tolerance: str | None = None,
) -> Gathered:
    """Read every source.

    Args:
        free: Takes of any condition, and tables measured in free air.
        added_mass: ``FILE=M`` for tables (or takes, which must agree).
        test_box: ``FILE=V`` likewise.
        unit: Name of the driver; None: as the takes say, else the first table's name.
        table_tolerance: How well the ohms of tables are known as a whole, as written.

    Raises:
        UsageError: If sources contradict themselves or each other.
        UnreadableInput: If a source cannot be read.
        Refused: If a take was refused when it was made.
    """
    sources = _Sources(table_scale.read(table_tolerance))
    for text in free:
        if "=" in text and not Path(text).exists():
            raise UsageError(
                f"'{text}' has a value, but free-air sources have none",
                remedy="Write --added-mass FILE=M or --test-box FILE=V.",
            )
        _add(sources, text, None, None)
    for text in added_mass:
        file, written = _split(text, "--added-mass", "take-or-table.csv=7.5g")
        value = values.mass(written, f"--added-mass {file}")
        _add(sources, file, "added-mass", value)
    for text in test_box:
        file, written = _split(text, "--test-box", "take-or-table.csv=6.8L")
        value = values.volume(written, f"--test-box {file}")
        _add(sources, file, "test-box", value)
    sources.scale.tell(sources.scaled)
    tables = not all(take for _, take in sources.curves)
    table_scale.refuse_without_tables(table_tolerance, tables=tables)
    order = ("free-air", "added-mass", "test-box")
    sources.curves.sort(key=lambda pair: order.index(pair[0].condition.name))
    return Gathered(
        tuple(measured for measured, _ in sources.curves),
        tuple(take for _, take in sources.curves),
        _unit(sources, unit),
        # A doubt that takes share is said once.
        (
            *dict.fromkeys(sources.findings),
            *mixed_levels([take for _, take in sources.curves if take]),
        ),
    )


def mixed_levels(taken: Sequence[Take]) -> tuple[Finding, ...]:
    """Warn of one fit over several levels, which means none of them, and say what can be had."""
    from meas.errors import Finding

    levels = {take.rig.drive.level for take in taken if take.excitation.get("kind") != "imported"}
    if len(levels) < 2:
        return ()
    return (
        Finding(
            "mixed-levels",
            f"these takes were made at {len(levels)} levels, from {min(levels):g} to "
            f"{max(levels):g} of full scale, and a driver changes with level: the parameters are "
            "a mixture",
            next_step=(
                "Use takes of one level, or follow the parameters down to the small signal: "
                "freeair levels TAKE..."
            ),
        ),
    )


def _split(text: str, option: str, example: str) -> tuple[str, str]:
    file, sign, written = text.rpartition("=")
    if not sign or not file.strip() or not written.strip():
        raise UsageError(
            f"'{text}' is not FILE=VALUE",
            where=option,
            remedy=f"Write the file, an equals sign and the value: {option} {example}",
        )
    return file, written


def _add(sources: _Sources, text: str, condition: str | None, value: Value | None) -> None:
    from fit.given.measured import FreeAir, MeasuredCurve

    source = opened.curve(text, ("driver",))
    take, curve = source.take, source.curve
    opened.refuse_twice(source, sources.seen)
    if take is None:
        under = FreeAir() if value is None else condition_of(condition or "free-air", value)
        path = Path(text)
        curve = sources.scale.on(path, curve)
        if curve is not source.curve:
            sources.scaled.append(path.name)
        sources.names.append(source.name)
    else:
        if condition is not None and value is not None:
            _check_agreement(take, text, condition, value)
        own = take.condition
        under = FreeAir() if own.value is None else condition_of(own.name, as_written(own))
        sources.findings += [finding for finding in take.findings if not finding.refuses]
    sources.curves.append((MeasuredCurve(text, curve, under), take))


def _check_agreement(take: Take, text: str, condition: str, value: Value) -> None:
    """A take knows its own condition; what is said beside it must be the same."""
    own = take.condition
    says = "free air" if own.value is None else f"{own.name.replace('-', ' ')} {own.written}"
    same = own.name == condition and own.value is not None
    if same and own.value is not None and abs(own.value - value.value) <= 1e-9 * own.value:
        return
    raise UsageError(
        f"the take says {says}, the command says {condition.replace('-', ' ')} {value.written}",
        where=text,
        remedy="Leave out the option: a take knows its own mass or box. If the take is wrong, "
        "measure again with the right one.",
    )


def as_written(condition: TakeCondition) -> Value:
    """The mass or volume of a record, with the last digit that it was written with.

    A record whose words cannot be read any more, or say another value, is taken by the digits that
    its number needs.
    """
    is_mass = condition.name == "added-mass"
    read, unit = (values.mass, "g") if is_mass else (values.volume, "L")
    value = condition.value or 0.0
    try:
        found = read(condition.written)
    except UsageError:
        found = None
    if found is None or abs(found.value - value) > 1e-6 * value:
        found = read(f"{1e3 * value:.6g}{unit}")
    return Value(value, condition.half_width, condition.written, found.last_digit)


def condition_of(name: str, value: Value) -> Condition:
    """An added mass or a test box with its limits, saying what was taken for them."""
    from fit.given.measured import AddedMass, TestBox

    if name == "added-mass":
        mass = stated(assumed.mass(value), f"mass:{value.written}", "added mass", GRAMS)
        return AddedMass(mass)
    return TestBox(stated(assumed.volume(value), f"volume:{value.written}", "test box", LITRES))


def _unit(sources: _Sources, unit: str | None) -> str:
    named = list(dict.fromkeys(composed(take.unit) for _, take in sources.curves if take))
    if unit is not None:
        named = list(dict.fromkeys([composed(unit), *named]))
    if len(named) > 1:
        raise UsageError(
            f"these are different units: {', '.join(named)}",
            remedy="One fit is about one driver; fit each by itself and use freeair compare.",
        )
    if named:
        return named[0]
    return sources.names[0] if sources.names else "driver"

"""``freeair part``: a passive part measured on the bench."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words.options import AsJson, TableTolerance, flag, one_of, option
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.sources.opened import OpenedCurve
    from fit.parts.against_level import AtLevel
    from fit.parts.part_fit import PartFit, PartKind
    from meas.errors import Finding

_LOSSY = 0.03
"""Loss factor above which a capacitor is taken for an electrolytic: film ones stay below 0.01
(common practice, no source)."""


def part(
    kind: Annotated[
        str,
        typer.Argument(
            help="What the part is.",
            **one_of(("inductor", "capacitor", "resistor"), "kind of part", "freeair part"),
        ),
    ],
    take: Annotated[
        list[str],
        typer.Argument(
            metavar="TAKE...",
            help="A take made with --kind part, an impedance table (CSV) or a Touchstone file "
            "(.s1p). Several takes of an inductor at different levels show saturation.",
        ),
    ],
    back_to_back: bool = flag(
        "--back-to-back", "The capacitor is made of polarised ones, equal poles joined."
    ),
    save: Path | None = option("FILE.json", "Keep the part, for freeair filter."),
    table_tolerance: TableTolerance = None,
    as_json: AsJson = False,
) -> None:
    """Measure a passive part: inductor (L, R, core loss), capacitor (C, ESR) or resistor.

    What the bench cannot resolve is given as a limit, or not at all.

    \b
    freeair take coil-3 --rig bench.toml --kind part
    freeair part inductor takes/coil-3_free-air_20260214-101500
    freeair part inductor takes/coil-3_quiet takes/coil-3_loud --json
    """
    from fit.parts import against_level, store
    from meas.files.json_file import write_json
    from meas.files.writing import refuse_existing

    if save is not None:
        refuse_existing(save)
    if len(take) > 1 and kind != "inductor":
        raise UsageError(
            "several takes are compared for inductors only, whose cores may saturate",
            where=f"freeair part {kind}",
            remedy="Give one take.",
        )
    found = _fitted(take, kind, table_tolerance)
    source, _, first = found[0]
    levels: tuple[AtLevel, ...] = ()
    findings: tuple[Finding, ...] = source.findings
    if len(found) > 1:
        levels, hints = against_level.across_levels([(s.text, at, fit) for s, at, fit in found])
        findings = (*hints, *findings)
    _caution(first, back_to_back)
    document = store.to_json(
        first, unit=source.name, source=source.text, levels=levels, findings=findings
    )
    if save is not None:
        write_json(save, document)
    if as_json:
        show.document(document)
    else:
        _print(source, first, levels, findings)
    show.files({"Part": save}, as_json=as_json)


def _fitted(
    takes: Sequence[str], kind: PartKind, table_tolerance: str | None
) -> list[tuple[OpenedCurve, float | None, PartFit]]:
    """Fit each take, with its level [dB re full scale], the lowest level first."""
    from cli.sources import opened
    from fit.parts.part_fit import fit_part

    found = []
    opened.refuse_named_twice(takes)
    named = [opened.curve(text, ("part",)) for text in takes]
    for source in opened.scaled(named, table_tolerance):
        text, level = source.text, None
        if source.take is not None:
            level = 20 * math.log10(max(source.take.peak[0], 1e-9))
        with opened.naming(text):
            found.append((source, level, fit_part(source.curve, kind)))
    if len({source.name for source, _, _ in found}) > 1:
        names = ", ".join(sorted({source.name for source, _, _ in found}))
        raise UsageError(
            f"these are different parts: {names}",
            where=f"freeair part {kind}",
            remedy="Several takes must be of one part, at different levels.",
        )
    return sorted(found, key=lambda entry: entry[1] if entry[1] is not None else 0.0)


def _caution(found: PartFit, back_to_back: bool) -> None:
    from cli.terminal import cautions

    if found.kind != "capacitor":
        return
    loss = 0.0
    if "ESR" in found.parameters:
        omega_C = 2 * math.pi * 1000 * found.parameters["C"].value
        loss = found.parameters["ESR"].value * omega_C
    if back_to_back:
        cautions.print_cautions([cautions.BACK_TO_BACK])
    elif loss > _LOSSY:
        cautions.print_cautions([cautions.ELECTROLYTIC])


def _print(
    source: OpenedCurve, found: PartFit, levels: Sequence[AtLevel], findings: Sequence[Finding]
) -> None:
    from cli.part import tables

    show.heading(f"{source.name}: {found.kind}")
    show.say(tables.lead(found), "", tables.parameters(found))
    if found.table:
        show.say("", tables.against_frequency(found))
    if levels:
        show.say("", tables.against_level(levels))
    resistor = source.take.rig.wiring.series_resistor_ohm if source.take is not None else None
    if resistor is not None:
        show.say(
            "",
            f"This bench tells impedances near its {resistor:g} Ω resistor best; |Z| here runs "
            f"from {tables.span(found)} Ω.",
        )
    show.under("Doubts", (*found.warnings, *findings))

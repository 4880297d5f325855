"""``freeair series pairs``: a stack of units into pairs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cli.series import units as series_units
from cli.series.units import Diameter, Model, Temperature, Tolerance, Units
from cli.terminal.sections import Block, Listed, Rows, Section
from cli.terminal.tables import VERDICT_STYLE, Column, numbers
from cli.words.options import AsJson, HowHeld, Report
from fit.results.numbers import signed, signed_percent

if TYPE_CHECKING:
    from fit.compare.matching import Alternative, Matching


def pairs(
    units: Units,
    model: Model = None,
    diameter: Diameter = None,
    air_temperature: Temperature = None,
    held: HowHeld = None,
    table_tolerance: Tolerance = None,
    report: Report = None,
    as_json: AsJson = False,
) -> None:
    """Make the best pairs of a stack of units.

    Those that differ least in level, from below the resonance upwards. Every unit needs a level:
    takes with a known mass (or in a test box) and the diameter.

    \b
    freeair series pairs takes/lantern-* --diameter 118mm
    freeair series pairs lantern-*.json
    """
    from cli.report import forms
    from cli.terminal.progress import working
    from fit.compare.matching import match

    forms.check(report)
    words = series_units.words(diameter, air_temperature, table_tolerance, held)
    read = series_units.read(units, words, model)
    with working("matching"):
        found = match(series_units.named_fits(read))
    matched = sum(pair.verdict == "matched" for pair in found.pairs)
    forms.give(
        "Pairs",
        f"{matched} of {len(found.pairs)} pairs matched.",
        _sections(found),
        lambda: _document(found),
        as_json=as_json,
        report=report,
        units=[unit.name for unit in read],
    )


def _document(found: Matching) -> dict[str, Any]:
    content: dict[str, Any] = {
        "format": "freeair-series-pairs/1",
        "pairs": [pair.as_json() for pair in found.pairs],
        "rms_db": found.rms_db,
        "rms_in_order_db": found.in_order_db,
        "proven_best": found.exact,
        "alternatives": [
            {
                "instead_of": [list(names) for names in other.instead_of],
                "pairs": [list(names) for names in other.pairs],
                "rms_more_db": other.cost_more,
            }
            | ({} if other.left_over is None else {"left_over": other.left_over})
            for other in found.alternatives
        ],
    }
    return content if found.left_over is None else content | {"left_over": found.left_over}


def _sections(found: Matching) -> list[Section]:
    from rich.text import Text

    from fit.compare.pair import LIMIT_DB

    rows = [
        (
            pair.first,
            pair.second,
            signed(pair.level_db, 2),
            signed_percent(pair.fs_relative),
            signed(pair.worst_db, 2),
            f"{(pair.worst_95[1] - pair.worst_95[0]) / 2:.2f}",
            f"{pair.worst_hz:.0f} Hz",
            Text(pair.verdict, style=VERDICT_STYLE[pair.verdict]),
        )
        for pair in found.pairs
    ]
    columns = (
        Column("", fills=True),
        Column(""),
        *numbers("level dB", "fs", "at most dB", "± 95 %", "at"),
        Column(""),
    )
    blocks: list[Block] = [Rows(columns, rows), ""]
    if found.left_over is not None:
        blocks += [f"Left over: {found.left_over}, without which the pairs are best.", ""]
    blocks.append(
        f"Largest difference of level, root mean square over the pairs: {found.rms_db:.2f} dB "
        f"({found.in_order_db:.2f} dB if paired as they come). A pair is called matched when it "
        f"surely stays within {LIMIT_DB:g} dB."
    )
    if not found.exact:
        blocks.append("The search was stopped after a while: there may be a better matching.")
    sections = [
        Section(f"{len(found.pairs)} {'pair' if len(found.pairs) == 1 else 'pairs'}", blocks)
    ]
    if found.alternatives:
        others = Listed([_words(other) for other in found.alternatives])
        sections.append(Section("As good, as far as the measurement can tell", (others,)))
    return sections


def _words(other: Alternative) -> str:
    def listed(pairs: tuple[tuple[str, str], ...]) -> str:
        return ", ".join(f"{a} with {b}" for a, b in pairs)

    left = "" if other.left_over is None else f", {other.left_over} left over"
    return (
        f"{listed(other.pairs)}{left} instead of {listed(other.instead_of)} "
        f"({other.cost_more:+.2f} dB)"
    )

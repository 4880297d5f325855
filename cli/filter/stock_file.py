"""Parts at hand: a stock file (TOML) or measured parts, and what can be made of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from cli.sources import opened
from cli.words.written import Capacitance, Inductance, Resistance
from meas.errors import UsageError
from meas.files.reading import leads_out
from meas.files.settings import Settings, read_settings

if TYPE_CHECKING:
    from fit.crossover.combine import Combination
    from fit.crossover.network import NetworkPart

_REMEDY = 'Write for example: capacitors = ["4.7uF", "3.3uF"]'
_MOST = 300
"""Parts of one kind at the most: every pair of them is tried for every part of a network."""
_MOST_FOR_THREES = 40
"""Parts of one kind from which three are joined: of more there are thirty thousand threes."""
_PAIRED = "back to back"

_Size = Field(max_length=_MOST)


class _StockFile(Settings):
    """Parts that lie in a drawer, each physical part once."""

    format: Literal["freeair-stock/1"]
    resistors: Annotated[tuple[Resistance, ...], _Size] = ()
    capacitors: Annotated[tuple[Capacitance, ...], _Size] = ()
    inductors: Annotated[tuple[Inductance, ...], _Size] = ()
    polarised_capacitors: Annotated[tuple[Capacitance, ...], _Size] = ()
    parts: Annotated[tuple[str, ...], _Size] = ()


@dataclass
class Stock:
    """Values of parts at hand by kind and name, each physical part once."""

    by_kind: dict[str, dict[str, float]] = field(
        default_factory=lambda: {"resistor": {}, "capacitor": {}, "inductor": {}}
    )

    def add(self, kind: str, name: str, value: float) -> None:
        """Add a part; a second one of a name gets a number."""
        names = self.by_kind[kind]
        count, own = 1, name
        while own in names:
            count += 1
            own = f"{name} #{count}"
        names[own] = value

    @property
    def has_pairs(self) -> bool:
        """Tell whether polarised capacitors stand ready back to back."""
        return any(_PAIRED in name for name in self.by_kind["capacitor"])

    def near(self, wished: NetworkPart) -> list[Combination]:
        """The three best combinations for a part; none where there is nothing of its kind."""
        from fit.crossover.combine import nearest_combinations

        kind = wished.part.kind
        have = self.by_kind[kind]
        most = 3 if len(have) <= _MOST_FOR_THREES else 2
        return nearest_combinations(have, wished.part.value, kind, most, 3)


def read(files: Sequence[Path]) -> Stock:
    """Read stock files and measured parts into one stock.

    Raises:
        UnreadableInput: If a file is neither a stock file nor a measured part.
        UsageError: If together they hold more parts of one kind than can be tried, or a stock file
            names a part that lies outside its folder, through a link too.
    """
    stock = Stock()
    for path in files:
        if path.suffix.lower() == ".json":
            _add_measured(stock, path)
        else:
            _add_file(stock, path)
    for kind, parts in stock.by_kind.items():
        if len(parts) > _MOST:
            raise UsageError(
                f"{len(parts)} {kind}s at hand, where {_MOST} are the most",
                where="--at-hand",
                remedy="Leave out values that lie far from those wanted.",
            )
    return stock


def _add_measured(stock: Stock, path: Path) -> None:
    from fit.parts.passive import LETTER

    saved = opened.part(path)
    stock.add(saved.kind, saved.name, saved.values[LETTER[saved.kind]].value)


def _add_file(stock: Stock, path: Path) -> None:
    file = read_settings(_StockFile, "freeair-stock", path, "stock file", _REMEDY)
    for kind, parts in (
        ("resistor", file.resistors),
        ("capacitor", file.capacitors),
        ("inductor", file.inductors),
    ):
        for part in parts:
            stock.add(kind, part.written, part.value)
    waiting: dict[float, str] = {}
    for part in file.polarised_capacitors:
        if part.value in waiting:  # two equal ones, equal poles joined, are half of one
            name = f"2 x {waiting.pop(part.value)} {_PAIRED}"
            stock.add("capacitor", name, part.value / 2)
        else:
            waiting[part.value] = part.written
    for name in file.parts:
        part = path.parent / name
        if "\0" not in name and leads_out(part, path.parent):  # else its reader complains
            raise UsageError(
                f"names a part outside its folder: '{name}'",
                where=str(path),
                remedy="Copy the part into that folder, or give it by an --at-hand of its own.",
            )
        _add_measured(stock, part)

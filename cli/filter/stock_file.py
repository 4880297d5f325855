"""Parts at hand: a stock file (TOML) or measured parts, and what can be made of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from cli.sources import opened
from cli.words import values

if TYPE_CHECKING:
    from fit.crossover.combine import Combination
    from fit.crossover.network import NetworkPart
    from meas.files.settings_file import SettingsFile

_LISTS = {
    "resistors": "resistor",
    "capacitors": "capacitor",
    "inductors": "inductor",
    "polarised_capacitors": "capacitor",
}
_EXAMPLE = 'Write for example: capacitors = ["4.7uF", "3.3uF"]'
_MANY = 40
"""Parts of one kind from which only pairs are tried: thirty thousand threes are too many."""
PAIRED = "back to back"


@dataclass
class Stock:
    """Values of parts at hand by kind and name, each physical part once."""

    by_kind: dict[str, dict[str, float]] = field(
        default_factory=lambda: {"resistor": {}, "capacitor": {}, "inductor": {}}
    )

    def add(self, kind: str, name: str, value: float) -> None:
        """One more part; a second one of a name gets a number."""
        names = self.by_kind[kind]
        count, own = 1, name
        while own in names:
            count += 1
            own = f"{name} #{count}"
        names[own] = value

    @property
    def has_pairs(self) -> bool:
        """Whether polarised capacitors stand ready back to back."""
        return any(PAIRED in name for name in self.by_kind["capacitor"])

    def near(self, wished: NetworkPart) -> list[Combination]:
        """The three best combinations for a part; none where there is nothing of its kind."""
        from fit.crossover.combine import nearest_combinations

        kind = wished.part.kind
        have = self.by_kind[kind]
        most = 3 if len(have) <= _MANY else 2
        return nearest_combinations(have, wished.part.value, kind, most, 3) if have else []


def read(files: Sequence[Path]) -> Stock:
    """What is at hand.

    Raises:
        UnreadableInput: If a file is neither a stock file nor a measured part.
    """
    stock = Stock()
    for path in files:
        if path.suffix.lower() == ".json":
            _add_measured(stock, path)
        else:
            _add_file(stock, path)
    return stock


def _add_measured(stock: Stock, path: Path) -> None:
    saved = opened.part(path)
    main = {"resistor": "R", "capacitor": "C", "inductor": "L"}[saved.kind]
    stock.add(saved.kind, saved.name, saved.values[main].value)


def _add_file(stock: Stock, path: Path) -> None:
    from meas.files.settings_file import open_settings

    file = open_settings(path, "freeair-stock", "stock file")
    for key, items in file.content.items():
        if key not in (*_LISTS, "parts"):
            file.faults.append(f"unknown key {key}: there are {', '.join((*_LISTS, 'parts'))}")
        elif not isinstance(items, list) or not all(isinstance(item, str) for item in items):
            file.faults.append(f"{key} should be a list of texts in quotes. {_EXAMPLE}")
        elif key == "parts":
            for item in items:
                _add_measured(stock, path.parent / item)
        else:
            _add_values(stock, key, items, file)
    file.finish("Mend those lines.")


def _add_values(stock: Stock, key: str, items: list[str], file: SettingsFile) -> None:
    kind = _LISTS[key]
    reader = {
        "resistor": values.resistance,
        "capacitor": values.capacitance,
        "inductor": values.inductance,
    }[kind]
    waiting: dict[float, str] = {}
    for item in items:
        read = file.attempt(key, partial(reader, item, key))
        if read is None:
            continue
        value = read.value
        if key != "polarised_capacitors":
            stock.add(kind, item, value)
        elif value in waiting:  # two equal ones, equal poles joined, are half of one
            stock.add(kind, f"2 x {waiting.pop(value)} {PAIRED}", value / 2)
        else:
            waiting[value] = item

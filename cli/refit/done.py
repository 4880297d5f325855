"""Outcome of a refit."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from cli.archive.files import LeftOut


@dataclass(frozen=True)
class Done:
    """Outcome of a refit.

    Attributes:
        archive: The folder, as given.
        fitted: Number of states with a fit.
        refused: Number of states without.
        left_out: Takes and tables that take part in no fit, and refused states, with reasons.
        files: Name of each file made to its path, the page last.
    """

    archive: str
    fitted: int
    refused: int
    left_out: tuple[LeftOut, ...]
    files: dict[str, Path]

    @property
    def faults(self) -> int:
        """Number of things left out that somebody must look after."""
        return sum(one.fault for one in self.left_out)

    def sentence(self) -> str:
        """The outcome in a sentence."""
        if not self.left_out:
            return f"{self.fitted} fitted, nothing left out."
        after = f", {self.faults} of them to look after" if self.faults else ""
        return f"{self.fitted} fitted, {len(self.left_out)} left out{after}."

    def as_json(self) -> str:
        """Write one line for scripts: the same however often it was interrupted on the way."""
        document = {
            "format": "freeair-refit/1",
            "archive": self.archive,
            "fitted": self.fitted,
            "refused": self.refused,
            "left_out": [asdict(one) for one in self.left_out],
            "files": {name: str(path) for name, path in self.files.items()},
        }
        return json.dumps(document)

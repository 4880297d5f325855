"""A state of a driver to compare or export: a saved fit, or takes and tables fitted on the spot."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cli.sources import opened
from cli.terminal import show

if TYPE_CHECKING:
    from fit.results.result import DriverFit


@dataclass(frozen=True)
class DriverState:
    """A driver as it was found at one time.

    Attributes:
        name: What to call it: short and told apart from the others.
        unit: Which driver it is; None where the source does not say.
    """

    name: str
    unit: str | None
    fit: DriverFit


def read(text: str) -> DriverState:
    """A state out of a saved fit, a take or a table; the latter two are fitted here and now.

    Raises:
        UnreadableInput: If it cannot be read.
        Refused: If a take was refused, or its curve supports no fit.
    """
    path = Path(text)
    if opened.is_document(path):
        unit, fitted = opened.fit(path)
        return DriverState(path.stem, unit, fitted)
    from cli.sources import takes_and_tables
    from cli.words import session as sessions
    from fit.compare import sitting
    from fit.joint import fit_driver

    gathered = takes_and_tables.gather([text])
    session = sessions.session(sessions.SessionWords(), boxes=False)
    show.note(f"{text} is no saved fit: fitted by itself, without mass, box or diameter", "dim")
    take = gathered.takes[0]
    unit_name = take.unit if take else None
    name = (take.label or path.name) if take else path.stem
    alone = fit_driver(gathered.curves, session)
    return DriverState(name, unit_name, sitting.of_driver(alone, unit=gathered.unit))

"""A state of a driver to compare or export: a saved fit, or takes and tables fitted on the spot."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cli.terminal import show
from meas.errors import UnreadableInput

if TYPE_CHECKING:
    from fit.results.result import DriverFit


@dataclass(frozen=True)
class State:
    """A driver at one time.

    Attributes:
        name: What to call it: short and told apart from the others.
        unit: Which driver it is; None where the source does not say.
        fit: Its parameters.
    """

    name: str
    unit: str | None
    fit: DriverFit


def is_json(path: Path) -> bool:
    """Whether a path is a saved fit rather than a take (folder or take.json) or a table."""
    from meas.takes import take as takes

    return path.suffix.lower() == ".json" and not takes.is_take(path)


def read_fit(path: Path) -> tuple[str, DriverFit]:
    """Name of the driver and its fit out of a saved fit.

    Raises:
        UnreadableInput: If it cannot be read or is no saved fit.
    """
    from fit.results import store
    from meas.files.json_file import read_json

    remedy = "Give the JSON that 'freeair fit --json' printed or 'freeair fit --save' wrote."
    document, _ = read_json(path, "saved fit", remedy)
    if isinstance(document, dict) and document.get("refused") is True:
        raise UnreadableInput(
            "is the refusal of a fit, not a fit",
            where=str(path),
            remedy="Its reasons say what to do; measure again and fit again.",
        )
    fitted = store.from_json(document, where=str(path))
    return str(document["unit"]), fitted


def read(text: str) -> State:
    """A state out of a saved fit, a take or a table; the latter two are fitted here and now.

    Raises:
        UnreadableInput: If it cannot be read.
        Refused: If a take was refused, or its curve supports no fit.
    """
    path = Path(text)
    if is_json(path):
        unit, fitted = read_fit(path)
        return State(path.stem, unit, fitted)
    from cli.sources import takes_and_tables
    from cli.words import session as sessions
    from fit.joint import fit_driver

    gathered = takes_and_tables.gather([text], (), (), None)
    session = sessions.session(sessions.SessionWords(), boxes=False)
    show.note(f"{text} is no saved fit: fitted by itself, without mass, box or diameter", "dim")
    take = gathered.takes[0]
    unit_name = take.unit if take else None
    name = (take.label or path.name) if take else path.stem
    return State(name, unit_name, fit_driver(gathered.curves, session))

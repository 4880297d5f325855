"""Memory of a guided session between sittings: answers, and what each step has left."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict

from meas.files.document import read_document
from meas.files.writing import write_text

FILE = Path("freeair-guide.json")


class GuidedSession(BaseModel):
    """A guided session.

    Attributes:
        answers: Name of a question to the answer as it was written.
        done: Step to the files that it left, relative to the session's folder; none for a step
            that was skipped or leaves no file.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal["freeair-guide/1"] = "freeair-guide/1"
    answers: dict[str, str] = {}
    done: dict[str, tuple[str, ...]] = {}

    def answered(self, **answers: str) -> GuidedSession:
        """The session with more answers."""
        return self.model_copy(update={"answers": {**self.answers, **answers}})

    def after(self, step: str, *left: str) -> GuidedSession:
        """The session with a step done."""
        return self.model_copy(update={"done": {**self.done, step: left}})

    def before(self, steps: Iterable[str]) -> GuidedSession:
        """The session with some steps to be done again."""
        undone = set(steps)
        kept = {step: left for step, left in self.done.items() if step not in undone}
        return self.model_copy(update={"done": kept})

    def lost(self) -> list[str]:
        """Steps of which a file is gone."""
        return [step for step, left in self.done.items() if not all(Path(f).exists() for f in left)]

    def files(self, *steps: str) -> tuple[str, ...]:
        """Files that some steps have left."""
        return tuple(file for step in steps for file in self.done.get(step, ()))


def read() -> GuidedSession | None:
    """The session of the current folder; None without one.

    Raises:
        UnreadableInput: If its file cannot be understood.
    """
    remedy = "Move it away to begin anew; takes and fits do not depend on it."
    if not FILE.exists():
        return None
    return read_document(GuidedSession, "freeair-guide", FILE, "guided session", remedy, 1_000_000)


def write(state: GuidedSession) -> None:
    """Remember a session in the current folder.

    Raises:
        UsageError: If it cannot be written.
    """
    text = json.dumps(state.model_dump(mode="json"), indent=1, ensure_ascii=False)
    write_text(FILE, text + "\n", overwrite=True)

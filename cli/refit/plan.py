"""An archive read: its states, what each is fitted with, and the key that its fit is kept under."""

from __future__ import annotations

import fnmatch
import json
import stat
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from cli.archive.files import LeftOut, Measured, digest_of, look
from cli.archive.states import State, states
from cli.refit.job import Job, Source, models_digest
from cli.sources.takes_and_tables import as_written, condition_of
from cli.terminal import progress, show
from cli.words import options, session, table_scale
from cli.words.session import SessionWords
from fit.given.measured import FreeAir
from meas.errors import UsageError

if TYPE_CHECKING:
    from fit.given.measured import Condition, Session, Stated


@dataclass(frozen=True)
class RefitOptions:
    """Options of the fits, as written on the command line.

    Attributes:
        diameters: Each bare or behind a pattern of units and an equals sign.
        areas: Likewise.
        words: The air, and the tolerance of tables.
    """

    diameters: tuple[str, ...]
    areas: tuple[str, ...]
    words: SessionWords
    model: str
    captures: bool


@dataclass(frozen=True)
class Archive:
    """Archive to be fitted, with its states and options.

    Attributes:
        root: The folder, absolute.
        states: In the order of units.
        keys: What each state's result depends on, as a digest.
        left_out: What belongs to no state, with its reason.
    """

    root: Path
    states: list[State]
    keys: list[str]
    left_out: list[LeftOut]
    wanted: RefitOptions
    _sessions: _Sessions
    _conditions: _Conditions

    def job(self, number: int) -> Job:
        """Job of a worker for the state of this number."""
        state = self.states[number]
        return Job(
            number=number,
            key=self.keys[number],
            archive=str(self.root),
            identity=state.identity,
            last=state.times[1],
            hours=state.hours,
            sources=tuple(
                Source(one.path, one.take, self._conditions.of(one), one.digest)
                for one in state.sources
            ),
            session=self._sessions.of(state.unit),
            held=self.wanted.words.held,
            model=self.wanted.model,
            captures=self.wanted.captures,
            tolerance=self.wanted.words.table_tolerance,
            models=models_digest(),
        )

    def head(self, number: int) -> dict[str, object]:
        """Record kept beside a result, to say later why another one differs."""
        state = self.states[number]
        return {
            "id": list(state.identity),
            "inputs": {one.path: one.digest for one in state.sources},
            "options": self._options(state),
            "models": models_digest(),
        }

    def _options(self, state: State) -> str:
        conditions = [asdict(self._conditions.of(one)) for one in state.sources]
        scale = asdict(table_scale.read(self.wanted.words.table_tolerance))
        wanted = [
            self.wanted.model,
            self.wanted.captures,
            scale,
            asdict(self._sessions.of(state.unit)),
            self.wanted.words.held,
        ]
        return digest_of(json.dumps([wanted, conditions]).encode())[:16]


def read(root: Path, wanted: RefitOptions) -> Archive:
    """Look through an archive.

    Raises:
        UsageError: If it is no folder or holds nothing of ours, or an option cannot be read.
    """
    try:
        mode = root.stat().st_mode  # a name that is too long is told so by the system
    except (FileNotFoundError, NotADirectoryError, ValueError):
        mode = 0
    if not stat.S_ISDIR(mode):
        raise UsageError(
            "is a file, not a folder" if mode else "does not exist",
            where=str(root),
            remedy="Give the folder in which takes and tables lie, at any depth.",
        )
    options.check_model(wanted.model)
    measured: list[Measured] = []
    left_out: list[LeftOut] = []
    sizes = _sizes(wanted)
    with progress.working(f"looking through {root}"):
        for one in look(root, captures=wanted.captures):
            if isinstance(one, Measured):
                measured.append(one)
            else:
                left_out.append(one)
    if not measured and not left_out:
        raise UsageError(
            "holds no take and no impedance table",
            where=str(root),
            remedy="Takes are folders with take.json; tables end in .csv, .tsv or .s1p.",
        )
    found, copies = states(measured)
    left_out += copies
    boxes = any(one.condition.name == "test-box" for one in measured)
    archive = Archive(
        root.resolve(), found, [], left_out, wanted, _Sessions(wanted, sizes, boxes), _Conditions()
    )
    for number in range(len(found)):
        content = json.dumps(archive.head(number)).encode()
        archive.keys.append(digest_of(content)[:24])
    archive._sessions.tell_unused()
    return archive


class _Conditions:
    """Conditions with their limits; each default that is taken is said once."""

    def __init__(self) -> None:
        self._known: dict[tuple[object, ...], Condition] = {}

    def of(self, one: Measured) -> Condition:
        under = one.condition
        if under.value is None:
            return FreeAir()
        what = (under.name, under.value, under.half_width, under.written)
        if what not in self._known:
            self._known[what] = condition_of(under.name, as_written(under))
        return self._known[what]


_Sizes = list[tuple[str, "Stated"]]
"""Pattern of units to the area of their cones."""


def _sizes(wanted: RefitOptions) -> _Sizes:
    patterned: _Sizes = []
    bare: _Sizes = []
    for option, texts in (("diameter", wanted.diameters), ("area", wanted.areas)):
        for text in texts:
            units, sign, written = text.rpartition("=")
            area = session.cone_area(SessionWords(**{option: written}))
            if area is not None:
                (patterned if sign else bare).append((units or "*", area))
    if len(bare) > 1:
        raise UsageError(
            "two sizes for one cone",
            where="--diameter, --area",
            remedy="Say which units each belongs to, such as --diameter 'lantern-*=118mm'; one may "
            "stand bare, for the rest.",
        )
    return patterned + bare


class _Sessions:
    """Other measured values of each unit."""

    def __init__(self, wanted: RefitOptions, sizes: _Sizes, boxes: bool) -> None:
        self._areas = sizes
        self._used: set[str] = set()
        self._air: Session = session.session(wanted.words, boxes=boxes or bool(sizes))

    def of(self, unit: str) -> Session:
        for pattern, area in self._areas:
            if fnmatch.fnmatchcase(unit, pattern):
                self._used.add(pattern)
                return replace(self._air, area=area)
        return self._air

    def tell_unused(self) -> None:
        """A pattern that fits no unit is a slip of the pen."""
        for pattern, _ in self._areas:
            if pattern not in self._used and pattern != "*":
                show.note(f"no unit is called '{pattern}': that size is not used", "yellow")

"""A refit from the first job to the last file."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from cli.archive.files import LeftOut
from cli.refit.done import Done
from cli.refit.watch import watching
from cli.refit.workers import Engine, outcomes
from cli.terminal import show
from fit.results.quantities import in_order

if TYPE_CHECKING:
    from cli.archive.ledger import Ledger
    from cli.refit.job import Outcome
    from cli.refit.plan import Archive


_WAIT_SECONDS = 0.2
_PATIENCE_SECONDS = 60.0  # with another refit that may have been stopped, or cannot print


class Run:
    """One run over an archive.

    Args:
        ledger: What was fitted, and where to keep what is.
        as_json: Whether each result is printed, in the order of the archive's states.
    """

    def __init__(
        self, archive: Archive, ledger: Ledger, engine: Engine, *, parquet: bool, as_json: bool
    ) -> None:
        self._archive, self._ledger, self._engine = archive, ledger, engine
        self._parquet, self._as_json = parquet, as_json
        self._passing: dict[int, Outcome] = {}  # outcomes that another try may better
        self._said = 0
        self._other_said = False
        self.files = {"results": ledger.out / "results.csv"}
        if parquet:
            self.files["parquet"] = ledger.out / "results.parquet"
        self.files |= {"left_out": ledger.out / "left-out.csv", "page": ledger.out / "summary.html"}

    @property
    def kept(self) -> int:
        """Number of states that have a result in the ledger."""
        return sum(self._ledger.place(key) is not None for key in self._archive.keys)

    def all(self) -> Done:
        """Fit, then write tables and page.

        Raises:
            UsageError: If something cannot be written.
        """
        for path in self.files.values():
            self._ledger.may_replace(path)
        self._fit()
        return self._write()

    def _fit(self) -> None:
        archive, ledger = self._archive, self._ledger
        waiting = [n for n in range(len(archive.keys)) if not self._is_kept(n)]
        self._introduce(len(waiting))
        self._say_on()
        takes = sum(len(archive.states[n].sources) for n in waiting)
        with watching(len(waiting), takes) as advance:
            heard = time.monotonic()
            while waiting:
                elsewhere: list[int] = []
                anyway = time.monotonic() - heard > _PATIENCE_SECONDS
                claimed = self._claimed(waiting, elsewhere, advance, anyway=anyway)
                for outcome in outcomes(claimed, archive.job, self._engine):
                    self._keep(outcome)
                    advance(len(archive.states[outcome.number].sources))
                    self._say_on()
                if len(elsewhere) < len(waiting):
                    heard = time.monotonic()
                if waiting := elsewhere:  # until the other has made them, or is gone
                    time.sleep(_WAIT_SECONDS)
        ledger.flush()

    def _claimed(
        self,
        waiting: Sequence[int],
        elsewhere: list[int],
        advance: Callable[[int], None],
        *,
        anyway: bool,
    ) -> Iterator[int]:
        """Claim what is to be fitted here; what another refit is at is added to ``elsewhere``."""
        for number in waiting:
            key = self._archive.keys[number]
            if self._ledger.claim(key, anyway=anyway):
                yield number
            elif self._ledger.place(key) is None:
                elsewhere.append(number)
                if not self._other_said:
                    show.note("Another refit is at this archive: each fit is made by one of them.")
                    self._other_said = True
            else:
                advance(len(self._archive.states[number].sources))
                self._say_on()

    def _keep(self, outcome: Outcome) -> None:
        if outcome.lasting:
            head = self._archive.head(outcome.number)
            self._ledger.add(outcome.key, head, outcome.row, outcome.body)
        else:
            self._passing[outcome.number] = outcome
            self._ledger.release(outcome.key)

    def _is_kept(self, number: int) -> bool:
        """Tell whether a result is there; where scripts are to get it, it must be readable too."""
        key = self._archive.keys[number]
        place = self._ledger.place(key)
        if place is not None and self._as_json and not _is_object(self._ledger.body(place)):
            self._ledger.forget(key)
            return False
        return place is not None

    def _introduce(self, waiting: int) -> None:
        states = self._archive.states
        takes = sum(len(state.sources) for state in states)
        units = len({state.unit for state in states})
        before = len(states) - waiting
        text = show.counted(takes, "take or table", "takes or tables")
        text += f" of {show.counted(units, 'unit')}: {show.counted(len(states), 'fit')}"
        text += f", {before} of them made before" if before else ""
        workers = self._engine.workers
        at_once = f"{workers} at once" if workers > 1 else "one after the other"
        text += f"; {waiting} to make, {at_once}" if waiting else ""
        show.note(f"{text}.", "dim")
        if self._ledger.damaged:
            show.note(f"damaged lines of the ledger passed over: {self._ledger.damaged}.", "dim")

    def _say_on(self) -> None:
        """Print results as far as all before them are there too."""
        states = len(self._archive.states)
        while self._as_json and self._said < states and (body := self._body(self._said)):
            show.line(body)
            self._said += 1

    def _body(self, number: int) -> str | None:
        if number in self._passing:
            return self._passing[number].body
        place = self._ledger.place(self._archive.keys[number])
        return None if place is None else self._ledger.body(place)

    def rows(self) -> Iterator[dict[str, Any]]:
        """Rows of every state for tables, in order."""
        for number, key in enumerate(self._archive.keys):
            place = self._ledger.place(key)
            if place is not None:
                yield self._ledger.row(place)
            else:
                yield json.loads(self._passing[number].row)

    def _write(self) -> Done:
        from cli.archive import tables
        from cli.refit import page as refit_page

        units: dict[str, str] = {}
        left_out: list[LeftOut] = []
        fitted = 0
        for row in self.rows():
            for symbol, found in row.get("parameters", {}).items():
                units.setdefault(symbol, found[1])
            left_out += [LeftOut(s, row["unit"], *rest) for s, *rest in row["left_out"]]
            fitted += "parameters" in row
            left_out += _refusal(row)
        left_out += self._archive.left_out
        order = in_order(units)
        names = tables.columns(units, order)

        def lines() -> Iterator[Sequence[Any]]:
            return (tables.cells(row, order) for row in self.rows())

        self._ledger.write(
            self.files["results"], lambda file: tables.write_csv(file, names, lines())
        )
        if self._parquet:
            self._ledger.write(
                self.files["parquet"], lambda file: tables.write_parquet(file, names, lines())
            )
        about = ("source", "unit", "code", "reason", "remedy")
        unused = [(one.source, one.unit, one.code, one.text, one.remedy) for one in left_out]
        self._ledger.write(
            self.files["left_out"], lambda file: tables.write_csv(file, about, unused)
        )
        done = Done(
            str(self._archive.root),
            fitted,
            len(self._archive.states) - fitted,
            tuple(left_out),
            self.files,
        )
        page = refit_page.page(self._archive, self._ledger, self.rows, done)
        self._ledger.write(
            self.files["page"], lambda file: file.write(page.encode("utf-8", "replace"))
        )
        self._ledger.complete([
            key for key in self._archive.keys if self._ledger.place(key) is not None
        ])  # fmt: skip
        return done


def _is_object(text: str) -> bool:
    try:
        return isinstance(json.loads(text), dict)
    except (ValueError, RecursionError):
        return False


def _refusal(row: dict[str, Any]) -> list[LeftOut]:
    """A state that was not fitted, beside the files that were not used."""
    if "parameters" in row or (row["left_out"] and not row["takes"]):
        return []  # in the latter case each of its files is listed by itself
    name = f"{row['unit']} ({row['label']})" if row["label"] else row["unit"]
    reasons = "; ".join(reason["text"] for reason in row["reasons"])
    return [LeftOut(name, row["unit"], row["reasons"][0]["code"], reasons, "")]

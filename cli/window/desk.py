"""The one thing that is being done: a command at work, told to every window that looks.

A command runs in a thread of its own as it would in a terminal, one at a time: the bench has one
sound card, and a fit beside a sweep could cost it samples. What is known of it here (meters, the
curve so far) is for the eye; what counts is in the files that it leaves.
"""

from __future__ import annotations

import io
import pickle
import shlex
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NoReturn

from cli.terminal.progress import WATCHER, level_word
from meas.errors import FreeairError

if TYPE_CHECKING:
    from rich.table import Table

    from cli.terminal.progress import Playing
    from meas.audio.protocol import Progress
    from meas.bench.rig import Kind, Rig

LOOK_SECONDS = 0.16
"""Between two looks at the growing curve: six a second, and four on a busy machine."""
_CLIPS, _SILENT = 0.999, 0.0005
_INPUTS = ("source", "driver")


class Busy(FreeairError):
    """Something else is being done."""

    exit_status = 1


@dataclass
class Job:
    """Run of one command, from the press of the button to its end.

    Attributes:
        number: Counts up.
        name: Of the action.
        argv: The command without the program's name.
        state: ``running``, ``stopping``, ``done`` or ``failed``.
        parts: What it printed so far, results and notes in order: texts, and tables as such.
        left: What it printed last on standard output: the path of a take.
        status: Exit status; None while it runs.
        kind: What is measured: driver, part or system.
        live: What was found while it plays: code, words, and whether it refuses.
    """

    number: int
    name: str
    argv: tuple[str, ...]
    rig: Rig | None = None
    state: str = "running"
    parts: list[str | dict[str, Any]] = field(default_factory=list)
    left: str = ""
    status: int | None = None
    kind: Kind = "driver"
    playing: dict[str, Any] | None = None
    live: list[dict[str, Any]] = field(default_factory=list)
    curve: dict[str, Any] | None = None
    curves: int = 0

    @property
    def command(self) -> str:
        """The command as one would type it."""
        return in_words(self.argv)

    @property
    def said(self) -> str:
        """All text that it printed."""
        return "".join(one if isinstance(one, str) else _as_text(one) for one in self.parts)


def in_words(argv: Sequence[str]) -> str:
    """Write a command as one would type it."""
    return shlex.join(["freeair", *argv])


class Desk:
    """Runs one command at a time.

    Attributes:
        over: Whether the program is about to end.
        real_time: Whether a simulated bench takes as long as a real one, so that it can be learnt.
    """

    def __init__(self, *, real_time: bool = True) -> None:
        self.over: Callable[[], bool] = lambda: False
        self.real_time = real_time
        self.version = 0
        self.job: Job | None = None
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._samples: tuple[Any, Playing] | None = None
        self._playing: Playing | None = None
        self._stop = threading.Event()

    def start(
        self,
        name: str,
        argv: Sequence[str],
        *,
        rig: Rig | None = None,
        grows: bool = False,
        kind: Kind = "driver",
    ) -> Job:
        """Begin a command.

        Args:
            name: Of the action.
            argv: The command without the program's name.
            rig: The bench that it uses.
            grows: Whether to draw the impedance while it is recorded.
            kind: What is measured.

        Raises:
            Busy: If another one is running, in whichever window it was begun.
        """
        with self._lock:
            if self.running:
                self.refuse()
            self._stop.clear()
            self._samples = None
            job = Job((self.job.number if self.job else 0) + 1, name, tuple(argv), rig, kind=kind)
            self.job = job
            self._changed()
            self._thread = threading.Thread(target=self._work, args=(job,), name=name)
            self._thread.start()
        if grows:
            threading.Thread(target=self._look, args=(job,), daemon=True).start()
        return job

    def refuse(self) -> NoReturn:
        """Say what is being done already.

        Raises:
            Busy: Always.
        """
        doing = "something" if self.job is None else self.job.command
        raise Busy(
            f"this is being done already: {doing}",
            remedy="Nothing was begun by this press. Wait until it is done, or stop it.",
        )

    @property
    def running(self) -> bool:
        """Tell whether something is being done."""
        return self.job is not None and self.job.status is None

    def stop(self) -> None:
        """Stop what plays; what was recorded is kept."""
        job = self.job
        if job is not None and job.status is None:
            job.state = "stopping"
            self._stop.set()
            self._changed()

    def wait(self, seconds: float | None = None) -> None:
        """Wait until nothing is being done."""
        if self._thread is not None:
            self._thread.join(seconds)

    def close(self) -> None:
        """Stop what plays and wait until its files are written."""
        self.stop()
        self.wait()

    def snapshot(self) -> dict[str, Any] | None:
        """Describe the job as a window shows it, without its curve."""
        job = self.job
        if job is None:
            return None
        return {
            "number": job.number, "name": job.name, "command": job.command, "state": job.state,
            "said": job.said, "parts": list(job.parts), "left": job.left, "status": job.status,
            "playing": job.playing, "live": list(job.live), "curves": job.curves,
        }  # fmt: skip

    def _changed(self) -> None:
        self.version += 1

    def _work(self, job: Job) -> None:
        from cli.terminal import boundary

        out, notes = _StandardOutput(job, self._changed), _JobOutput(job, self._changed)
        WATCHER.set(lambda playing, progress: self._watch(job, playing, progress))
        status = 1
        try:
            with redirect_stdout(out), redirect_stderr(notes):
                status = boundary.run(job.argv)
        finally:
            job.left = next((one for one in reversed(out.getvalue().splitlines()) if one), "")
            job.playing = None
            job.state = "done" if status == 0 else "failed"
            job.status = status
            self._samples = None
            self._changed()

    def _watch(self, job: Job, playing: Playing, progress: Progress) -> None:
        """Follow a recording; whatever records calls this some twelve times a second."""
        if self.over():
            self._stop.set()
        if self._stop.is_set():
            raise KeyboardInterrupt
        rate = playing.sample_rate_hz
        if playing is not self._playing:  # another recording has begun
            self._playing, job.live = playing, []
        if progress.samples is not None:
            self._samples = (progress.samples, playing)
        job.playing = {
            "what": playing.what,
            "part": progress.frames_done / max(1, progress.frames_total),
            "left_s": (progress.frames_total - progress.frames_done) / rate,
            "level": list(progress.level),
            "peak": list(progress.peak),
            "words": [level_word(peak) for peak in progress.peak],
        }
        _found_out(job, progress, progress.frames_done / rate)
        self._changed()
        if self.real_time and job.rig is not None and job.rig.card.is_simulated:
            time.sleep(0.1)

    def _look(self, job: Job) -> None:
        """Have the curve drawn out of what was recorded, again and again."""
        from cli.window.growing import Drawing

        assert job.rig is not None
        drawing, seen = Drawing(job.rig, job.kind), 0
        try:
            while job.status is None:
                began = time.monotonic()
                held = self._samples
                if held is not None and len(held[0]) != seen and held[1].stimulus is not None:
                    seen = len(held[0])
                    found = drawing.look(*held)
                    if found is not None:
                        job.live = found.pop("findings") or job.live
                        job.curve = found
                        job.curves += 1
                        self._changed()
                time.sleep(max(LOOK_SECONDS - (time.monotonic() - began), 0.02))
        except (OSError, EOFError, pickle.UnpicklingError):
            pass  # the curve is for the eye: the take goes on without it
        finally:
            drawing.close()


def _found_out(job: Job, progress: Progress, seconds: float) -> None:
    """Note what the inputs show already while it plays."""
    part = progress.frames_done / max(1, progress.frames_total)
    # What was judged tells of both inputs; what is seen here, of one.
    known = {(one["code"], one.get("input", name)) for one in job.live for name in _INPUTS}
    for name, peak in zip(_INPUTS, progress.peak, strict=True):
        code, text = "", ""
        if peak >= _CLIPS:
            code = "clipped"
            text = f"The {name} input reached full scale at {seconds:.1f} s: it clips."
        elif part > 0.5 and peak < _SILENT:
            code = "silent-input"
            text = f"The {name} input has heard nothing so far: check its cable."
        if code and (code, name) not in known:
            job.live.append({"code": code, "text": text, "refuses": True, "input": name})


class _JobOutput(io.StringIO):
    """Hand on printed words and tables to the window as they come."""

    line_length = 10_000
    in_window = True

    def __init__(self, job: Job, changed: Callable[[], None]) -> None:
        super().__init__()
        self._job = job
        self._tell = changed

    def write(self, text: str) -> int:
        parts = self._job.parts
        if parts and isinstance(parts[-1], str):
            parts[-1] += text
        else:
            parts.append(text)
        self._tell()
        return super().write(text)

    def take_table(self, table: Table) -> None:
        """Keep a table of the terminal as what it is."""
        columns = table.columns
        cells = [[_bare(cell) for cell in column.cells] for column in columns]
        self._job.parts.append({
            "heads": [_bare(column.header) if table.show_header else "" for column in columns],
            "right": [column.justify == "right" for column in columns],
            "rows": [list(row) for row in zip(*cells, strict=True)],
        })  # fmt: skip
        self._tell()


class _StandardOutput(_JobOutput):
    """Standard output, whose last line may name a take."""


def _bare(cell: object) -> str:
    """Take the colours off a cell."""
    return str(getattr(cell, "plain", cell)).strip()


def _as_text(table: dict[str, Any]) -> str:
    """Write a table as lines of text."""
    return "".join("  ".join(row) + "\n" for row in (table["heads"], *table["rows"]))

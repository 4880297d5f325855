"""Progress on standard error while something runs, only on a terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from cli import show

if TYPE_CHECKING:
    from meas.audio import Progress

TOO_HOT, TOO_FAINT = 0.9, 0.01


def level_word(peak: float) -> str:
    """A word for a peak level; full scale is 1.

    Above 0.9 the next louder moment clips; below 0.01 (-40 dB) a quarter of the bits of a 16 bit
    card are unused and hum takes over (both common practice, no source).
    """
    if peak >= TOO_HOT:
        return "too hot"
    return "too faint" if peak < TOO_FAINT else "good"


def level_text(peak: tuple[float, float]) -> str:
    """Both peaks with a word each."""
    parts = (
        f"{name} {100 * abs(value):3.0f} % {level_word(value)}"
        for name, value in zip(("source", "driver"), peak, strict=True)
    )
    return ", ".join(parts)


@contextmanager
def capturing(what: str) -> Iterator[Callable[[Progress], None] | None]:
    """A bar with the live peak levels; None to tell when nobody watches."""
    console = show.console(stderr=True)
    if not console.is_terminal or console.is_dumb_terminal:
        yield None
        return
    from rich.progress import BarColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("{task.description}"),
        BarColumn(bar_width=18),
        TimeRemainingColumn(compact=True),
        TextColumn("{task.fields[levels]}"),
    )
    with Bars(*columns, console=console, transient=True, refresh_per_second=8) as bars:
        task = bars.add_task(what, total=None, levels="")

        def told(progress: Progress) -> None:
            bars.update(
                task,
                total=progress.frames_total,
                completed=progress.frames_done,
                levels=level_text(progress.peak),
            )

        yield told


@contextmanager
def working(what: str) -> Iterator[None]:
    """A turning sign beside what is being worked on."""
    console = show.console(stderr=True)
    if not console.is_terminal or console.is_dumb_terminal:
        yield
        return
    with console.status(what):
        yield

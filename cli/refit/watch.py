"""Progress of a refit: a bar with the time left on a terminal, a line now and then elsewhere."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from cli.terminal import show

_PLAIN_SECONDS = 30.0


@contextmanager
def watching(total: int, takes: int) -> Iterator[Callable[[int], None]]:
    """Show how far a refit is; call what this yields with the number of takes after each fit.

    Args:
        takes: Takes in them: what the time left is reckoned by.
    """
    console = show.console(stderr=True)
    if not console.is_terminal or console.is_dumb_terminal:
        yield _plainly(total, takes)
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        TextColumn("fitting"),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[done]} of {task.fields[all]} fits,"),
        TimeRemainingColumn(elapsed_when_finished=True),
        TextColumn("left"),
    )
    with Progress(*columns, console=console, transient=True, speed_estimate_period=120) as bar:
        task = bar.add_task("", total=takes, done=0, all=total)
        done = 0

        def advance(finished: int) -> None:
            nonlocal done
            done += 1
            bar.update(task, advance=finished, done=done)

        yield advance


def _plainly(total: int, takes: int) -> Callable[[int], None]:
    begin = due = time.monotonic()
    done = finished_takes = 0

    def advance(finished: int) -> None:
        nonlocal due, done, finished_takes
        done += 1
        finished_takes += finished
        now = time.monotonic()
        if now - due >= _PLAIN_SECONDS and done < total:
            due = now
            left = (now - begin) * (takes - finished_takes) / max(finished_takes, 1)
            show.note(f"fitting: {done} of {total} fits, about {duration(left)} left")

    return advance


def duration(seconds: float) -> str:
    """A time as people say it."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"

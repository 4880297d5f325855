"""Progress on standard error while something runs, only on a terminal."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cli.terminal import show

if TYPE_CHECKING:
    from meas.audio.protocol import Progress
    from meas.excitation.stimulus import Stimulus

TOO_HOT, TOO_FAINT = 0.9, 0.01
FLOOR_DB = -60.0
METER_CELLS = 30
BAR_CELLS = 24
PLAIN_SECONDS = 5.0
_TICKS_PER_SECOND = 10


@dataclass(frozen=True, eq=False)
class Playing:
    """Display of what plays while somebody watches.

    Attributes:
        stimulus: The excitation; None for short signals of other kinds.
    """

    what: str
    sample_rate_hz: int
    stimulus: Stimulus | None


Watcher = Callable[[Playing, "Progress"], None]
WATCHER: ContextVar[Watcher | None] = ContextVar("watcher", default=None)
"""Who watches instead of the terminal, if anybody; it may raise KeyboardInterrupt to stop."""


def level_word(peak: float) -> str:
    """A word for a peak level; full scale is 1.

    Above 0.9 the next louder moment clips. Below 0.01 (-40 dB) a quarter of the bits of a 16 bit
    card are unused and hum takes over (both common practice, no source).
    """
    if peak >= TOO_HOT:
        return "too hot"
    return "too faint" if peak < TOO_FAINT else "good"


def level_text(peak: tuple[float, float]) -> str:
    """Write both peaks with a word each."""
    parts = (
        f"{name} {100 * abs(value):.{0 if value >= 0.1 else 1}f} % {level_word(value)}"
        for name, value in zip(("source", "driver"), peak, strict=True)
    )
    return ", ".join(parts)


def live_lines(what: str, told: Progress, sample_rate_hz: int, *, plain: bool) -> list[str]:
    """Lines shown during a capture: a bar, then one meter for each input.

    The meter shows the moment on a scale of decibels with the highest so far marked; the word
    judges the latter, and faint ones not before half-time: a sweep begins quietly.

    Args:
        sample_rate_hz: For the time that remains [Hz].
        plain: ASCII only.
    """
    full, empty, mark = ("#", ".", "|") if plain else ("█", "·", "│")
    part = told.frames_done / max(told.frames_total, 1)
    left = math.ceil((told.frames_total - told.frames_done) / sample_rate_hz)
    done = round(part * BAR_CELLS)
    bar = ("=" if plain else "━") * done + " " * (BAR_CELLS - done)
    lines = [f"{what[:30]}  [{bar}]  {left} s left"]
    for name, level, peak in zip(("source", "driver"), told.level, told.peak, strict=True):
        cells = [full] * _cells(level) + [empty] * (METER_CELLS - _cells(level))
        if peak > 0:
            cells[max(0, _cells(peak) - 1)] = mark
        word = level_word(peak)
        if word == "too faint" and part < 0.5:
            word = "quiet so far"
        lines.append(f"  {name} [{''.join(cells)}] peak {100 * peak:3.0f} %  {word}")
    return lines


def _cells(level: float) -> int:
    if level <= 0:
        return 0
    share = 1 - 20 * math.log10(level) / FLOOR_DB
    return min(METER_CELLS, max(0, round(share * METER_CELLS)))


@contextmanager
def capturing(
    what: str, sample_rate_hz: int, stimulus: Stimulus | None = None
) -> Iterator[Callable[[Progress], None] | None]:
    """Bar and meters that live while a capture runs; None to tell when nobody watches.

    On a terminal that cannot move its cursor a line every few seconds has to do.
    """
    watcher = WATCHER.get()
    if watcher is not None:
        playing = Playing(what, sample_rate_hz, stimulus)
        yield lambda told: watcher(playing, told)
        return
    console = show.console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    plain = not show.can_draw()
    if console.is_dumb_terminal:
        yield _plainly(what, sample_rate_hz)
        return
    from rich.live import Live
    from rich.text import Text

    with Live(console=console, transient=True, refresh_per_second=8) as live:

        def told(progress: Progress) -> None:
            lines = live_lines(what, progress, sample_rate_hz, plain=plain)
            live.update(Text("\n".join(lines), no_wrap=True, overflow="crop"))

        yield told


def wait(what: str, seconds: float) -> None:
    """Let some time pass for somebody's hands; whoever watches sees how much, and may stop it."""
    from meas.audio.protocol import Progress

    watcher = WATCHER.get()
    if watcher is None:
        time.sleep(seconds)
        return
    ticks = math.ceil(seconds * _TICKS_PER_SECOND)
    for tick in range(ticks):
        watcher(Playing(what, _TICKS_PER_SECOND, None), Progress(tick, ticks, (0.0, 0.0)))
        time.sleep(1 / _TICKS_PER_SECOND)


def _plainly(what: str, sample_rate_hz: int) -> Callable[[Progress], None]:
    due = 0.0

    def told(progress: Progress) -> None:
        nonlocal due
        seconds = progress.frames_done / sample_rate_hz
        if seconds < due:
            return
        due = seconds + PLAIN_SECONDS
        left = math.ceil((progress.frames_total - progress.frames_done) / sample_rate_hz)
        show.note(f"{what}: {left} s left")

    return told


@contextmanager
def working(what: str) -> Iterator[None]:
    """A turning sign beside what is being worked on."""
    console = show.console(stderr=True)
    if not console.is_terminal or console.is_dumb_terminal:
        yield
        return
    with console.status(what):
        yield

"""``freeair watch``: impedance near resonance, live, while hands work on the cone."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words import values
from cli.words.options import AsJson, Yes, option
from fit.results.numbers import signed
from meas.errors import UsageError

if TYPE_CHECKING:
    from meas.audio.protocol import Progress
    from meas.bench.rig import Rig
    from meas.excitation.stimulus import Stimulus
    from meas.takes.watching import Seen

# A woofer's resonance, and a tweeter's (common practice, no source).
_BAND = {True: ("15Hz", "200Hz"), False: ("300Hz", "5kHz")}
_EVERY_SECONDS, _PLAIN_SECONDS = 0.25, 1.0
_SIMULATED_SECONDS, _LONGEST_SECONDS = 2.0, 60.0
_CELLS = 40
_BLOCKS = " ▁▂▃▄▅▆▇█"
_ASCII = " .:-=+*#@"


def watch(
    rig: Annotated[Path, typer.Option(metavar="FILE", help="The bench (freeair rig new).")],
    low: str | None = option("F", "Lowest frequency; a woofer's is 15Hz."),
    high: str | None = option("F", "Highest frequency; a woofer's is 200Hz."),
    seconds: float | None = option("S", "End by itself after so long.", min=1.0),
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Watch the resonance while you press, glue or centre the cone.

    Plays quietly, at 0.3 of the rig's level, until Ctrl-C, and shows four times a second where |Z|
    peaks and how far that has moved since the start. Nothing is kept; a take is what tells values.

    \b
    freeair watch --rig bench.toml
    """
    from cli.terminal import cautions
    from meas.bench import rig_file
    from meas.takes import watching

    bench = rig_file.read(rig)
    if seconds is None and not show.can_ask():
        raise UsageError(
            "without a terminal nobody could end it",
            where="freeair watch",
            remedy="Say how long: --seconds 30.",
        )
    edges = [
        values.frequency(said or usual, option).value
        for said, usual, option in zip(
            (low, high), _BAND[bench.drive.woofer], ("--low", "--high"), strict=True
        )
    ]
    bench = cautions.before_playing(rig, bench, yes=yes)
    chunk = _SIMULATED_SECONDS if bench.card.is_simulated else _LONGEST_SECONDS
    quiet, stimulus = watching.excitation(bench, *edges, min(chunk, seconds or chunk))
    show.note(
        f"Plays {edges[0]:g} Hz to {edges[1]:g} Hz at level {quiet.drive.level:.3g}, "
        f"{watching.QUIET:g} of the rig's. Ctrl-C ends it."
    )
    shown = _Shown(quiet, stimulus, seconds)
    shown.run()
    found = shown.peaks_hz
    if as_json:
        show.document({"updates": shown.updates, "peak_hz": found})
    elif found:
        show.say(
            f"Peak at {found[0]:.1f} Hz first and {found[-1]:.1f} Hz last, between "
            f"{min(found):.1f} and {max(found):.1f} Hz in {shown.updates} looks."
        )
    else:
        show.say("No peak was seen in this band. Say where it lies: --low and --high.")


class _Shown:
    """Readings so far, written over one line of the terminal."""

    def __init__(self, rig: Rig, stimulus: Stimulus, seconds: float | None) -> None:
        self._rig, self._stimulus = rig, stimulus
        self._ends = None if seconds is None else time.monotonic() + seconds
        self._next = 0.0
        self._live = show.console(stderr=True).is_terminal
        self.updates = 0
        self.peaks_hz: list[float] = []

    def run(self) -> None:
        """Play again and again until it is stopped or its time is over."""
        from cli.bench import audio_path

        audio = audio_path.open_path(self._rig)
        rate = self._rig.card.sample_rate_hz
        while True:
            heard = audio.play_and_record(self._stimulus.samples, rate, self._look)
            if any(event.kind == "interrupted" for event in heard.events):
                break
            if self._ends is not None and time.monotonic() >= self._ends:
                break
        if self._live:
            sys.stderr.write("\n")

    def _look(self, progress: Progress) -> None:
        from meas.takes.watching import look

        now = time.monotonic()
        if self._ends is not None and now >= self._ends:
            raise KeyboardInterrupt  # ends the capture as Ctrl-C does
        if progress.samples is None or now < self._next:
            return
        seen = look(progress.samples, self._stimulus, self._rig)
        if seen is None:
            return
        self._next = now + (_EVERY_SECONDS if self._live else _PLAIN_SECONDS)
        self.updates += 1
        if seen.peak_hz is not None:
            self.peaks_hz.append(seen.peak_hz)
        text = self._words(seen)
        if self._live:
            sys.stderr.write(f"\r{text}")
            sys.stderr.flush()
        else:
            show.note(text)

    def _words(self, seen: Seen) -> str:
        bars = _bars(seen)
        if seen.peak_hz is None or seen.peak_ohm is None:
            return f"no peak in this band       {bars}"
        moved = seen.peak_hz - self.peaks_hz[0]
        return f"{seen.peak_hz:7.1f} Hz {signed(moved, 1):>6}  {seen.peak_ohm:6.1f} ohm  {bars}"


def _bars(seen: Seen) -> str:
    """|Z| over log frequency as a row of blocks."""
    import numpy as np

    signs = _BLOCKS if show.can_draw() else _ASCII
    x = np.log(seen.frequency_hz)
    z = np.interp(np.linspace(x[0], x[-1], _CELLS), x, seen.magnitude_ohm)
    heights = np.rint(z / z.max() * (len(signs) - 1)).astype(int)
    return "".join(signs[height] for height in heights)

"""Looks at a running recording, in a process of its own that makes way for all others.

Python runs one thread at a time: within the program, drawing would hold up the thread that hands
samples to the sound card, by up to a tenth of a second on a busy machine.
"""

from __future__ import annotations

import math
import os
import pickle
import subprocess
import sys
from contextlib import suppress
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from cli.terminal.import_path import trusted

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from cli.terminal.progress import Playing
    from meas.bench.rig import Kind, Rig
    from meas.curve import ComplexArray, FloatArray, TwoInputs
    from meas.excitation.stimulus import Stimulus
    from meas.takes.growing import GrowingCurve

_START = "import sys; sys.path[:] = sys.argv[1:]; from cli.window.growing import serve; serve()"
_POLITE = 5
"""Steps of priority given way: looks that come late only make the curve grow in larger steps."""
_POINTS = 400


class Drawing:
    """Draws what is recorded for one command; ends with the pipe to it, however that ends.

    Args:
        rig: The bench; its calibration is applied.
        kind: What is measured.
    """

    def __init__(self, rig: Rig, kind: Kind = "driver") -> None:
        self._about = rig, kind
        self._sent = 0
        self._playing: Playing | None = None
        command = [sys.executable, "-I", "-c", _START, *trusted(sys.path)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            start_new_session=os.name == "posix",
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )  # fmt: skip

    def look(self, samples: NDArray[np.float32], playing: Playing) -> dict[str, Any] | None:
        """Draw the curve so far for a window, with what sweeps that are over show already.

        Args:
            samples: All of the recording so far, shape (n, 2).

        Returns:
            None while there is nothing to tell.

        Raises:
            OSError: If the process has died.
            EOFError: As well.
        """
        if playing is not self._playing:  # another recording has begun
            self._sent, self._playing = 0, playing
        about = None if self._sent else (*self._about, playing.stimulus, playing.sample_rate_hz)
        assert self._process.stdin is not None and self._process.stdout is not None
        pickle.dump((about, samples[self._sent :]), self._process.stdin)
        self._process.stdin.flush()
        self._sent = len(samples)
        found: dict[str, Any] | None = pickle.load(self._process.stdout)
        return found

    def close(self) -> None:
        """End the process, whatever it does."""
        self._process.kill()
        for end in (self._process.stdin, self._process.stdout):
            with suppress(OSError):
                if end is not None:
                    end.close()
        self._process.wait()


def serve() -> None:
    """Draw whatever comes through standard input until it ends."""
    if hasattr(os, "nice"):
        os.nice(_POLITE)
    import numpy as np

    from meas.takes.growing import growing_curve

    rig, kind, stimulus, rate = None, None, None, 0
    samples, found, over, seen = np.empty((0, 2), dtype=np.float32), None, 0, []
    with suppress(EOFError, BrokenPipeError):
        while True:
            about, new = pickle.load(sys.stdin.buffer)
            if about is not None:
                rig, kind, stimulus, rate = about
                samples, found, over, seen = samples[:0], None, 0, []
            samples = np.concatenate([samples, new])
            found = growing_curve(samples, rate, rig, stimulus, found)
            now, end = _before_next(stimulus, 0 if found is None else found.lag or 0, len(samples))
            if found is not None and now > over:
                over, seen = now, _findings(samples[:end], rate, rig, kind)
            shown = found is not None and found.frequency_hz.size > 1
            pickle.dump({**_packed(found), "findings": seen} if shown else None, sys.stdout.buffer)
            sys.stdout.buffer.flush()


def _before_next(stimulus: Stimulus, lag: int, frames: int) -> tuple[int, int]:
    """Count the sweeps that are over, another one being ahead, and find where that one begins."""
    pairs = pairwise(stimulus.passes)
    ends = [following.start_frame + lag for one, following in pairs
            if one.stop_frame + following.start_frame + 2 * lag < 2 * frames]  # fmt: skip
    return len(ends), min([frames, *ends[-1:]])


def _findings(samples: TwoInputs, rate: int, rig: Rig, kind: Kind) -> list[dict[str, Any]]:
    """Judge what was recorded so far as if it were all."""
    from meas.errors import FreeairError
    from meas.takes.analysis import analyse

    with suppress(FreeairError):
        said = analyse(samples, rate, rig, kind=kind, calibration=rig.calibration)
        return [{"code": f.code, "text": f.text, "refuses": f.refuses} for f in said.findings]
    return []


def _packed(found: GrowingCurve) -> dict[str, Any]:
    """Pack a growing curve for a window: as many points as it can show."""
    every = slice(None, None, max(1, found.frequency_hz.size // _POINTS))
    off = found.standard_uncertainty_ohm[every]
    drawn = curve_data(found.frequency_hz[every], found.impedance_ohm[every], off)
    return {**drawn, "at": found.at_hz}


def curve_data(
    frequency_hz: FloatArray, ohm: ComplexArray | FloatArray, uncertainty_ohm: FloatArray | None
) -> dict[str, Any]:
    """Make the data of a curve for a chart: |Z|, with its 95 % band of noise where it is known."""
    import numpy as np

    z = np.abs(ohm)
    data = {"f": numbers(frequency_hz), "z": numbers(z)}
    if uncertainty_ohm is not None:
        data["low"] = numbers(np.maximum(z - 2 * uncertainty_ohm, 0))
        data["high"] = numbers(z + 2 * uncertainty_ohm)
    return data


def numbers(values: FloatArray) -> list[float | None]:
    """Round to six digits, as many as an eye and a pixel can use; no number becomes null."""
    return [float(f"{value:.6g}") if math.isfinite(value) else None for value in values]

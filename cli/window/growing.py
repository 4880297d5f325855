"""The curve of a running recording, drawn in a process of its own that makes way for all others.

Python runs one thread at a time: within the program, drawing would hold up the thread that hands
samples to the sound card, by up to a tenth of a second on a busy machine.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from contextlib import suppress
from typing import TYPE_CHECKING, Any

from cli.terminal.import_path import trusted

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from cli.terminal.progress import Playing
    from meas.bench.rig import Rig

_START = "import sys; sys.path[:] = sys.argv[1:]; from cli.window.growing import serve; serve()"
_POLITE = 5
"""Steps of priority given way: looks that come late only make the curve grow in larger steps."""
_POINTS = 400
_EXACT = 4


class Drawing:
    """Draws what is recorded for one command; ends with the pipe to it, however that ends.

    Args:
        rig: The bench; its calibration is applied.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._sent = 0
        self._playing: Playing | None = None
        command = [sys.executable, "-I", "-c", _START, *trusted(sys.path)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            start_new_session=os.name == "posix",
            creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),
        )  # fmt: skip

    def look(self, samples: NDArray[np.float32], playing: Playing) -> dict[str, Any] | None:
        """Draw the curve so far for a window; None while there is nothing to tell.

        Args:
            samples: All of the recording so far, shape (n, 2).

        Raises:
            OSError: If the process has died.
            EOFError: As well.
        """
        if playing is not self._playing:  # another recording has begun
            self._sent, self._playing = 0, playing
        about = None if self._sent else (self._rig, playing.stimulus, playing.sample_rate_hz)
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

    rig, stimulus, rate = None, None, 0
    samples, found = np.empty((0, 2), dtype=np.float32), None
    with suppress(EOFError, BrokenPipeError):
        while True:
            about, new = pickle.load(sys.stdin.buffer)
            if about is not None:
                rig, stimulus, rate = about
                samples, found = samples[:0], None
            samples = np.concatenate([samples, new])
            found = growing_curve(samples, rate, rig, stimulus, found)
            shown = found is not None and found.frequency_hz.size > 1
            pickle.dump(_packed(found) if shown else None, sys.stdout.buffer)
            sys.stdout.buffer.flush()


def _packed(found: Any) -> dict[str, Any]:
    """Pack a growing curve for a window: as many points as it can show."""
    import numpy as np

    step = max(1, found.frequency_hz.size // _POINTS)
    size = np.abs(found.impedance_ohm)
    off = 2 * found.standard_uncertainty_ohm

    def short(values: Any) -> list[float]:
        return [float(f"{value:.{_EXACT}g}") for value in values[::step]]

    return {
        "f": [float(f"{value:.6g}") for value in found.frequency_hz[::step]],
        "z": short(size),
        "low": short(np.maximum(size - off, 0)),
        "high": short(size + off),
        "phase": short(np.degrees(np.angle(found.impedance_ohm))),
        "at": found.at_hz,
    }

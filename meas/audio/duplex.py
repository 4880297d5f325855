"""The real-time side of a duplex stream: copies samples, notes what it was told, nothing more.

Knows no sound library: flags are read from any object with the attributes of PortAudio's names.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meas.audio.protocol import Progress, StreamEvent

STALL_SECONDS = 5.0  # no buffer is longer than that
FIRST_BLOCK_SECONDS = 10.0  # a sound server wakes its card only when a stream asks for it
START_SECONDS = 20.0
_BURST = 8  # share of a recording in which blocks come in a burst, to fill the buffers
PROGRESS_SECONDS = 0.08

_FLAGS = {
    "input_overflow": "input-overflow",
    "input_underflow": "input-underflow",
    "output_overflow": "output-overflow",
    "output_underflow": "output-underflow",
    "priming_output": "priming",
}


class Duplex:
    """State that the callback shares with the main thread.

    Args:
        output: What the first output plays, shape (n,).
        columns: Source and driver input, counted from 0.

    Attributes:
        recorded: Both inputs, shape (n, 2), valid up to ``done``.
        finished: Set by the finished callback of the stream.
        abandoned: Set it to have the callback give up, should the stream ever call it.
        stop: Exception of the library that ends the stream after what is buffered was played.
        abort: Exception of the library that ends it at once.
    """

    def __init__(self, output: NDArray[np.float32], columns: list[int]) -> None:
        self._output = np.asarray(output, dtype=np.float32)
        self._columns = columns
        self._flags: list[tuple[int, Any]] = []
        self._first: tuple[float, int] | None = None
        self._last = (0.0, 0)
        self._told: Progress | None = None
        self.recorded = np.zeros((output.size, 2), dtype=np.float32)
        self.done = 0
        self.error: BaseException | None = None
        self.finished = threading.Event()
        self.abandoned = False
        self.stop: type[Exception] = Exception
        self.abort: type[Exception] = Exception

    def callback(
        self,
        indata: NDArray[np.float32],
        outdata: NDArray[np.float32],
        frames: int,
        _time: object,
        status: Any,
    ) -> None:
        """Called by PortAudio in its own thread."""
        try:
            start = self.done
            end = min(start + frames, self._output.size)
            outdata.fill(0)
            if self.abandoned:
                raise InterruptedError("the stream was given up before it started")
            outdata[: end - start, 0] = self._output[start:end]
            self.recorded[start:end] = indata[: end - start, self._columns]
            if status:
                self._flags.append((start, status))
            self._last = (time.monotonic(), end)
            if self._first is None and start >= self._output.size // _BURST:
                self._first = self._last
            self.done = end
        except BaseException as error:
            # PortAudio would print it and go on; keep it for the main thread.
            self.error = error
            raise self.abort from error
        if end == self._output.size:
            raise self.stop

    @property
    def ended_unheard(self) -> bool:
        """Tell whether the stream ended by itself at its start, having played silence alone."""
        early = self.done < self._output.size // _BURST and not self._output[: self.done].any()
        return self.finished.is_set() and self.error is None and early

    def wait(self, sample_rate_hz: int, on_progress: Callable[[Progress], None] | None) -> str:
        """Wait until all is recorded or the stream is dead; what went wrong, in words."""
        total = self._output.size
        seconds = total / sample_rate_hz
        began = advanced = time.monotonic()
        seen = 0
        while True:
            finished = self.finished.wait(PROGRESS_SECONDS)
            now, done = time.monotonic(), self.done
            if done > seen:
                advanced, seen = now, done
                if on_progress is not None:
                    self._told = Progress.so_far(self.recorded, done, self._told)
                    on_progress(self._told)
            if self.error is not None:
                return f"the copying of samples failed with {self.error!r}"
            if done == total and (finished or now - advanced > 1.0):
                return ""
            so_far = f"{done / sample_rate_hz:.1f} of {seconds:.1f} s"
            if finished:
                return f"the stream ended by itself after {so_far}"
            patience = STALL_SECONDS if done else FIRST_BLOCK_SECONDS
            if now - advanced > patience:
                return f"no sample arrived for {patience:g} s, after {so_far}"
            if now - began > 2 * seconds + START_SECONDS:
                return f"the device is far too slow: {so_far} in {now - began:.0f} s"

    def events(self) -> tuple[StreamEvent, ...]:
        """Every flag of every callback."""
        return tuple(
            StreamEvent(frame, kind)
            for frame, status in self._flags
            for flag, kind in _FLAGS.items()
            if getattr(status, flag)
        )

    def measured_rate(self) -> dict[str, float]:
        """Frames per second of the computer's clock, once there are blocks a second apart."""
        if self._first is None or self._last[0] - self._first[0] < 1.0:
            return {}
        seconds = self._last[0] - self._first[0]
        return {"measured_rate_hz": (self._last[1] - self._first[1]) / seconds}

"""Calls into a foreign library that may hang, and what it prints meanwhile."""

from __future__ import annotations

import os
import queue
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Generic, TypeVar

T = TypeVar("T")


class CallHung(Exception):
    """A call did not come back in time; the thread that made it is lost."""


class _Outcome(Generic[T]):
    def __init__(self, function: Callable[[], T]) -> None:
        self.function = function
        self.ready = threading.Event()
        self.value: T | None = None
        self.error: BaseException | None = None

    def run(self) -> None:
        try:
            self.value = self.function()
        except BaseException as error:
            self.error = error
        self.ready.set()


class BoundedThread:
    """One daemon thread that makes all calls of one library.

    One thread, because some audio interfaces (ASIO, WASAPI) want to be called from the thread
    that woke them. A daemon, because a call that hangs must not keep the program from ending.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._calls: queue.SimpleQueue[_Outcome[object]] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self.hung = False

    def call(self, function: Callable[[], T], seconds: float) -> T:
        """Run ``function`` on the thread and hand back what it returns or raises.

        Raises:
            CallHung: If it takes longer than ``seconds``, or if an earlier call still hangs.
        """
        if self.hung:
            raise CallHung(f"an earlier call of {self._name} never came back")
        if self._thread is None:
            self._thread = threading.Thread(target=self._serve, name=self._name, daemon=True)
            self._thread.start()
        outcome: _Outcome[T] = _Outcome(function)
        self._calls.put(outcome)  # type: ignore[arg-type]  # the queue holds outcomes of any type
        # Short waits: on some systems a long one cannot be interrupted by Ctrl-C.
        for _ in range(max(1, round(seconds / 0.1))):
            if outcome.ready.wait(0.1):
                break
        else:
            self.hung = True
            raise CallHung(f"{self._name} did not answer for {seconds:g} s")
        if outcome.error is not None:
            raise outcome.error
        return outcome.value  # type: ignore[return-value]  # set when there is no error

    def _serve(self) -> None:
        while True:
            self._calls.get().run()


@contextmanager
def kept_stderr() -> Iterator[Callable[[], str]]:
    """Keep what C libraries print to standard error meanwhile, instead of showing it.

    ALSA and PortAudio print dozens of lines while they probe, which would bury our own message.
    The yielded function gives what was printed so far. Process-wide: keep it short, and print
    nothing of your own inside.
    """
    try:
        original = os.dup(2)
    except OSError:  # no standard error at all, as in a windowed program
        yield lambda: ""
        return
    with tempfile.TemporaryFile() as file:
        os.dup2(file.fileno(), 2)

        def said() -> str:
            file.seek(0)  # the position is shared with descriptor 2: reading all restores it
            return file.read().decode(errors="replace")

        try:
            yield said
        finally:
            os.dup2(original, 2)
            os.close(original)

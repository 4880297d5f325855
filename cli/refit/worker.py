"""A worker process: jobs come through its standard input, outcomes leave through its output."""

from __future__ import annotations

import os
import pickle
import queue
import sys
import threading
from typing import TYPE_CHECKING, BinaryIO

if TYPE_CHECKING:
    from cli.refit.job import Job


def serve() -> None:
    """Work until whoever sends jobs closes the pipe, or ends in whatever way."""
    jobs_in, outcomes_out = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 0)
    os.dup2(2 if _open(2) else nowhere, 1)  # whatever a library prints is no outcome
    jobs: queue.SimpleQueue[Job] = queue.SimpleQueue()
    threading.Thread(target=_receive, args=(jobs_in, jobs), daemon=True).start()
    from cli.refit.job import fit_state

    while True:
        outcome = fit_state(jobs.get())
        try:
            pickle.dump(outcome, outcomes_out)
            outcomes_out.flush()
        except BrokenPipeError:
            os._exit(0)


def _receive(pipe: BinaryIO, jobs: queue.SimpleQueue[Job]) -> None:
    """Wait at the pipe all the time, so that its end ends a fit in progress too."""
    try:
        while True:
            jobs.put(pickle.load(pipe))
    except EOFError:
        os._exit(0)
    except BaseException:
        sys.excepthook(*sys.exc_info())
        os._exit(1)


def _open(descriptor: int) -> bool:
    try:
        os.fstat(descriptor)
    except OSError:
        return False
    return True

"""Linear algebra kept to one thread, where its threads would only wait for each other.

Matrices of a fit have some hundred rows and a dozen columns. Two threads save nothing on them, and
on a busy machine each product waits until the system has found time for both: fits take many times
as long (benchmark_busy shows it). One thread also rounds alike on every machine.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

VARIABLES = (
    *("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"),
    "VECLIB_MAXIMUM_THREADS",
)


def one_thread_from_the_start() -> None:
    """Keep it so in this process and those it starts, unless the user has said how many.

    Works only before numpy is loaded.
    """
    if not any(name in os.environ for name in VARIABLES):
        os.environ.update(dict.fromkeys(VARIABLES, "1"))


@contextmanager
def one_thread() -> Iterator[None]:
    """Keep it so inside a block or a decorated function, unless the user has said how many.

    For programs that have loaded numpy already, such as notebooks.
    """
    if any(name in os.environ for name in VARIABLES):
        yield
        return
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1, "blas"):
        yield

"""How long a fit takes while other programs compute as well. A script, not a test.

    python tests/benchmarks/benchmark_busy.py

prints the time on the wall of the joint fit of three takes, alone and beside two processes that
compute without end, and the ratio of the two: as the program does it, with linear algebra in one
thread, and as it would be with as many threads as cores. Two cores shared by three processes
allow 1.5 at best; at most 2.5 is the aim. Alone and beside take turns; each figure is a median.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

if __name__ == "__main__":
    _tests = Path(__file__).resolve().parents[1]
    _homes = (".", "..", "support", "support/running", "campaigns")
    sys.path[:0] = [str((_tests / home).resolve()) for home in _homes]
    from fit.numerics.one_thread import VARIABLES

    for _name in VARIABLES:  # before numpy is loaded
        os.environ.pop(_name, None)

from benchmark_fit import takes

from fit.joint import fit_driver


@contextmanager
def busy(processes: int) -> Iterator[None]:
    """Processes that compute without end beside a block."""
    beside = [
        subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(processes)
    ]
    try:
        yield
    finally:
        for process in beside:
            process.kill()
            process.wait()


def seconds(work: Callable[[], object]) -> float:
    """Time on the wall [s]."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def main(argv: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=5, help="each figure is a median of these")
    repeat = parser.parse_args(argv).repeat
    curves, session = takes(400)
    for name, fit in (
        ("one thread", fit_driver),
        ("threads as many as cores", fit_driver.__wrapped__),  # type: ignore[attr-defined]
    ):
        fit(curves, session)
        alone, beside = [], []
        for _ in range(repeat):
            alone.append(seconds(lambda fit=fit: fit(curves, session)))  # type: ignore[misc]
            with busy(2):
                beside.append(seconds(lambda fit=fit: fit(curves, session)))  # type: ignore[misc]
        a, b = statistics.median(alone), statistics.median(beside)
        print(f"{name:26s} alone {a:6.2f} s, beside two {b:6.2f} s: {b / a:5.2f} times as long")


if __name__ == "__main__":
    main()

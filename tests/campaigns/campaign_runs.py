"""What every campaign shares: arguments, seeds, processes, progress, tables.

Seeds: draw k of driver i starts from (seed, i, k), so that a single draw can be made again and no
result depends on the number of processes. BLAS runs one thread in each.
"""

from __future__ import annotations

import argparse
import csv
import os
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

# OpenBLAS counts its threads when numpy is imported.
os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

_BLOCK = 10
"""Draws that a process makes at a time."""

kept: Path | None = None
"""Folder of what was done already, so that hours of work can be stopped and gone on with."""


def arguments(doc: str | None, draws: int, what: str) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description=doc, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--draws", type=int, default=draws, help=f"{what} (default {draws})")
    parser.add_argument("--seed", type=int, default=2026)
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--out", type=Path, help="CSV file to write")
    parser.add_argument("--keep", type=Path, help="folder to keep results in, and to go on from")
    return parser


def rng_of(*key: int) -> np.random.Generator:
    return np.random.default_rng(key)


def run(function: Callable, tasks: Sequence[tuple], jobs: int) -> list:
    """Results of function(*task) in the order of tasks; a bar where somebody watches."""
    from joblib import Memory, Parallel, delayed, parallel_config
    from rich.console import Console
    from rich.progress import track

    if kept is not None:
        from cli.refit.job import models_digest

        function = Memory(kept / models_digest(), verbose=0).cache(function)
    with parallel_config("loky", inner_max_num_threads=1):
        done = Parallel(n_jobs=jobs, return_as="generator")(delayed(function)(*t) for t in tasks)
        console = Console(stderr=True)
        return list(
            track(done, "campaign", len(tasks), console=console, disable=not console.is_terminal)
        )


def in_blocks(function: Callable, cases: Sequence[tuple], draws: int, jobs: int) -> list[list]:
    """All draws of each case, in the order of cases.

    Args:
        function: Of a case, the first draw and that after the last one: a list with one entry for
            each draw.
        cases: What `function` is given before the two.
        draws: Of each case.
        jobs: Processes.
    """
    spans = [(first, min(first + _BLOCK, draws)) for first in range(0, draws, _BLOCK)]
    done = run(function, [(*case, *span) for case in cases for span in spans], jobs)
    blocks = iter(done)
    return [[one for _ in spans for one in next(blocks)] for _ in cases]


class Watch:
    """CPU time is that of all processes together, estimated as wall time times processes."""

    def __init__(self, jobs: int) -> None:
        self._begin, self._jobs = time.perf_counter(), jobs

    def __str__(self) -> str:
        wall = time.perf_counter() - self._begin
        return f"{wall:.0f} s with {self._jobs} process{'es' * (self._jobs > 1)}"


def write(path: Path | None, rows: Iterable[Mapping[str, object]]) -> None:
    """All rows as CSV, to a file beside and then renamed."""
    rows = list(rows)
    if path is None or not rows:
        return
    beside = path.with_name(path.name + ".part")
    names = list(dict.fromkeys(name for row in rows for name in row))
    with beside.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names)
        writer.writeheader()
        writer.writerows({k: _plain(v) for k, v in row.items()} for row in rows)
    beside.replace(path)
    print(f"{len(rows)} rows written to {path}", file=sys.stderr)


def markdown(head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(str(_plain(cell)) for cell in row) + " |" for row in rows]
    return "\n".join(lines)


def _plain(value: object) -> object:
    return f"{value:.4g}" if isinstance(value, float | np.floating) else value

"""What a refit of a large archive costs beyond the fits themselves. A script, not a test.

    python tests/benchmarks/benchmark_refit.py --takes 240

makes archives of N and 4 N simulated takes (three takes to a unit: free air twice, added mass) and
prints, for each: takes a second, use of the cores, the time a take costs over a bare loop of
`fit_driver` over the same curves in one process, and the most memory that the command itself and
its largest worker held. Then a second refit, which finds everything done. Ratios matter, seconds
belong to the machine.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
if __name__ == "__main__":
    _tests = Path(__file__).resolve().parents[1]
    _homes = (".", "..", "support", "support/running", "campaigns")
    sys.path[:0] = [str((_tests / home).resolve()) for home in _homes]
    for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[_name] = "1"

import driver_bench  # noqa: E402 - after the path and the threads are set
from made_archive import MASS_KG, unit_of, write_take  # noqa: E402

TO_A_UNIT = 3

# Runs the command as a child of its own, so that what all its processes used can be asked for.
_WATCH = """
import json, resource, subprocess, sys, time
begin = time.perf_counter()
done = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
used = resource.getrusage(resource.RUSAGE_CHILDREN)
print(json.dumps([time.perf_counter() - begin, used.ru_utime + used.ru_stime, used.ru_maxrss,
                  done.returncode, done.stderr]))
"""


@dataclass(frozen=True)
class Figures:
    """What one refit took."""

    takes: int
    seconds: float
    busy_seconds: float
    largest_kib: int
    command_kib: int


def make(folder: Path, takes: int, points: int) -> None:
    """An archive of whole units; units of a hundred differ, then they repeat with other noise."""
    for number in range(takes // TO_A_UNIT):
        unit = unit_of(driver_bench.WOOFER, number % 100)
        shelf = folder / f"shelf-{number // 100}"
        for part, mass in enumerate((0.0, 0.0, MASS_KG)):
            write_take(shelf, f"lantern-{number}", unit, number * TO_A_UNIT + part, mass=mass,
                       hours=number * 0.5 + part * 0.1, points=points)  # fmt: skip


def refit(folder: Path, takes: int, workers: int) -> Figures:
    """Run the command and see what it used."""
    memory = folder.with_suffix(".memory")
    # The command tells its own peak through a hook; ru_maxrss of children is the largest of all.
    code = (
        "import atexit, resource, sys; from pathlib import Path; "
        "atexit.register(lambda: Path(sys.argv[1]).write_text("
        "str(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss))); "
        "from cli.main import run; sys.exit(run(sys.argv[2:]))"
    )
    command = [sys.executable, "-c", code, str(memory), "refit", str(folder), "--workers",
               str(workers)]  # fmt: skip
    watched = subprocess.run(
        [sys.executable, "-c", _WATCH, *command],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    seconds, busy, largest, status, said = json.loads(watched.stdout)
    if status:
        raise SystemExit(f"the refit ended with status {status}: {said}")
    return Figures(takes, seconds, busy, largest, int(memory.read_text()))


def bare_seconds(folder: Path, units: int) -> float:
    """One take's share of `fit_driver` over the curves of some units, nothing else timed [s].

    Time of the processor: what else the machine does stands outside the comparison.
    """
    from cli.sources import takes_and_tables
    from cli.words.session import SessionWords, session
    from fit.joint import fit_driver

    words = session(SessionWords(), boxes=False)
    spent, takes = 0.0, 0
    for number in range(-1, units):  # the first loads libraries
        paths = sorted(str(path) for path in folder.glob(f"*/lantern-{max(number, 0)}_*"))
        curves = takes_and_tables.gather(paths, (), (), None).curves
        begin = time.process_time()
        fit_driver(curves, words)
        if number >= 0:
            spent += time.process_time() - begin
            takes += len(curves)
    return spent / takes


def report(figures: Figures, workers: int, bare: float) -> None:
    """One archive in four lines."""
    takes, seconds, busy = figures.takes, figures.seconds, figures.busy_seconds
    line(f"{takes} takes", f"{takes / seconds:.2f} takes/s, {seconds:.1f} s in all")
    line("  cores busy with it", f"{100 * busy / seconds / workers:.1f} %")
    line("  beyond the bare fit, start included", f"{100 * (busy / takes / bare - 1):.1f} %")
    line(
        "  memory of the command, of a worker",
        f"{figures.command_kib / 1024:.0f} MiB, {figures.largest_kib / 1024:.0f} MiB",
    )


def line(what: str, figure: str) -> None:
    """What and how much."""
    print(f"{what:40s} {figure}")


def main(argv: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=60, help="N; the second archive has 4 N")
    parser.add_argument("--points", type=int, default=400)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    wanted = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as place:
        sizes = [TO_A_UNIT * max(1, n // TO_A_UNIT) for n in (wanted.takes, 4 * wanted.takes)]
        folders = [Path(place) / f"archive-{size}" for size in sizes]
        for folder, size in zip(folders, sizes, strict=True):
            make(folder, size, wanted.points)
        bare = bare_seconds(folders[0], min(10, sizes[0] // TO_A_UNIT))
        line("bare fit, for each take", f"{bare:.3f} s of one core")
        found = [refit(f, n, wanted.workers) for f, n in zip(folders, sizes, strict=True)]
        for one in found:
            report(one, wanted.workers, bare)
        more = sizes[1] - sizes[0]
        slow = (found[1].busy_seconds - found[0].busy_seconds) / more
        beyond = f"{100 * (slow / bare - 1):.1f} % beyond the bare fit"
        line("one more take costs", f"{slow:.3f} s of one core, {beyond}")
        grown = (found[1].command_kib - found[0].command_kib) / more
        line("  and of the command's memory", f"{grown:.1f} KiB")
        again = refit(folders[1], sizes[1], wanted.workers)
        line("a second refit, all done before", f"{again.seconds:.2f} s")


if __name__ == "__main__":
    main()

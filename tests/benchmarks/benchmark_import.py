"""How long a recording takes to become a take. A script, not a test.

    python tests/benchmarks/benchmark_import.py

prints, in one run: starting the program, importing a 6 s stereo recording of 48 kHz in a process
of its own, and the same once the libraries are loaded. Ratios matter, seconds belong to the
machine.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

if __name__ == "__main__":
    _tests = Path(__file__).resolve().parents[1]
    _homes = (".", "..", "support", "support/running", "campaigns")
    sys.path[:0] = [str((_tests / home).resolve()) for home in _homes]

from made_recordings import Bench, write_wav


def best_of(repeat: int, work: Callable[[], object]) -> float:
    """Least of several times [s]; the rest is what else the machine did."""
    times = []
    for _ in range(repeat):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


def time_import(folder: Path, seconds: float, repeat: int) -> tuple[float, float, float]:
    """Starting a process, importing in one, importing in this one once it is warm [s]."""
    from cli import main as program

    bench = Bench(sweep_seconds=(seconds - 3 * 0.5) / 2)
    wav = write_wav(folder / "capture.wav", bench.record())
    rig = folder / "bench.toml"
    counter = iter(range(10**6))

    def run(process: bool, words: Sequence[str]) -> None:
        if process:
            command = [sys.executable, "-m", "cli.main", *words]
            root = Path(__file__).resolve().parents[2]
            subprocess.run(command, cwd=root, check=True, capture_output=True)
            return
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            status = program.run(words)
        if status:
            raise SystemExit(f"freeair {' '.join(words)} ended with status {status}")

    def words() -> list[str]:
        out = str(folder / f"takes{next(counter)}")
        return ["import", str(wav), "--rig", str(rig), "--unit", "larch-17", "--out", out]

    run(False, ["rig", "new", str(rig), "--series-resistor", "10ohm"])
    run(False, words())
    start = best_of(repeat, lambda: run(True, ["--version"]))
    whole = best_of(repeat, lambda: run(True, words()))
    return start, whole, best_of(repeat, lambda: run(False, words()))


def main(argv: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=3, help="each figure is the best of these")
    parser.add_argument("--seconds", type=float, default=6.0)
    wanted = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        start, whole, warm = time_import(Path(folder), wanted.seconds, wanted.repeat)
    print(f"{'freeair --version, a process':52s} {start:8.3f} s")
    print(f"{f'import of {wanted.seconds:g} s at 48 kHz, a process':52s} {whole:8.3f} s")
    print(f"{'  beyond the start of a process':52s} {whole - start:8.3f} s")
    print(f"{'  once its libraries are loaded':52s} {warm:8.3f} s")


if __name__ == "__main__":
    main()

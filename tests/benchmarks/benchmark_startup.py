"""How long a process takes beyond bare Python, by what it loads. A script, not a test.

    python tests/benchmarks/benchmark_startup.py

prints processor time of fresh processes, the best of several: bare Python, numpy, and commands of
the program, each also as a multiple of importing numpy, which every machine pays alike. Ratios
matter, seconds belong to the machine. Libraries that dominate are listed for each command. Help
is also compared with ``python -c "import typer"``, whole processes both: at most 1.5 is the aim.
"""

from __future__ import annotations

import argparse
import os
import re
import resource
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}


def processor_seconds(command: Sequence[str], cwd: Path, repeat: int) -> float:
    """Least processor time of several runs [s]: it does not count what else the machine does."""
    times = []
    for _ in range(repeat):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, cwd=cwd, check=True, capture_output=True, env=ENVIRONMENT)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(times)


def heaviest(command: Sequence[str], cwd: Path) -> str:
    """Packages with the longest import of their own, by ``-X importtime``."""
    traced = [command[0], "-X", "importtime", *command[1:]]
    done = subprocess.run(
        traced, cwd=cwd, check=True, capture_output=True, text=True, encoding="utf-8",
        env=ENVIRONMENT,
    )  # fmt: skip
    own: dict[str, int] = {}
    for microseconds, name in re.findall(r"import time:\s+(\d+) \|\s+\d+ \| +(\S+)", done.stderr):
        package = ".".join(name.split(".")[: 2 if name.startswith("scipy.") else 1])
        own[package] = own.get(package, 0) + int(microseconds)
    top = sorted(own.items(), key=lambda pair: -pair[1])[:4]
    return ", ".join(f"{name} {1e-3 * spent:.0f} ms" for name, spent in top)


def write_table(file: Path) -> None:
    """A driver of 6.2 ohm with its resonance at 300 rad/s."""
    f = np.geomspace(10, 2e4, 300)
    s = 2j * np.pi * f
    z = 6.2 + s * 4e-4 + 40 / (1 + 4 * (s / 300 + 300 / s))
    rows = (f"{a},{b.real},{b.imag}\n" for a, b in zip(f.tolist(), z.tolist(), strict=True))
    file.write_text("frequency_hz,resistance_ohm,reactance_ohm\n" + "".join(rows), "utf-8")


def main(argv: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=5, help="each figure is the best of these")
    repeat = parser.parse_args(argv).repeat
    program = (sys.executable, "-m", "cli.main")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_table(folder / "free.csv")
        bare = processor_seconds((sys.executable, "-c", "pass"), folder, repeat)
        array = processor_seconds((sys.executable, "-c", "import numpy"), folder, repeat)
        print(f"{'bare Python':30s} {bare:6.3f} s")
        print(f"{'import numpy':30s} {array:6.3f} s")
        typer = processor_seconds((sys.executable, "-c", "import typer"), folder, repeat)
        print(f"{'import typer':30s} {typer:6.3f} s")
        unit = array - bare
        for words in (
            ("--version",),
            ("--help",),
            ("fit", "--help"),
            ("rig", "--help"),
            ("fit", "free.csv"),
            ("fit", "free.csv", "--model", "plain"),
            ("export", "free.csv", "--touchstone", "free.s1p"),
        ):
            command = (*program, *words)
            once = words[0] == "export"  # it overwrites nothing
            spent = processor_seconds(command, folder, 1 if once else repeat) - bare
            shown = f"freeair {' '.join(words)}"
            print(f"{shown:44s} {spent:6.3f} s beyond bare Python, {spent / unit:5.1f} x numpy")
            if words[-1] == "--help":
                print(f"    {(spent + bare) / typer:.2f} x import typer")
            if not once:
                print(f"    {heaviest(command, folder)}")


if __name__ == "__main__":
    main()

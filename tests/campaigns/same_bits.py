"""Do fits come out equal to the last bit after a change of form? A script, not a test.

    python tests/campaigns/same_bits.py --save before.json      # before a change
    python tests/campaigns/same_bits.py --against before.json   # after it: status 1 if they differ

Writes down, in hexadecimal, every parameter with its uncertainty, its interval and the shares of
its sources, and every verdict and code, of: the two fits, the comparison and the takes of the
demo, a refit of a small archive with fixed takes and tables, and 50 fits of drawn drivers. What
depends on the machine (last bits of its BLAS) is why the figures are not kept with the sources.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

if __name__ == "__main__":
    _tests = Path(__file__).resolve().parents[1]
    _homes = (".", "..", "support", "support/running", "campaigns")
    sys.path[:0] = [str((_tests / home).resolve()) for home in _homes]
    for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[_name] = "1"

import campaign_runs as runs
import driver_bench
import numpy as np
from campaign_drivers import DRIVERS, Bench, exact_session, random_case, whole_bench
from made_archive import MASS_KG, unit_of, write_table, write_take
from program import freeair, succeed

from fit.given import in_python
from fit.joint import fit_driver
from meas.errors import Refused

WHOLE, RANDOM, SEED = 2, 26, 20
"""Benches of each of the twelve drivers, random cases, and the seed of both."""
_STAMPS = re.compile(r"_[0-9]{8}-[0-9]{6}(-[0-9]+)?|(?<=bench-)[0-9a-f]{4}\b")
"""What a clock or chance puts into names: the times of takes, the identity of a rig."""


def of_demo(folder: Path) -> Iterator[tuple[str, object]]:
    """Every number in the JSON files and curves that the demo writes."""
    succeed("demo", "--out", folder, timeout=600)
    for file in sorted(folder.rglob("*.json")):
        yield file.relative_to(folder).as_posix(), _numbers(json.loads(file.read_text("utf-8")))
    for file in sorted(folder.rglob("impedance.csv")):
        lines = file.read_text("utf-8").splitlines()
        yield f"curve of {file.parent.name}", [line for line in lines if line[:1] != "#"]


def of_archive(folder: Path) -> Iterator[tuple[str, object]]:
    """Six units of takes and tables with and without a mass, refitted by the command."""
    for number in range(4):
        unit = unit_of(driver_bench.WOOFER, number)
        for part, mass in enumerate((0.0, 0.0, MASS_KG)):
            write_take(folder, f"lantern-{number}", unit, 3 * number + part, mass=mass,
                       hours=number * 0.5 + part * 0.1)  # fmt: skip
    for number in (7, 8):
        write_table(folder / f"spark-{number}.csv", unit_of(driver_bench.WOOFER, number), number)
    said = freeair("refit", folder, "--diameter", "lantern-*=118mm", "--workers", "2", "--json",
                   timeout=600)  # fmt: skip
    assert said.returncode in (0, 1), said.stderr
    lines = [json.loads(line) for line in said.stdout.splitlines()]
    lines = [line for line in lines if "parameters" in line or "refused" in line]
    for line in sorted(lines, key=lambda line: json.dumps(line, sort_keys=True)):
        yield f"refit {line.get('unit')}", _numbers(line)


def of_drawn_drivers() -> Iterator[tuple[str, object]]:
    """Whole benches of the twelve drivers, and single takes of random ones."""
    for place, driver in enumerate(DRIVERS):
        for number in range(WHOLE):
            rng = runs.rng_of(SEED, place, number)
            yield f"{driver.name} {number}", _fitted(*whole_bench(driver, rng, 1e-4))
    for number in range(RANDOM):
        rng = runs.rng_of(SEED, 100, number)
        case = random_case(rng)
        take = Bench(case.noise).take(case.driver, rng, f=case.f)
        yield f"random {number}", _fitted([in_python.in_free_air(take)], exact_session())


def _fitted(curves, session) -> object:
    try:
        fit = fit_driver(curves, session)
    except Refused as refused:
        return [reason.code for reason in refused.reasons]
    return [
        fit.model,
        [finding.code for finding in fit.warnings],
        {name: _estimate(one) for name, one in sorted(fit.parameters.items())},
    ]


def _estimate(one) -> object:
    shares = sorted((name, _numbers(float(part))) for name, part in one.contributions.items())
    numbers = [one.value, one.standard_uncertainty, *one.interval_95]
    return [*map(_numbers, map(float, numbers)), shares]


def _numbers(value: object) -> object:
    """The same with numbers in hexadecimal, and without what a clock or a folder says."""
    if isinstance(value, float | np.floating):
        return float(value).hex()
    if isinstance(value, dict):
        passing = {"taken_at", "time", "software", "version", "path", "file", "source", "text",
                   "what", "ground", "next_step",
                   "folder", "created", "models", "seconds", "name", "identity", "key"}  # fmt: skip
        return {key: _numbers(one) for key, one in value.items() if key not in passing}
    if isinstance(value, list):
        return [_numbers(one) for one in value]
    return value


def _holds(before: object, now: object) -> bool:
    """Whether every figure from before is there as it was; a new key beside it is no difference."""
    if isinstance(before, dict) and isinstance(now, dict):
        return all(key in now and _holds(one, now[key]) for key, one in before.items())
    if isinstance(before, list) and isinstance(now, list):
        return len(before) == len(now) and all(map(_holds, before, now))
    return before == now


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    kept = parser.add_mutually_exclusive_group(required=True)
    kept.add_argument("--save", type=Path, help="file to keep the figures in")
    kept.add_argument("--against", type=Path, help="figures to compare with")
    asked = parser.parse_args()
    found: dict[str, object] = {}
    with tempfile.TemporaryDirectory() as folder:
        for part in (
            of_demo(Path(folder, "demo")),
            of_archive(Path(folder, "archive")),
            of_drawn_drivers(),
        ):
            for name, figures in part:
                plain = _STAMPS.sub("", json.dumps([name, figures]))
                name, figures = json.loads(plain.replace(folder, ""))
                while name in found:
                    name += "'"
                found[name] = figures
                print(f"\r{len(found)}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    if asked.save:
        asked.save.write_text(json.dumps(found), encoding="utf-8")
        print(f"{len(found)} sets of figures kept in {asked.save}")
        return
    before = json.loads(asked.against.read_text(encoding="utf-8"))
    differing = [
        name for name in {**before, **found} if not _holds(before.get(name), found.get(name))
    ]
    for name in differing:
        print(f"differs: {name}")
    print(f"{len(found)} sets of figures, {len(differing)} differ")
    sys.exit(bool(differing))


if __name__ == "__main__":
    main()

"""How long fits of drawn benches take, the slowest among them. A script, not a test.

    python tests/benchmarks/benchmark_drawn.py --benches 200 --save before.json
    python tests/benchmarks/benchmark_drawn.py --benches 200 --against before.json

prints the distribution of processor time over drawn benches: every other one a whole session
(free air, mass, box; 400 points) of one of the twelve drivers of the campaigns, the others a
single take of a random driver. Against saved figures of other sources it says how many times as
fast the slowest tenth is, which models differ, and the greatest change of a value in standard
uncertainties. Both runs belong on one machine, one after the other; seconds belong to the machine.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

if __name__ == "__main__":
    _tests = Path(__file__).resolve().parents[1]
    sys.path[:0] = [str(_tests.parent), str(_tests / "campaigns")]

import campaign_drivers as drawn
import numpy as np

from fit.given import in_python
from fit.joint import fit_driver
from meas.errors import Refused

SEED = 2026
Figures = Mapping[str, Sequence]
"""Number of each bench to seconds, model (or reasons) and symbol to value and uncertainty."""


def takes(number: int):
    """Curves and session of a bench."""
    rng = np.random.default_rng([SEED, number])
    case = drawn.random_case(rng)
    if number % 2:
        take = drawn.Bench(case.noise).take(case.driver, rng, f=case.f)
        return [in_python.in_free_air(take)], drawn.exact_session()
    driver = drawn.DRIVERS[number // 2 % len(drawn.DRIVERS)]
    return drawn.whole_bench(driver, rng, case.noise)


def fitted(number: int) -> tuple[float, str, dict[str, tuple[float, float]]]:
    """Seconds, model and values of a bench."""
    curves, session = takes(number)
    begin = time.process_time()
    try:
        fit = fit_driver(curves, session)
    except Refused as refused:
        return time.process_time() - begin, " ".join(r.code for r in refused.reasons), {}
    spent = time.process_time() - begin
    values = {name: (p.value, p.standard_uncertainty) for name, p in fit.parameters.items()}
    return spent, fit.model, values


def slowest_tenth(seconds: Sequence[float]) -> float:
    """Mean of the slowest tenth [s]."""
    return float(np.mean(np.sort(seconds)[-max(1, len(seconds) // 10) :]))


def compare(before: Figures, now: Figures) -> None:
    """Print what changed between two sources."""
    both = [number for number in now if number in before]
    was, is_ = ([figures[n][0] for n in both] for figures in (before, now))
    print(f"slowest tenth {slowest_tenth(was) / slowest_tenth(is_):.2f} times as fast")
    other = [n for n in both if before[n][1] != now[n][1]]
    print(f"{len(other)} of {len(both)} benches with another model {' '.join(other)}".rstrip())
    changes = [
        abs(value - before[n][2][name][0]) / min(size, before[n][2][name][1])
        for n in both
        if n not in other
        for name, (value, size) in now[n][2].items()
        if name in before[n][2] and size > 0
    ]
    print(f"greatest change of a value: {max(changes, default=0.0):.2g} standard uncertainties")


def main(argv: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--save", type=Path, help="file to keep the figures in")
    parser.add_argument("--against", type=Path, help="figures to compare with")
    asked = parser.parse_args(argv)
    drawn.POINTS = 400
    for number in range(2):
        fitted(number)  # loads what is loaded at first use
    found: Figures = {str(number): fitted(number) for number in range(asked.benches)}
    seconds = [figures[0] for figures in found.values()]
    for words, share in (("half below", 0.5), ("nine tenths below", 0.9), ("slowest", 1.0)):
        print(f"{words:30s} {np.quantile(seconds, share):8.3f} s")
    print(f"{'mean of the slowest tenth':30s} {slowest_tenth(seconds):8.3f} s")
    if asked.save:
        asked.save.write_text(json.dumps(found), encoding="utf-8")
    if asked.against:
        compare(json.loads(asked.against.read_text(encoding="utf-8")), found)


if __name__ == "__main__":
    main()

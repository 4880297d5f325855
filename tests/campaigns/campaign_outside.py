"""Do intervals hold the truth of drivers that no model describes? A script, not a test.

    python tests/campaigns/campaign_outside.py --draws 100 --jobs 2 --part drawn --out drawn.csv
    python tests/campaigns/campaign_outside.py --draws 200 --jobs 2 --part repeated --out
    repeated.csv

Whole benches (`campaign_drivers.whole_bench`) in both parts.

drawn: every bench another driver, of four kinds of what no model of ours is. What a model misses of
one driver is the same in each of its benches, so that only many drivers tell whether intervals own
up to it.

repeated: eight drivers, many benches of each: whether an error that the model makes is stated for a
driver at hand.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

if __name__ == "__main__":
    _tests = Path(__file__).resolve().parents[1]
    _homes = (".", "..", "support", "support/running", "campaigns")
    sys.path[:0] = [str((_tests / home).resolve()) for home in _homes]

from dataclasses import replace

import campaign_coverage as coverage
import campaign_runs as runs
import numpy as np
from campaign_drivers import DRIVERS, KILOHERTZ, Driver

BASES = DRIVERS[:-1]
"""All but the tweeter, whose band holds too little above its resonance to tell coils apart."""
KINDS = ("two power laws", "six inductors", "panel", "hysteresis")


def drawn_driver(kind: str, rng: np.random.Generator) -> Driver:
    """A driver of what is not in the family, as bad as a home-built one may be.

    Coils have the impedance of their base at 1 kHz; the flatter of two power laws is at least that
    of eddy currents in thick iron, 0.5 (J. Vanderkooy, J. Audio Eng. Soc. 37(3), 1989). A panel
    resonates with 1 to 8 % of the moving mass, two to eight times above fs; a suspension loses 3 to
    20 % of its force to hysteresis.
    """
    base = replace(BASES[int(rng.integers(len(BASES)))], law=("", ()))
    size = abs(complex(base.coil_impedance(np.array([1j * KILOHERTZ]))[0]))
    if kind == "two power laws":
        part = rng.uniform(0.2, 0.8) * size
        laws = (part, rng.uniform(0.5, 0.7), size - part, rng.uniform(0.75, 1.0))
        return replace(base, coil=("laws", tuple(map(float, laws))))
    if kind == "six inductors":
        first, *others = rng.dirichlet(np.ones(6)) * 1.3 * size / KILOHERTZ
        corners = np.sort(np.exp(rng.uniform(np.log(3 * base.fs), np.log(60e3), 5)))
        sections = [x for L, f in zip(others, corners, strict=True) for x in (L, L * 2 * np.pi * f)]
        return replace(base, coil=("ladder6", tuple(map(float, (first, *sections)))))
    if kind == "panel":
        panel = (rng.uniform(0.01, 0.08), rng.uniform(2, 8), rng.uniform(3, 15))
        return replace(base, law=("bump", tuple(map(float, panel))))
    return replace(base, law=("hysteretic", (float(rng.uniform(0.03, 0.2)),)))


def drawn_benches(place: int, seed: int, first: int, last: int) -> list:
    """One bench of each of several drivers, as `campaign_coverage.draw` tells of it."""
    found = []
    for number in range(first, last):
        key = (seed, 300 + place, number)
        driver = drawn_driver(KINDS[place], runs.rng_of(*key, 0))
        found.append(coverage.draw(driver, (*key, 1), coverage.NOISE))
    return found


def drawn(draws: int, seed: int, jobs: int) -> tuple[list[dict], dict[str, Counter]]:
    """Rows and models by kind, in the sense of `campaign_coverage.campaign`."""
    cases = [(place, seed) for place in range(len(KINDS))]
    done = runs.in_blocks(drawn_benches, cases, draws, jobs)
    rows, said = [], {}
    for kind, mine in zip(KINDS, done, strict=True):
        rows += coverage.judge(kind, mine)
        said[kind] = Counter(word for _, word in mine)
    return rows, said


def repeated_drivers() -> dict[int, Driver]:
    """Two bases of the four kinds."""
    kinds = {
        "two power laws": {"coil": ("laws", (2.0, 0.55, 1.5, 0.9))},
        "six inductors": {"coil": ("ladder6", (
            0.08e-3, 0.9e-3, 0.7, 0.5e-3, 1.6, 0.3e-3, 4.5, 0.18e-3, 12.0, 0.1e-3, 40.0,
        ))},
        "panel 5 % at 4 fs": {"law": ("bump", (0.05, 4.0, 8.0))},
        "hysteresis": {"law": ("hysteretic", (0.15,))},
    }  # fmt: skip
    found = {}
    for base in (3, 5):
        for kind, change in kinds.items():
            driver = replace(DRIVERS[base], law=("", ()))
            name = f"{driver.name}, {kind}"
            found[200 + len(found)] = replace(driver, name=name, **change)
    return found


def main() -> None:
    parser = runs.arguments(__doc__, 100, "benches of each kind or driver")
    parser.add_argument("--part", choices=["drawn", "repeated"], default="drawn")
    told = parser.parse_args()
    runs.kept = told.keep
    watch = runs.Watch(told.jobs)
    if told.part == "drawn":
        rows, said = drawn(told.draws, told.seed, told.jobs)
    else:
        rows, said = coverage.campaign(told.draws, told.seed, told.jobs, repeated_drivers())
    runs.write(told.out, rows)
    print(f"## Outside the family, {told.part}, {told.draws} each, seed {told.seed}, {watch}\n")
    print(coverage.report(rows, said))


if __name__ == "__main__":
    main()

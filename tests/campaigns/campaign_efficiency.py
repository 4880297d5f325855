"""Scatter of simulated takes against the Cramer-Rao bound. A script, not a test.

    python tests/campaigns/campaign_efficiency.py --draws 1000 --jobs 2 --out efficiency.csv

Twelve drivers, each `--draws` times: one take in free air, and free air with mass and box. Noise
and drift between takes are the only errors; masses, volumes and air are exact. The bound is that
of the generating model at the truth (`campaign_bound`). Each is fitted twice, with the model
chosen by the program and with the generating model given, which parts the cost of choosing from
that of estimating. Demanded: scatter at most 1.1 of the bound, bias at most 0.1 + 3/sqrt(N) of
the scatter. A standard deviation from N draws has itself a relative one of 1/sqrt(2 N), 2.2 % for
1,000: the column `sure` says which ratios lie above 1.1 by more than two of these.
"""

from __future__ import annotations

import sys
from pathlib import Path

if __name__ == "__main__":
    _tests = Path(__file__).resolve().parents[1]
    _homes = (".", "..", "support", "support/running", "campaigns")
    sys.path[:0] = [str((_tests / home).resolve()) for home in _homes]

import campaign_runs as runs
import numpy as np
from campaign_bound import ALL, FREE, bound
from campaign_drivers import DRIVERS, Bench, exact_session, exact_takes

from fit.given import in_python
from fit.joint import fit_driver
from meas.errors import Refused

NOISE = 1e-4
"""Of the ratio of voltages in each component of a point: 80 dB below the source."""
LIMIT = 1.1


def draw(place: int, seed: int, number: int, loaded: bool, model: str, noise: float):
    """One simulated session: log errors of the estimates, stated uncertainties, model; or why
    it was refused."""
    driver = DRIVERS[place]
    rng = runs.rng_of(seed, place, number)
    if loaded:
        curves = exact_takes(driver, rng, noise)
    else:
        curves = [in_python.in_free_air(Bench(noise).take(driver, rng))]
    names, truth = (ALL if loaded else FREE), driver.truth
    try:
        fit = fit_driver(curves, exact_session(), driver.model if model == "given" else "auto")
    except Refused as refused:
        return None, None, refused.reasons[0].code
    withheld = [name for name in names if name not in fit.parameters]
    if withheld:
        return None, None, f"without {' '.join(withheld)}"
    found = [fit.parameters[name] for name in names]
    error = [np.log(e.value / truth[n]) for n, e in zip(names, found, strict=True)]
    stated = [e.standard_uncertainty / e.value for e in found]
    return error, stated, fit.model


def block(place, seed, loaded, model, noise, first, last):
    return [draw(place, seed, number, loaded, model, noise) for number in range(first, last)]


def judge(place: int, loaded: bool, model: str, draws: list, noise: float) -> list[dict]:
    """A row for every parameter of one driver."""
    driver = DRIVERS[place]
    names = ALL if loaded else FREE
    least = bound(driver, noise, loaded=loaded)
    good = [d for d in draws if d[0] is not None]
    errors, stated = np.array([d[0] for d in good]), np.array([d[1] for d in good])
    refused = len(draws) - len(good)
    right = sum(d[2] == driver.model for d in good)
    rows = []
    for column, name in enumerate(names):
        e = errors[:, column]
        scatter, n = float(np.std(e, ddof=1)), e.size
        ratio = scatter / least[name]
        # What a few stray draws do to a standard deviation, a quantile does not see.
        core = float(np.subtract(*np.quantile(e, [0.75, 0.25])) / 1.349) / least[name]
        bias = float(np.mean(e)) / scatter
        rows.append({
            "driver": driver.name, "takes": "mass and box" if loaded else "free air",
            "model": model, "generating": driver.model, "parameter": name, "draws": n,
            "refused": refused, "model right": right, "bound": least[name], "scatter": scatter,
            "ratio": ratio, "core ratio": core,
            "stated over scatter": float(np.sqrt(np.mean(stated[:, column] ** 2))) / scatter,
            "bias": bias, "bias limit": 0.1 + 3 / np.sqrt(n),
            "good": ratio <= LIMIT and abs(bias) <= 0.1 + 3 / np.sqrt(n),
            "sure": ratio > LIMIT * (1 + 2 / np.sqrt(2 * n)) or abs(bias) > 0.1 + 3 / np.sqrt(n),
        })  # fmt: skip
    return rows


def campaign(draws: int, seed: int, jobs: int, places, forms, models, noise=NOISE) -> list[dict]:
    cases = [(p, loaded, model) for p in places for loaded in forms for model in models]
    asked = [(place, seed, loaded, model, noise) for place, loaded, model in cases]
    done = runs.in_blocks(block, asked, draws, jobs)
    return [
        row for case, found in zip(cases, done, strict=True) for row in judge(*case, found, noise)
    ]


def main() -> None:
    parser = runs.arguments(__doc__, 1000, "takes for each driver")
    parser.add_argument("--driver", type=int, action="append", help="place of a driver, from 0")
    parser.add_argument("--only", choices=["free", "loaded"])
    parser.add_argument("--model", choices=["auto", "given"])
    parser.add_argument("--noise", type=float, default=NOISE)
    told = parser.parse_args()
    runs.kept = told.keep
    watch = runs.Watch(told.jobs)
    forms = {"free": [False], "loaded": [True], None: [False, True]}[told.only]
    models = [told.model] if told.model else ["auto", "given"]
    places = told.driver if told.driver is not None else range(len(DRIVERS))
    rows = campaign(told.draws, told.seed, told.jobs, places, forms, models, told.noise)
    runs.write(told.out, rows)
    print(f"## Efficiency, {told.draws} draws, seed {told.seed}, {watch}\n")
    table = []
    for key in dict.fromkeys((r["driver"], r["takes"], r["model"]) for r in rows):
        mine = [r for r in rows if (r["driver"], r["takes"], r["model"]) == key]
        worst = max(mine, key=lambda r: r["ratio"])
        core = max(mine, key=lambda r: r["core ratio"])
        biased = max(mine, key=lambda r: abs(r["bias"]))
        table.append((
            *key, mine[0]["refused"], f"{mine[0]['model right']}/{worst['draws']}",
            f"{worst['ratio']:.2f} {worst['parameter']}",
            f"{core['core ratio']:.2f} {core['parameter']}",
            f"{biased['bias']:+.2f} {biased['parameter']}",
            "yes" if all(r["good"] for r in mine) else
            "no" if any(r["sure"] for r in mine) else "open",
        ))  # fmt: skip
    head = ("driver", "takes", "model", "refused", "model right", "worst ratio", "worst core ratio",
            "worst bias/scatter", "within")  # fmt: skip
    print(runs.markdown(head, table))
    good = sum(r["good"] for r in rows)
    print(f"\n{good} of {len(rows)} within; limit {LIMIT} and 0.1 + 3/sqrt(N).")


if __name__ == "__main__":
    main()

"""Is the true model chosen, and are a creeping driver's masses right? A script, not a test.

    python tests/campaigns/campaign_choice.py --draws 100 --jobs 2 --part choice --out choice.csv
    python tests/campaigns/campaign_choice.py --draws 100 --jobs 2 --part drift --out drift.csv

choice: one take in free air of each of the twelve drivers. Every model that does not contain the
generating one is fitted to the curve without noise under the variances of the noise; the least
chi-square of these rivals is the expected gain. It goes with one over the square of the noise, so
that the noise is set to make it 1, 8, 25, 40, 100. From 25 on the true model is to be chosen in 95
of 100; at 1 a simpler one. Models that contain the true one gain what their parameters gain from
noise, and are wrong to be chosen too.

drift: creep of 0.1 and a compliance that drifts by 2 % between takes; Mms, Bl and Vas against the
truth.
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

import campaign_runs as runs
import numpy as np
from campaign_drivers import DRIVERS, Bench, Driver, exact_session, exact_takes
from scipy.optimize import least_squares, nnls

from fit.driver.coils.coil import CoilModel
from fit.driver.mechanics import IDEAL, Mechanics
from fit.driver.models import CANDIDATES, COILS
from fit.given import in_python
from fit.joint import fit_driver
from fit.problem.joint_problem import Problem
from meas.curve import ImpedanceCurve
from meas.errors import Refused

GAINS = (1.0, 8.0, 25.0, 40.0, 100.0)
NOISE = 1e-5
LOUDEST = 3e-3
"""Noise beyond which a take is not one of a sound card any more: no expected gain is made smaller
than it is there."""
STARTS = 4

CONTAINS = {
    "plain": {"plain", "lossy", "ladder", "empirical", "ladder3", "ladder4"},
    "lossy": {"lossy", "empirical"},
    "ladder": {"ladder", "ladder3", "ladder4"},
    "ladder3": {"ladder3", "ladder4"},
    "ladder4": {"ladder4"},
    "empirical": {"empirical"},
}
"""Coil to the coils that can do the same, in a limit of their parameters."""
ONE_CIRCUIT = {"+relaxing", "+former"}
"""Told apart only by where the corner lies (`fit.driver.laws.law.BORDER`)."""


def contains(other: tuple[str, str], true: tuple[str, str]) -> bool:
    coil, law = other
    same_law = true[1] in ("", law) or {true[1], law} == ONE_CIRCUIT
    return coil in CONTAINS[true[0]] and same_law


def fitted_without_noise(driver: Driver, take, coil: CoilModel, mechanics: Mechanics) -> float:
    """Least chi-square of a model under the variances of the noise."""
    problem = Problem([take], exact_session(), coil, mechanics)
    curve = take.curve
    problem.variance = [curve.standard_uncertainty_ohm**2]
    rows = 2 * curve.frequency_hz.size
    s = 2j * np.pi * curve.frequency_hz
    blocked = driver.coil_impedance(s)
    starts = []
    for shape in coil.shapes:
        basis = coil.basis(s, shape) / curve.standard_uncertainty_ohm[:, None]
        target = blocked / curve.standard_uncertainty_ohm
        found, left = nnls(
            np.vstack([basis.real, basis.imag]), np.concatenate([target.real, target.imag])
        )
        starts.append((left, coil.start(shape, found)))
    starts = sorted(starts, key=lambda pair: pair[0])[:STARTS]
    truth = driver.truth
    w0 = 2 * np.pi * truth["fs"]
    strength, loss = w0 * driver.Re / truth["Qes"], w0 / truth["Qms"]
    best = np.inf
    for _, internal in starts:
        for law in mechanics.starts:
            theta = np.zeros(problem.size)
            theta[:4] = np.log([driver.Re, strength, w0, loss])
            theta[problem.driver.coil_columns] = internal
            theta[problem.driver.law_columns] = law
            with np.errstate(all="ignore"):
                found = least_squares(
                    problem.residual, theta, problem.jacobian, method="lm", x_scale="jac",
                    max_nfev=300,
                )  # fmt: skip
            best = min(best, float(np.sum(problem.residual(found.x)[:rows] ** 2)))
    return best


def expected_gain(driver: Driver) -> tuple[float, str]:
    """Chi-square of the best model that does not contain the true one, at `NOISE`, and its name."""
    f = driver.band
    z = driver.impedance(f)
    take = in_python.in_free_air(ImpedanceCurve(f, z, Bench(NOISE).sigma(z)))
    coil, _, law = driver.model.partition("+")
    true = (coil, f"+{law}" if law else "")
    found = {
        other.name + laws.name: fitted_without_noise(driver, take, other, laws)
        for other in COILS
        for laws in (IDEAL, *CANDIDATES)
        if not contains((other.name, laws.name), true)
    }
    if not found:
        return np.inf, "none"
    best = min(found, key=lambda name: found[name])
    return found[best], best


def size(model: str) -> int:
    coil, plus, law = model.partition("+")
    of_law = next(m.size for m in (IDEAL, *CANDIDATES) if m.name == plus + law)
    return next(m.size for m in COILS if m.name == coil) + of_law


def choices(place: int, seed: int, noise: float, first: int, last: int) -> list[str]:
    found = []
    for number in range(first, last):
        rng = runs.rng_of(seed, place, number)
        take = in_python.in_free_air(Bench(noise).take(DRIVERS[place], rng))
        try:
            found.append(fit_driver([take], exact_session()).model)
        except Refused as refused:
            found.append(f"refused {refused.reasons[0].code}")
    return found


def choice(draws: int, seed: int, jobs: int, places, gains=GAINS) -> list[dict]:
    at_noise = runs.run(expected_gain, [(DRIVERS[p],) for p in places], jobs)
    cases = []
    for place, (gain, rival) in zip(places, at_noise, strict=True):
        if not np.isfinite(gain):
            cases.append((place, gain, rival, 1e-4))
            continue
        loudest = gain * (NOISE / LOUDEST) ** 2
        for wanted in sorted({max(wanted, loudest) for wanted in gains}):
            cases.append((place, wanted, rival, float(NOISE * np.sqrt(gain / wanted))))
    asked = [(place, seed, noise) for place, _, _, noise in cases]
    done = runs.in_blocks(choices, asked, draws, jobs)
    rows = []
    for (place, gain, rival, noise), models in zip(cases, done, strict=True):
        driver = DRIVERS[place]
        mine = Counter(models)
        own = size(driver.model)
        simpler = sum(n for m, n in mine.items() if not m.startswith("refused") and size(m) < own)
        rows.append({
            "driver": driver.name, "generating": driver.model, "best rival": rival,
            "expected gain": gain, "noise_db": -20 * np.log10(noise), "draws": draws,
            "true": mine[driver.model], "simpler": simpler,
            "other": draws - simpler - mine[driver.model],
            "chosen": ", ".join(f"{m} {n}" for m, n in mine.most_common()),
        })  # fmt: skip
    return rows


CREEPING = tuple(
    replace(DRIVERS[place], name=f"{DRIVERS[place].name}, creep 0.1", law=("creep", (0.1,)))
    for place in (1, 2, 5, 7)
)


def drifting(place: int, seed: int, noise: float, first: int, last: int) -> list:
    driver = CREEPING[place]
    found = []
    for number in range(first, last):
        takes = exact_takes(driver, runs.rng_of(seed, 100 + place, number), noise)
        fit = fit_driver(takes, exact_session())
        estimates = [fit.parameters[name] for name in ("Mms", "Bl", "Vas")]
        truth = [driver.truth[name] for name in ("Mms", "Bl", "Vas")]
        error = [np.log(e.value / t) for e, t in zip(estimates, truth, strict=True)]
        inside = [
            e.interval_95[0] <= t <= e.interval_95[1] for e, t in zip(estimates, truth, strict=True)
        ]
        found.append((error, inside, fit.model))
    return found


def drift(draws: int, seed: int, jobs: int, noise: float = 1e-4) -> list[dict]:
    cases = [(place, seed, noise) for place in range(len(CREEPING))]
    done = runs.in_blocks(drifting, cases, draws, jobs)
    rows = []
    for driver, mine in zip(CREEPING, done, strict=True):
        errors, inside = np.array([m[0] for m in mine]), np.array([m[1] for m in mine])
        models = Counter(m[2] for m in mine)
        for column, name in enumerate(("Mms", "Bl", "Vas")):
            e = errors[:, column]
            rows.append({
                "driver": driver.name, "parameter": name, "draws": len(mine),
                "mean %": 100 * float(np.mean(e)), "rms %": 100 * float(np.sqrt(np.mean(e**2))),
                "worst %": 100 * float(e[np.argmax(np.abs(e))]),
                "covered": float(np.mean(inside[:, column])),
                "models": ", ".join(f"{m} {n}" for m, n in models.most_common()),
            })  # fmt: skip
    return rows


def main() -> None:
    parser = runs.arguments(__doc__, 100, "draws of each case")
    parser.add_argument("--part", choices=["choice", "drift"], default="choice")
    parser.add_argument("--driver", type=int, action="append", help="place of a driver, from 0")
    parser.add_argument("--gain", type=float, action="append", help="expected gain")
    told = parser.parse_args()
    runs.kept = told.keep
    watch = runs.Watch(told.jobs)
    title = f"{told.draws} draws, seed {told.seed}"
    places = told.driver if told.driver is not None else list(range(len(DRIVERS)))
    if told.part == "choice":
        rows = choice(told.draws, told.seed, told.jobs, places, told.gain or GAINS)
        print(f"## Choice of the model, {title}, {watch}\n")
    else:
        rows = drift(told.draws, told.seed, told.jobs)
        print(f"## Creep 0.1 and drift 2 %, {title}, {watch}\n")
    runs.write(told.out, rows)
    print(runs.markdown(list(rows[0]), (row.values() for row in rows)))


if __name__ == "__main__":
    main()

"""Is the best fit found from the curve alone? Random drivers. A script, not a test.

    python tests/campaigns/campaign_start.py --draws 2000 --jobs 2 --out start.csv

One take in free air of each random driver (`campaign_drivers.random_case`). The data identify a
driver where its resonance is inside the band and the Cramer-Rao bound of fs, Qms and Qes below
2 %; a resonance outside the band is always refused, however well a flank tells it. The reference
is the optimum that scipy's least squares reaches from the truth, in the elements of the driver and
with derivatives by differences. A fit by the generating model reaches it if its chi-square under
the same noise is higher by less than 0.5: one parameter off by one standard deviation costs 1, and
another optimum tens and more. A fit that is refused, or whose numbers are withheld, because they
are too uncertain where it ended, counts by where it ended. Where the chosen model is another,
chi-square may be higher by what its fewer parameters would have gained.

Every fit that is not refused is held against the truth: `covered` where fs, Qms and Qes lie within
4.5 stated standard uncertainties (by chance one in 50,000 draws does not), `wrong` otherwise.
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
from campaign_bound import bound
from campaign_drivers import Bench, exact_session, generating, random_case
from scipy.optimize import least_squares

from fit.given import in_python
from fit.joint import chosen, fit_driver
from meas.errors import Refused

NAMES = ("fs", "Qms", "Qes")
IDENTIFIED = 0.02
SAME = 0.5
FAR = 4.5


def reference(case, curve) -> float:
    """Chi-square of the optimum near the truth."""
    start, back = generating(case.driver)
    kept = [k for k in range(start.size) if k not in (4, 5)]

    def residual(p):
        full = start.copy()
        full[kept] = start[kept] + p
        left = (back(full).impedance(case.f) - curve.impedance_ohm) / curve.standard_uncertainty_ohm
        return np.concatenate([left.real, left.imag])

    with np.errstate(all="ignore"):
        found = least_squares(
            residual, np.zeros(len(kept)), jac="3-point", x_scale="jac", method="trf",
            xtol=1e-12, ftol=1e-12, gtol=1e-12, max_nfev=200,
            bounds=(-25.0, 25.0),
        )  # fmt: skip
    return 2 * float(found.cost)


def chi_square(curve, model_ohm) -> float:
    left = np.abs(model_ohm - curve.impedance_ohm) / curve.standard_uncertainty_ohm
    return float(np.sum(left**2))


def excess_before_refusal(takes, driver, model: str, curve) -> float:
    """Chi-square of a fit that was refused: found, and then too uncertain where it was found."""
    settled = chosen(takes, exact_session(), driver.model if model == "given" else "auto").settled
    return chi_square(curve, curve.impedance_ohm + settled.problem.raw(settled.theta, 0))


def draw(seed: int, number: int) -> dict:
    rng = runs.rng_of(seed, number)
    case = random_case(rng)
    driver, truth = case.driver, case.driver.truth
    curve = Bench(case.noise).take(driver, rng, f=case.f)
    try:
        with np.errstate(all="ignore"):
            least = bound(driver, case.noise, loaded=False, f=case.f)
        identified = max(least[name] for name in NAMES) < IDENTIFIED
        # Resonances outside the band are refused as a matter of policy.
        identified = identified and case.f[0] < truth["fs"] < case.f[-1]
    except np.linalg.LinAlgError:
        identified = False
    row: dict = {
        "draw": number, "generating": driver.model, "fs": driver.fs, "Qms": driver.Qms,
        "Qes": driver.Qes, "Re": driver.Re, "Le_1khz": float(
            driver.coil_impedance(np.array([2e3j * np.pi]))[0].imag / (2e3 * np.pi)),
        "f_low": case.f[0], "f_high": case.f[-1], "noise_db": -20 * np.log10(case.noise),
        "identified": identified,
    }  # fmt: skip
    best = reference(case, curve)
    row["chi_square"] = best
    takes = [in_python.in_free_air(curve)]
    for model in ("given", "auto"):
        try:
            fit = fit_driver(takes, exact_session(), driver.model if model == "given" else "auto")
        except Refused as refused:
            row[model] = f"refused {refused.reasons[0].code}"
            row[f"{model} excess"] = excess_before_refusal(takes, driver, model, curve) - best
            continue
        except Exception as error:
            row[model] = f"broke {type(error).__name__}: {error}"
            continue
        if any(name not in fit.parameters for name in NAMES):
            row[model] = "withheld"  # so uncertain that no number is given
            row[f"{model} excess"] = chi_square(curve, fit.curves[0].model_ohm) - best
            continue
        found = {name: fit.parameters[name] for name in NAMES}
        far = {
            name: np.log(e.value / truth[name]) / (e.widening * e.standard_uncertainty / e.value)
            for name, e in found.items()
        }
        worst = max(far, key=lambda name: abs(far[name]))
        inside = [e.interval_95[0] <= truth[n] <= e.interval_95[1] for n, e in found.items()]
        row |= {
            model: "covered" if abs(far[worst]) < FAR else "wrong",
            f"{model} model": fit.model,
            f"{model} excess": chi_square(curve, fit.curves[0].model_ohm) - best,
            f"{model} worst": f"{worst} {far[worst]:+.1f}",
            f"{model} off": float(np.log(found[worst].value / truth[worst])),
            f"{model} inside": sum(inside),
            f"{model} warnings": " ".join(w.code for w in fit.warnings),
        }
    return row


def block(seed: int, first: int, last: int) -> list[dict]:
    return [draw(seed, number) for number in range(first, last)]


def campaign(draws: int, seed: int, jobs: int) -> list[dict]:
    return runs.in_blocks(block, [(seed,)], draws, jobs)[0]


def reached(row: dict) -> bool:
    """Whether the fit with the generating model found the optimum that the truth leads to."""
    return row.get("given excess", np.inf) < SAME


def counts(rows: list[dict], model: str) -> dict[str, int]:
    found: dict[str, int] = {}
    for row in rows:
        word = row[model].split(":")[0]
        found[word] = found.get(word, 0) + 1
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))


def main() -> None:
    told = runs.arguments(__doc__, 2000, "random drivers").parse_args()
    runs.kept = told.keep
    watch = runs.Watch(told.jobs)
    rows = campaign(told.draws, told.seed, told.jobs)
    runs.write(told.out, rows)
    print(f"## Start, {told.draws} random drivers, seed {told.seed}, {watch}\n")
    identified = [r for r in rows if r["identified"]]
    found = [r for r in identified if reached(r)]
    print(
        f"{len(identified)} of {len(rows)} are identified by their data; of these the fit with the "
        f"generating model reaches the optimum found from the truth in {len(found)} "
        f"({len(found) / max(len(identified), 1):.2%}).\n"
    )
    for model in ("given", "auto"):
        for word, some in (
            ("identified", identified),
            ("others", [r for r in rows if not r["identified"]]),
        ):
            said = ", ".join(f"{w} {n}" for w, n in counts(some, model).items())
            fitted = [r for r in some if f"{model} inside" in r]
            share = sum(r[f"{model} inside"] for r in fitted) / max(3 * len(fitted), 1)
            print(f"- model {model}, {word}: {said}; 95 % intervals hold the truth in {share:.1%}")
    odd = [
        r for r in rows
        if "wrong" in (r["given"], r["auto"]) or "broke" in r["given"] + r["auto"]
        or (r["identified"] and not reached(r))
    ]  # fmt: skip
    if odd:
        print("\n### Not reached, or wrong\n")
        columns = ("draw", "identified", "generating", "fs", "Qms", "Qes", "f_low", "f_high",
                   "noise_db", "given", "given excess", "given worst", "auto", "auto model",
                   "auto excess", "auto worst")  # fmt: skip
        print(runs.markdown(columns, ([r.get(c, "") for c in columns] for r in odd)))


if __name__ == "__main__":
    main()

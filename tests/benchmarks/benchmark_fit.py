"""What a fit costs beside the mathematics it needs, and beside others. A script, not a test.

    python tests/benchmarks/benchmark_fit.py

prints, in one run on one machine:

- the joint fit of three takes, model choice included, over the bare cost of the residuals and
  Jacobians it evaluates;
- the same over lmfit with numeric derivatives on the same candidates, each from where the search
  starts it, under the final weights;
- a free-air fit over the equivalent-circuit fit of the library `impedance` on the same data, the
  circuit known and started within a third of the truth;
- what lmfit's solution of the chosen model adds to a fit, and the profiles of ``fit --profile``,
  over the fit;
- 1,000 refits of a parametric bootstrap done together, over loops of single ones.

Ratios matter, seconds belong to the machine.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import replace
from pathlib import Path

if __name__ == "__main__":
    _tests = Path(__file__).resolve().parents[1]
    _homes = (".", "..", "support", "support/running", "campaigns")
    sys.path[:0] = [str((_tests / home).resolve()) for home in _homes]

import driver_bench as bench
import numpy as np

from fit.given.measured import MeasuredCurve, Session
from fit.joint import chosen, fit_driver
from fit.lmfit_front import PROFILED, Solution
from fit.numerics.least_squares import least_squares
from fit.problem.joint_problem import Problem
from fit.problem.settle import Settled
from fit.search.candidates import fitted
from fit.search.choose import Contest
from fit.uncertainty.monte_carlo import draws
from fit.uncertainty.replicates import Replicates, refitted

D = bench.WOOFER
L1, L2, R2 = 0.2e-3, 0.6e-3, 5.0
"""A coil that every program below has in its repertoire [H, H, ohm]."""


def best_of(repeat: int, work: Callable[[], object]) -> float:
    """Least processor time of several runs [s]; the rest is what else the machine did."""
    times = []
    for _ in range(repeat):
        begin = time.process_time()
        work()
        times.append(time.process_time() - begin)
    return min(times)


def takes(points: int) -> tuple[list[MeasuredCurve], Session]:
    """Free air, added mass and test box with the errors of a bench."""
    f = np.geomspace(10, 20e3, points)
    s = 2j * np.pi * f
    coil = s * L1 + s * L2 * R2 / (s * L2 + R2)
    rng = np.random.default_rng(11)
    mass, volume = 0.6 * D.Mms, bench.GAMMA_P * D.Sd**2 * D.Cms

    def curve(**load: float):
        z = replace(D, K=0.0).impedance(f, **load) + coil
        return bench.curve(z, rng, noise=3e-4, frequency=f)

    measured = [
        bench.free("free", curve()),
        bench.loaded("mass", curve(mass=mass), mass),
        bench.boxed("box", curve(volume=volume), volume, 0.02 * volume),
    ]
    return measured, bench.with_area(D.Sd, 3e-4)


def bare_share(curves: Sequence[MeasuredCurve], session: Session) -> tuple[float, float]:
    """Processor time of one fit, and of the residuals and Jacobians evaluated in it [s]."""
    spent = 0.0
    inside = False

    def timed(method: Callable[[Problem, np.ndarray], np.ndarray]):
        def run(self: Problem, theta: np.ndarray) -> np.ndarray:
            nonlocal spent, inside
            if inside:
                return method(self, theta)
            inside, begin = True, time.perf_counter()
            try:
                return method(self, theta)
            finally:
                spent += time.perf_counter() - begin
                inside = False

        return run

    plain = Problem.residual, Problem.jacobian
    Problem.residual, Problem.jacobian = timed(plain[0]), timed(plain[1])  # type: ignore[method-assign]
    try:
        begin = time.perf_counter()
        fit_driver(curves, session)
        whole = time.perf_counter() - begin
    finally:
        Problem.residual, Problem.jacobian = plain  # type: ignore[method-assign]
    return whole, spent


def lmfit_numeric(candidates: Sequence[Settled], repeat: int) -> float:
    """lmfit with numeric derivatives on every candidate, from 5 % beside its solution [s]."""
    import lmfit

    def run(candidate: Settled) -> None:
        problem = candidate.problem
        start = lmfit.Parameters()
        for column, value in enumerate(candidate.theta):
            moved = float(value) + (0.05 if column < 4 else 0.0)
            start.add(f"p{column}", value=moved, vary=column not in problem.shape_errors)
        lmfit.minimize(
            lambda p: problem.residual(np.array([q.value for q in p.values()])),
            start,
            scale_covar=False,
        )

    return best_of(repeat, lambda: [run(candidate) for candidate in candidates])


def circuit_fit(curve: MeasuredCurve, repeat: int) -> float:
    """The library `impedance` on the free-air take, its circuit known [s]."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from impedance.models.circuits import CustomCircuit

    Res, w0 = D.Bl**2 / D.Rms, (D.Mms * D.Cms) ** -0.5
    truth = [D.Re, L1, L2, R2, Res, D.Cms * D.Bl**2, D.Mms / D.Bl**2]
    guess = [value * (1.3 if k % 2 else 1 / 1.3) for k, value in enumerate(truth)]
    f, z = curve.curve.frequency_hz, curve.curve.impedance_ohm

    def run() -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            circuit = CustomCircuit(circuit="R0-L0-p(L1,R1)-p(R2,L2,C2)", initial_guess=guess)
            found = circuit.fit(f, z).parameters_
        if not np.isclose(1 / np.sqrt(found[5] * found[6]), w0, rtol=0.01):
            raise SystemExit("the circuit's fit ended elsewhere")

    return best_of(repeat, run)


def single_refits(settled: Settled, replicates: Replicates, *, numeric: bool) -> float:
    """One refit at a time [s each]: with our steps, or lmfit and numeric derivatives."""
    import lmfit

    problem = settled.problem
    first = problem.rows[len(problem.takes)].first
    count = min(5, replicates.count)

    def run() -> None:
        for r in range(count):
            alone = copy(problem)
            alone.takes = [
                replace(take, data=data[r])
                for take, data in zip(problem.takes, replicates.data, strict=True)
            ]
            stated = replicates.stated[r]

            def residual(theta: np.ndarray, alone=alone, stated=stated) -> np.ndarray:
                rows = alone.residual(theta)
                rows[first : first + stated.size] -= stated
                return rows

            if not numeric:
                least_squares(residual, alone.jacobian, settled.theta, tolerance=1e-8)
                continue
            start = lmfit.Parameters()
            for column, value in enumerate(settled.theta):
                start.add(f"p{column}", float(value), vary=column not in problem.shape_errors)
            lmfit.minimize(
                lambda p, residual=residual: residual(np.array([q.value for q in p.values()])),
                start,
                scale_covar=False,
            )

    return best_of(1, run) / count


def lmfit_share(curves: Sequence[MeasuredCurve], session: Session, repeat: int) -> float:
    """Processor time of lmfit's final solution of the chosen model [s]."""
    fits = iter([fit_driver(curves, session) for _ in range(repeat)])
    return best_of(repeat, lambda: next(fits).lmfit)


def main(argv: Sequence[str] | None = None) -> None:
    """Print all figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeat", type=int, default=3, help="each figure is the best of these")
    parser.add_argument("--points", type=int, default=400)
    parser.add_argument("--refits", type=int, default=1000)
    wanted = parser.parse_args(argv)
    curves, session = takes(wanted.points)
    fit_driver(curves, session)  # loads what is loaded at first use
    ours = best_of(wanted.repeat, lambda: fit_driver(curves, session))
    whole, bare = min(bare_share(curves, session) for _ in range(wanted.repeat))
    candidates = fitted(curves, session, Contest())
    numeric = lmfit_numeric(candidates, 1)
    final = lmfit_share(curves, session, wanted.repeat)
    solution = Solution.of(fit_driver(curves, session))
    profiles = best_of(1, solution.profile)
    alone = best_of(wanted.repeat, lambda: fit_driver(curves[:1], session))
    peer = circuit_fit(curves[0], wanted.repeat)
    settled = chosen(curves, session).settled
    _, replicates = draws(settled, wanted.refits, seed=4)
    together = best_of(1, lambda: refitted(settled.problem, settled.theta, replicates))
    together /= wanted.refits
    one = single_refits(settled, replicates, numeric=False)
    slow = single_refits(settled, replicates, numeric=True)
    head = f"3 takes of {wanted.points} points, {settled.problem.size} parameters"
    names = ", ".join(candidate.problem.driver.name for candidate in candidates)
    figures = [
        (f"joint fit of {head}", ours, "s"),
        ("  over the residuals and Jacobians it evaluates", whole / bare, ""),
        (
            f"  lmfit, numeric derivatives, {len(candidates)} candidates, over it",
            numeric / ours,
            "",
        ),
        ("  lmfit's solution of the chosen model, over it", final / ours, ""),
        (f"  profiles of {len(PROFILED)} values, over it", profiles / ours, ""),
        ("free-air fit, model chosen", alone, "s"),
        ("  library impedance, circuit known, over it", peer / alone, ""),
        (f"bootstrap, each of {wanted.refits} refits", together, "s"),
        ("  one at a time with our steps, over it", one / together, ""),
        ("  one at a time with lmfit, numeric derivatives, over it", slow / together, ""),
    ]
    for words, value, unit in figures:
        print(f"{words:64s} {value:10.4f} {unit}".rstrip())
    print(f"candidates: {names}")


if __name__ == "__main__":
    main()

"""What each refusal is called against what is truly wrong: causes drawn, reasons counted.

Benches come from `world`, which shares no code with what judges them. Each cause is put on a
healthy bench in a size that can happen; of what is refused, the reason that stands first counts.
What is accepted is fitted: it is right, outside its intervals, wrong by more than three half-widths
of them, or refused by the fit.
"""

from __future__ import annotations

import sys
import warnings
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import replace

import campaign_runs as runs
import campaign_world
import numpy as np
from world import bench as benches
from world import card, driver, faults
from world.bench import FREE, Bench
from world.circuit import RATE, Drive

from fit.compare.sitting import of_driver as sitting_of
from fit.given import in_python
from fit.joint import fit_driver
from meas.correction.calibration import join
from meas.curve import ImpedanceCurve
from meas.errors import Refused
from meas.takes.analysis import analyse
from meas.takes.standard import measure_standard

Rng = np.random.Generator
CAUSES: dict[str, tuple[Callable[[Bench, Rng], Bench], frozenset[str]]] = {}
ACCEPTED, WRONG = "accepted", "silently wrong"
BELOW, ABOVE = "no-resonance: below", "no-resonance: above"


def _cause(*names: str):
    def register(put):
        CAUSES[put.__name__.replace("_", " ")] = (put, frozenset(names))
        return put

    return register


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _fault(name: str):
    return lambda bench, rng: faults.CATALOGUE[name].put(bench, rng)


def _other(side: str) -> str:
    return "ground" if side == "hot" else "hot"


@_cause("clipped")
def input_clips(bench, rng):
    return bench.effect(card.clipped(1 - _log(rng, 0.03, 0.3)))


@_cause("faint")
def too_quiet(bench, rng):
    """A hundredth of the level, and noise as if it had been raised again."""
    faint = replace(bench.drive, level=0.01 * bench.drive.level)
    return replace(bench, drive=faint, noise=_log(rng, 2e-4, 2e-3))


@_cause("silent-input")
def input_not_connected(bench, rng):
    which = int(rng.integers(2))

    def dead(x):
        x = x.copy()
        x[:, which] = 0.0
        return x

    return bench.effect(dead)


@_cause("open-driver")
def driver_open(bench, rng):
    return bench.with_state(lead_ohm=_log(rng, 1e6, 1e8))


@_cause("shorted-driver")
def driver_shorted(bench, rng):
    short = _log(rng, 1e-3, 0.05)
    if bench.state.side == "hot":
        return bench.with_state(across_ohm=short)
    return replace(bench.with_state(across_ohm=short), calibrated=False)


@_cause("swapped-inputs")
def inputs_swapped(bench, rng):
    return bench.effect(lambda x: x[:, ::-1])


@_cause("same-signal")
def one_input_twice(bench, rng):
    which = int(rng.integers(2))
    return replace(bench, in_software=(lambda x: x[:, [which, which]],))


@_cause("dropout")
def frames_lost(bench, rng):
    at = int(RATE * (0.65 + 0.8 * float(rng.uniform()) * bench.drive.seconds))
    lost = int(rng.integers(64, 1024))
    return bench.effect(lambda x: np.concatenate([x[:at], x[at + lost :]]))


@_cause("channel-slip", "dropout")
def one_channel_slips(bench, rng):
    at = 0.7 + 0.6 * float(rng.uniform()) * bench.drive.seconds
    return bench.effect(card.slipped(at, int(rng.integers(1, 20))))


@_cause("gain-riding", "not-causal")
def gain_moves(bench, rng):
    return faults.CATALOGUE["creeping-gain"].put(bench, rng)


@_cause("truncated")
def recording_cut(bench, rng):
    end = int(RATE * (0.6 + bench.drive.seconds * float(rng.uniform(0.3, 0.9))))
    return bench.effect(lambda x: x[:end])


@_cause("hum")
def mains_hum(bench, rng):
    mains = float(rng.choice([49.98, 59.99]))
    return bench.effect(card.humming(_log(rng, 0.01, 0.05), mains))


@_cause("nonlinear", "rub", "gain-riding")
def driven_too_far(bench, rng):
    stiff = 1 / bench.driver.C
    change = _log(rng, 0.1, 0.3) * float(rng.choice([-1, 1]))

    def force(x, v):
        return -stiff * x * change * (x / np.max(np.abs(x))) ** 2

    return bench.with_state(force=force)


@_cause("wrong-rate")
def header_of_another_rate(bench, rng):
    return _fault("header-of-another-rate")(bench, rng)


@_cause("not-passive")
def input_inverted(bench, rng):
    return bench.effect(lambda x: x * np.array([1.0, -1.0]))


@_cause("wrong-resistor-side")
def other_side(bench, rng):
    return bench.with_state(side=_other(bench.state.side))


@_cause("wrong-resistor-side")
def other_side_and_sweep_above_the_resonance(bench, rng):
    return other_side(sweep_above_the_resonance(bench, rng), rng)


@_cause(BELOW)
def sweep_above_the_resonance(bench, rng):
    fs = bench.driver.truth["fs"]
    low = fs * _log(rng, 1.3, 4)
    if fs < 80 and rng.random() < 0.5:
        low = float(rng.choice([100.0, 200.0]))
    return replace(bench, drive=replace(bench.drive, low_hz=low))


@_cause(ABOVE)
def sweep_below_the_resonance(bench, rng):
    fs = bench.driver.truth["fs"]
    drive = Drive(max(fs / 8, 8.0), fs * float(rng.uniform(0.4, 0.75)), bench.drive.seconds)
    return replace(bench, drive=drive)


@_cause("no-resonance: none")
def coil_blocked(bench, rng):
    return bench.with_state(driver=replace(bench.driver, Bl=1e-4))


@_cause("no-resonance: none")
def resistor_in_its_place(bench, rng):
    ohm = float(rng.choice([3.9, 8.2, 22.0]))
    bare = replace(bench.driver, Re=ohm, Bl=1e-4, L=2e-6, sections=(), power=(0.0, 0.7))
    return bench.with_state(driver=bare)


@_cause("two-resonances")
def vented_box(bench, rng):
    unit = bench.driver
    m3 = unit.truth["Vas"] * _log(rng, 0.5, 2)
    opening = driver.vent(m3, unit.truth["fs"] * float(rng.uniform(0.7, 1.2)), 10)
    return bench.with_state(moved=(driver.chamber(unit.Sd, m3, opening),))


def told(bench: Bench, rng: Rng) -> str:
    """The reason that stands first; of an accepted take what its fit is worth."""
    said = replace(bench, state=replace(bench.state, side=bench.faults[0]))
    rig, calibration = campaign_world._rig(said), None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            if bench.calibrated:
                heard = bench.calibration(rng)
                standard = measure_standard(
                    heard, bench.rate_told, rig, "default", campaign_world._THEN
                )
                calibration, _ = join(rig, standard)
            found = analyse(bench.take(FREE, rng), bench.rate_told, rig, calibration=calibration)
        except Refused as refused:
            return refused.reasons[0].code
        reasons = [finding for finding in found.findings if finding.refuses]
        if not reasons:
            assert found.curve is not None
            return f"{ACCEPTED}: {worth(bench, found.curve)}"
    first = reasons[0]
    if first.code != "no-resonance":
        return first.code
    place = next((at for at in ("below", "above") if f"lies {at}" in first.text), "none")
    return f"no-resonance: {place}"


def worth(bench: Bench, curve: ImpedanceCurve) -> str:
    """What a fit makes of an accepted curve, and by how many half-widths the worst is off."""
    try:
        fit = fit_driver([in_python.in_free_air(curve)], campaign_world._session(bench))
        fit = sitting_of(fit, "magnet-down")
    except Refused as refused:
        return f"fit refuses, {refused.reasons[0].code}"
    truth = bench.driver.truth
    away = {
        name: abs(campaign_world._distance(fit.parameters[name], truth[name], False))
        for name in campaign_world.JUDGED
        if name in fit.parameters
    }
    worst = max(away, key=lambda name: away[name])
    if away[worst] <= 1:
        return "right"
    error = 100 * (fit.parameters[worst].value / truth[worst] - 1)
    size = f"{worst} by {error:+.2g} %, {away[worst]:.1f} half-widths"
    return f"{'outside' if away[worst] <= 3 else WRONG}, {size}"


def one(seed: int, cause: str, index: int) -> str:
    rng = runs.rng_of(seed, list(CAUSES).index(cause) if cause in CAUSES else len(CAUSES), index)
    bench = benches.healthy(rng, calibrated=bool(rng.random() < 0.5), loaded=False)
    side = bench.state.side
    if cause in CAUSES:
        bench = CAUSES[cause][0](bench, rng)
    return told(replace(bench, faults=(side,)), rng)


def block(seed: int, cause: str, first: int, last: int) -> list[str]:
    return [one(seed, cause, index) for index in range(first, last)]


def matrix(seed: int, healthy: int, each: int, jobs: int) -> dict[str, Counter[str]]:
    """Reasons that stand first, by cause; healthy benches last."""
    cases = [(seed, cause) for cause in CAUSES]
    table: dict[str, Counter[str]] = defaultdict(Counter)
    done = runs.in_blocks(block, cases, each, jobs) if each else []
    for (_, cause), reasons in zip(cases, done, strict=bool(each)):
        table[cause].update(reasons)
    if healthy:
        table["none"].update(runs.in_blocks(block, [(seed, "none")], healthy, jobs)[0])
    return table


def accepted(reasons: Counter[str]) -> Counter[str]:
    """What fits make of the accepted takes of a cause."""
    return Counter({told: n for told, n in reasons.items() if told.startswith(ACCEPTED)})


def named_rightly(table: dict[str, Counter[str]]) -> tuple[int, int]:
    """Refusals that name the true cause first, and all refusals; those of healthy benches count."""
    right = refused = 0
    for cause, reasons in table.items():
        wanted = CAUSES[cause][1] if cause in CAUSES else frozenset()
        right += sum(reasons[name] for name in wanted)
        refused += reasons.total() - accepted(reasons).total()
    return right, refused


def _listed(reasons: Counter[str]) -> str:
    return ", ".join(f"{count} {name}" for name, count in reasons.most_common())


def main() -> None:
    parser = runs.arguments(__doc__, 10, "benches of each cause")
    parser.add_argument("--healthy", type=int, default=200)
    asked = parser.parse_args()
    runs.kept = asked.keep
    table = matrix(asked.seed, asked.healthy, asked.draws, asked.jobs)
    rows = []
    for cause, reasons in table.items():
        wanted = CAUSES[cause][1] if cause in CAUSES else frozenset()
        passed = accepted(reasons)
        others = reasons - passed - Counter({name: reasons[name] for name in wanted})
        right = sum(reasons[name] for name in wanted)
        named = ", ".join(sorted(wanted))
        rows.append([cause, named, reasons.total(), passed.total(), right, _listed(others)])
    head = ["cause", "its name", "draws", "accepted", "true cause first", "another first"]
    print(runs.markdown(head, rows))
    right, refused = named_rightly(table)
    print(f"\n{right} of {refused} refusals name the true cause first. What is accepted:")
    for cause, reasons in table.items():
        if passed := accepted(reasons):
            print(f"- {cause}: {_listed(passed)}")


if __name__ == "__main__":
    sys.exit(main())

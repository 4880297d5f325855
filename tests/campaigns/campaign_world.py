"""Benches that nobody here built, with none to three faults: what the program makes of them.

Drivers, circuit, card and faults come from `world`, which shares no code with `meas` or `fit`. What
a person would have goes in: two channels, a rig, masses and boxes as stated. A bench is

- right when every parameter lies inside its 95 % interval, outside when one does not, and silently
  wrong when one is beyond three half-widths;
- doubted when it is wrong by more than its interval and a warning names a fault of it;
- unproven when it would be silently wrong, but the result itself says, for the faults behind every
  such value, that its curves cannot show them, and what would;
- refused, with a reason that names a fault of it or with another.

``--owner`` tells what the owner does beside the takes: nothing, reads the coil by a multimeter, or
also checks the bench on a known resistor after the takes and adds a second mass (`careful`). What
is silently wrong or unproven by a plain owner is measured again by a careful one, who does what the
result advises: the column `with remedy` has what is still as wrong then.

`--sitting` tells what the truth is: of the driver as it is this time (`this`, against the interval
of this recording alone) or of the driver however often it is mounted (`mean`).
"""

from __future__ import annotations

import math
import warnings
from collections import Counter, defaultdict

import campaign_runs as runs
import numpy as np
from world import bench as benches
from world import faults as catalogue

from cli.rig import check as rig_check
from fit.compare.sitting import of_driver as sitting_of
from fit.given import in_python
from fit.joint import fit_driver
from fit.uncertainty.unproven import unproven
from meas.bench.rig import Drive, Rig, Wiring
from meas.correction.calibration import join
from meas.errors import Refused
from meas.takes.analysis import analyse
from meas.takes.standard import measure_standard

JUDGED = ("Re", "fs", "Qms", "Qes", "Qts", "Mms", "Bl", "Vas")
OUTCOMES = (
    "right", "outside", "silently wrong", "unproven", "doubted", "refused rightly",
    "refused otherwise",
)  # fmt: skip
COLUMNS = (*OUTCOMES[:4], "with remedy", *OUTCOMES[4:])
_UNSEEN = {
    "ohms-unproven": (
        {"neighbour-value", "forgotten-resistor", "mixed-channels", "knob-touched",
         "contact-in-leads", "contact-at-resistor", "common-ground"},
        {"Re", "Qms", "Qes", "Qts", "Mms", "Bl", "Vas"},
    ),
    "load-unproven": ({"wrong-mass", "wrong-box", "lined-box"}, {"Mms", "Bl", "Vas"}),
}  # fmt: skip
"""Faults that each line of what the curves cannot show names, and the values that they reach."""
OWNERS = ("plain", "meter", "careful")
_THEN = "2026-11-01T10:00:00+00:00"
_NUMBER_OF_FAULTS = (0.25, 0.25, 0.25, 0.25)


def drawn(seed: int, index: int, only: tuple[str, ...], healthy: bool):
    """The bench of one draw and the generator it goes on with."""
    rng = runs.rng_of(seed, index)
    bench = benches.healthy(rng, calibrated=bool(rng.random() < 0.6))
    if healthy:
        return bench, rng
    names = list(only or catalogue.CATALOGUE)
    count = 1 if only else int(rng.choice(4, p=_NUMBER_OF_FAULTS))
    return catalogue.put(bench, rng.choice(names, min(count, len(names)), replace=False), rng), rng


def _rig(bench) -> Rig:
    return Rig(
        name="world",
        drive=Drive(woofer=bench.driver.name == "woofer"),
        wiring=Wiring(
            series_resistor_ohm=bench.resistor_stated,
            resistor_side=bench.state.side,
            input_resistance_ohm=bench.input_stated,
        ),
    )


def _calibration(bench, rng):
    if not bench.calibrated:
        return None
    rig = _rig(bench)
    standard = measure_standard(bench.calibration(rng), bench.rate_told, rig, "default", _THEN)
    return join(rig, standard)[0]


def _measured(bench, rng, calibration):
    """The curves as a fit takes them; a refusal is raised."""
    rig = _rig(bench)
    curves, doubts = [], []
    for condition in bench.conditions:
        found = analyse(bench.take(condition, rng), bench.rate_told, rig, calibration=calibration)
        refusing = [finding for finding in found.findings if finding.refuses]
        if refusing or found.curve is None:
            raise Refused(refusing, where=condition.name, remedy="")
        doubts += [finding.code for finding in found.findings]
        pair = (condition.stated, condition.limits)
        if condition.name == "added-mass":
            curves.append(in_python.with_added_mass(found.curve, pair))
        elif condition.name == "test-box":
            curves.append(in_python.in_test_box(found.curve, pair))
        else:
            curves.append(in_python.in_free_air(found.curve))
    return curves, doubts


def _check(bench, rng, calibration):
    """What the bench reads of 22 ohm within 0.1 % after the takes, as ``rig check`` judges it."""
    ohm = 22.0 * (1 + 1e-3 * float(rng.uniform(-1, 1)))
    found = analyse(
        bench.check(ohm, rng), bench.rate_told, _rig(bench), kind="part", calibration=calibration
    )
    refusing = [finding for finding in found.findings if finding.refuses]
    if refusing or found.curve is None:
        raise Refused(refusing, where="check")
    if not all(band.agrees for band in rig_check.compare(found.curve, 22.0, 0.022)):
        raise Refused.because("bench-disagrees", "the bench reads a known resistor wrongly")


def _session(bench, rng=None):
    """What its owner states; with a generator also the coil by a multimeter, within 1 %."""
    wide = 2 * math.sqrt(bench.driver.Sd / math.pi)
    meter = {}
    if rng is not None:
        Re = bench.driver.truth["Re"]
        limit = 0.01 * Re + 0.05
        meter = {"measured_re": (Re + limit * float(rng.uniform(-1, 1)), limit)}
    return in_python.session(
        **meter, pressure=(101325.0, 300.0), temperature=(293.15, 2.0), diameter=(wide, 0.01 * wide)
    )


def _distance(estimate, truth: float, alone: bool) -> float:
    """Error in half-widths of the interval."""
    low, high = (estimate.of_this_recording if alone else estimate).interval_95
    error = math.log(truth / estimate.value)
    reach = math.log((high if error > 0 else low) / estimate.value)
    return error / abs(reach)


def one(
    seed: int, index: int, only: tuple[str, ...], healthy: bool, sitting: str, owner: str = "plain"
) -> dict:
    bench, rng = drawn(seed, index, only, healthy)
    truth = bench.driver.truth
    if sitting == "mean":
        bench = benches.sitting(bench, rng)
    kind = f"{bench.driver.name} {'own' if bench.drive.both_ways else 'one-way'}"
    fitting = frozenset().union(*(catalogue.CATALOGUE[name].reasons for name in bench.faults))
    row = {
        "index": index, "driver": kind, "calibrated": bench.calibrated,
        "faults": " ".join(bench.faults), "takes": len(bench.conditions),
    }  # fmt: skip
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if owner == "careful":
                bench = benches.second_mass(bench, rng)
            calibration = _calibration(bench, rng)
            curves, doubts = _measured(bench, rng, calibration)
            if owner == "careful":
                _check(bench, rng, calibration)
            session = _session(bench, None if owner == "plain" else rng)
            fit = fit_driver(curves, session)
            # Who holds it by hand knows, and is asked.
            fit = sitting_of(fit, "hand" if "hand-held" in bench.faults else "magnet-down")
    except Refused as refused:
        codes = [reason.code for reason in refused.reasons]
        named = "refused rightly" if fitting.intersection(codes) else "refused otherwise"
        return row | {"outcome": named, "told": " ".join(codes)}
    away = {
        name: _distance(fit.parameters[name], truth[name], sitting == "this")
        for name in JUDGED
        if name in fit.parameters
    }
    worst = max(away, key=lambda name: abs(away[name]))
    size = abs(away[worst])
    told = sorted({*doubts, *(finding.code for finding in fit.warnings)})
    outcome = OUTCOMES[0] if size <= 1 else OUTCOMES[1] if size <= 3 else OUTCOMES[2]
    if size > 1 and fitting.intersection(told):
        outcome = "doubted"
    if outcome == "silently wrong" and owner == "plain":
        unseen = [finding.code for finding in unproven(curves, curves, session)]
        if all(_named(name, unseen, bench.faults) for name in away if abs(away[name]) > 3):
            outcome = "unproven"
        again = one(seed, index, only, healthy, sitting, "careful")
        row |= {"remedied": again["outcome"], "remedied by": again["told"]}
    return row | {
        "outcome": outcome, "told": " ".join(told), "model": fit.model, "worst": worst,
        "size": size, **{f"away {name}": value for name, value in away.items()},
    }  # fmt: skip


def _named(name: str, unseen: list[str], faults: tuple[str, ...]) -> bool:
    """Whether what stands under the result names a fault of the bench that reaches this value."""
    return any(
        _UNSEEN[code][0].intersection(faults) and name in _UNSEEN[code][1] for code in unseen
    )


def block(seed, only, healthy, sitting, owner, first, last):
    return [one(seed, index, only, healthy, sitting, owner) for index in range(first, last)]


def by_fault(rows):
    table = defaultdict(Counter)
    for row in rows:
        for name in row["faults"].split() or ["none"]:
            table[name].update(_counted(row))
        table["all"].update(_counted(row))
    order = sorted(table, key=lambda name: (name == "all", name))
    return [[name, *(table[name][outcome] for outcome in COLUMNS)] for name in order]


def _counted(row):
    still = row.get("remedied") == "silently wrong"  # a careful owner has nothing unproven
    return [row["outcome"], *(["with remedy"] if still else [])]


def coverage(rows):
    told = []
    for name in JUDGED:
        away = np.array([row[f"away {name}"] for row in rows if f"away {name}" in row])
        if away.size:
            told.append([name, away.size, f"{100 * np.mean(np.abs(away) <= 1):.1f} %",
                         float(np.mean(away)), float(np.max(np.abs(away)))])  # fmt: skip
    return told


def main() -> None:
    parser = runs.arguments(__doc__, 300, "benches")
    parser.add_argument("--healthy", action="store_true", help="no faults at all")
    parser.add_argument("--only", nargs="*", default=(), help="faults to draw from, one a bench")
    parser.add_argument("--sitting", choices=("mean", "this"), default="mean")
    parser.add_argument("--owner", choices=OWNERS, default="plain")
    asked = parser.parse_args()
    runs.kept = asked.keep
    watch = runs.Watch(asked.jobs)
    case = (asked.seed, tuple(asked.only), asked.healthy, asked.sitting, asked.owner)
    rows = runs.in_blocks(block, [case], asked.draws, asked.jobs)[0]
    runs.write(asked.out, rows)
    print(runs.markdown(["fault", *COLUMNS], by_fault(rows)), "\n")
    for calibrated in (True, False):
        some = [row for row in rows if row["calibrated"] == calibrated]
        if not some:
            continue
        counts = Counter(row["outcome"] for row in some)
        print("calibrated" if calibrated else "not calibrated", dict(counts))
        print(runs.markdown(["parameter", "n", "inside", "mean", "greatest"], coverage(some)), "\n")
    for row in rows:
        if row["outcome"] in ("silently wrong", "unproven"):
            print(f"{row['outcome']} {row['index']}: "
                  f"{row['worst']} by {row['size']:.1f} half-widths; "
                  f"{row['faults'] or 'healthy'}; {row['model']}; {row['told']}; "
                  f"with remedy {row.get('remedied')} {row.get('remedied by')}")  # fmt: skip
    print(watch)


if __name__ == "__main__":
    main()

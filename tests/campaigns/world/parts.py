"""Passive parts on benches that nobody built here: what ``freeair part`` makes of their recordings.

Capacitors of 0.5 to 100 uF, coils of 0.05 to 5 mH and resistors of 1 to 50 ohm with their flaws, on
the circuit and card of `world`; inputs up to a sample and 3 % apart. Each row is one value with its
distance from the truth in half-widths of its interval, of limits whether they hold.
"""

from __future__ import annotations

import math
import tempfile
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import campaign_runs as runs
import campaign_world
import numpy as np
from world import bench as benches
from world import circuit, driver

from cli.bench import take_record
from fit.parts.part_fit import fit_part
from meas.errors import Refused
from meas.takes import take
from meas.takes.analysis import analyse

KINDS = ("capacitor", "inductor", "resistor")


@dataclass(frozen=True)
class Part(driver.Driver):
    """In the driver's place: a part with resistance, inductance, core, capacitance and loss."""

    kind: str = "resistor"
    ohm: float = 0.0
    henry: float = 0.0
    core_ohm: float = math.inf
    farad: float = math.inf
    loss: float = 0.0

    def impedance(self, s, held=None, moved=()):
        wound = s * self.henry / (1 + s * self.henry / self.core_ohm)
        if self.farad == math.inf:
            return self.ohm + wound
        # What soaks in: a fifth of a decade each, which makes a nearly constant loss.
        slow = sum(1 / (1 + s / (2 * math.pi * corner)) for corner in np.geomspace(1, 1e6, 31))
        return self.ohm + wound + 1 / (s * self.farad * (1 + 0.3 * self.loss * slow))

    @property
    def truth(self) -> dict[str, float]:
        if self.kind == "capacitor":
            at = 2j * np.pi * 1000
            z = self.impedance(np.array([at]))[0] - at * self.henry
            return {"C": float(-1 / (at.imag * z.imag)), "ESR": float(z.real)}
        if self.kind == "inductor":
            return {"L": self.henry, "R": self.ohm, "Rcore": self.core_ohm}
        return {"R": self.ohm, "L": self.henry}


def drawn(rng: np.random.Generator, kind: str) -> Part:
    def within(low, high):
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    own = {"name": kind, "Re": 1.0, "M": 0.01, "C": 1e-3, "R": 1.0, "Bl": 1.0, "Sd": 0.01}
    if kind == "capacitor":
        return Part(**own, kind=kind, ohm=within(5e-3, 0.5), henry=within(1e-8, 1e-7),
                    farad=within(0.5e-6, 100e-6), loss=within(1e-4, 0.02))  # fmt: skip
    if kind == "inductor":
        henry = within(5e-5, 5e-3)
        core = 2 * math.pi * 20000 * henry * within(5, 100)
        return Part(**own, kind=kind, ohm=0.3 * math.sqrt(henry / 1e-3) * within(0.5, 2),
                    henry=henry, core_ohm=core)  # fmt: skip
    return Part(**own, kind=kind, ohm=within(1, 50), henry=within(1e-8, 2e-5))


def one(seed: int, kind: str, index: int, calibrated: bool) -> list[dict]:
    rng = runs.rng_of(seed, KINDS.index(kind), index)
    made = benches.healthy(rng, calibrated=calibrated, loaded=False)
    part = drawn(rng, kind)
    made = benches.replace(
        made.with_state(driver=part, held=None), driver=part,
        drive=circuit.Drive(float(rng.choice([10.0, 20.0])), both_ways=made.drive.both_ways),
        hum=0.0,
    )  # fmt: skip
    row = {"kind": kind, "index": index, "side": made.state.side, "resistor": made.resistor_stated,
           "gain": made.gain, "delay": made.delay, "true": part.truth}  # fmt: skip
    rig = campaign_world._rig(made)
    calibration = campaign_world._calibration(made, rng)
    try:
        heard = made.take(benches.FREE, rng)
        found = analyse(heard, circuit.RATE, rig, kind="part", calibration=calibration)
        refusing = [finding for finding in found.findings if finding.refuses]
        if refusing or found.curve is None:
            raise Refused(refusing, where=kind)
        fit = fit_part(_saved(heard, rig, found).curve, kind)
    except Refused as refused:
        codes = " ".join(reason.code for reason in refused.reasons)
        return [row | {"name": "refused", "told": codes}]
    told = " ".join(sorted({finding.code for finding in (*found.findings, *fit.warnings)}))
    rows = []
    for name, true in part.truth.items():
        if (value := fit.parameters.get(name)) is not None:
            low, high = value.interval_95
            error = true - value.value
            reach = (high if error > 0 else low) - value.value
            if value.logarithmic:
                end = high if error > 0 else low
                error, reach = math.log(true / value.value), math.log(end / value.value)
            wide = (high - low) / value.value / 2
            rows.append({"name": name, "away": error / abs(reach), "wide": wide})
        elif (limit := fit.limits.get(name)) is not None:
            holds = (limit.lower or 0.0) <= true <= (limit.upper or math.inf)
            rows.append({"name": name, "limit": holds})
        else:
            rows.append({"name": name})
    return [row | one | {"told": told} for one in rows]


def _saved(heard, rig, found):
    """The take as ``freeair part`` reads it: from its folder, with the common errors of its rig."""
    who = take_record.subject("part", "part", None, None, "")
    used = rig.model_copy(update={"calibration": found.calibration})
    made = take_record.as_take(
        who, used, found.curve, found.findings, sample_rate_hz=circuit.RATE, peak=found.peak,
        unlike=found.unlike, excitation={"kind": "imported"},
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        return take.load(take.save(made, heard, Path(folder)))


def block(seed, kind, calibrated, first, last):
    return [row for index in range(first, last) for row in one(seed, kind, index, calibrated)]


def main() -> None:
    parser = runs.arguments(__doc__, 20, "parts of each kind")
    parser.add_argument("--calibrated", action="store_true")
    asked = parser.parse_args()
    cases = [(asked.seed, kind, asked.calibrated) for kind in KINDS]
    spans = [(*case, k, k + 1) for case in cases for k in range(asked.draws)]
    rows = [row for rows in runs.run(block, spans, asked.jobs) for row in rows]
    runs.write(asked.out, rows)
    table = defaultdict(list)
    for row in rows:
        table[row["kind"], row["name"]].append(row)
    lines = []
    for (kind, name), some in table.items():
        away = np.array([row["away"] for row in some if "away" in row])
        wide = np.array([row["wide"] for row in some if "wide" in row])
        limits = [row["limit"] for row in some if "limit" in row]
        lines.append([
            f"{kind} {name}", len(some), away.size, int(np.sum(np.abs(away) <= 1)),
            float(np.max(np.abs(away), initial=0.0)),
            f"{100 * float(np.median(wide)):.2g} / {100 * float(np.max(wide)):.2g} %"
            if wide.size else "", f"{sum(limits)} of {len(limits)}",
        ])  # fmt: skip
    titles = ["value", "parts", "given", "inside", "greatest", "half-width, median / most",
              "limits that hold"]  # fmt: skip
    print(runs.markdown(titles, lines), "\n")
    for row in rows:
        if row["name"] == "refused" or abs(row.get("away", 0)) > 1 or row.get("wide", 0) > 0.3:
            print(row)


if __name__ == "__main__":
    main()

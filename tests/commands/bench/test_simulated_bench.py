"""All that can be learnt without hardware: a tweeter, parts and finished boxes.

The truth is what stands in the rig file; impedances are computed here from their definitions.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from invoked import Invoke

from meas.audio.simulated_bench import AIR_STIFFNESS_PA, SimulatedBench
from meas.bench import rig_file
from meas.bench.rig import Wiring
from meas.bench.simulated_settings import TWEETER, SimulatedSettings


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch) -> Invoke:
    monkeypatch.chdir(tmp_path)
    return Invoke(capsys)


def bench(invoke: Invoke, *words: str, **true: object) -> Path:
    made = invoke(
        "rig", "new", "bench.toml", "--series-resistor", "10ohm±0.1%", "--device", "simulated",
        "--sweep-seconds", "2", *words,
    )  # fmt: skip
    assert made.status == 0, made.told
    rig = rig_file.read(Path("bench.toml"))
    simulated = (rig.simulated or SimulatedSettings()).model_copy(update={"seed": 3, **true})
    rig_file.update(Path("bench.toml"), rig.model_copy(update={"simulated": simulated}))
    calibrated = invoke("rig", "calibrate", "bench.toml", "--standard", "same-node", "--yes")
    assert calibrated.status == 0, calibrated.told
    return Path("bench.toml")


def taken(invoke: Invoke, *words: str) -> str:
    ran = invoke("take", "spark", "--rig", "bench.toml", "--yes", *words)
    assert ran.status == 0, ran.told
    return ran.stdout.splitlines()[-1]


def within(estimate: dict, truth: float) -> bool:
    low, high = estimate["interval_95"]
    return low <= truth <= high


def test_a_tweeter(invoke: Invoke) -> None:
    bench(invoke, "--simulate", "tweeter", "--start", "100Hz", "--level", "0.1")
    ran = invoke("fit", taken(invoke), "--json")
    assert ran.status == 0, ran.told
    found = json.loads(ran.stdout)["parameters"]
    for name, key in (("Re", "Re_ohm"), ("fs", "fs_hz"), ("Qms", "Qms"), ("Qes", "Qes")):
        assert within(found[name], TWEETER[key]), (name, found[name])


@pytest.mark.parametrize(
    ("part", "name", "truth"),
    [("inductor", "L", 0.83e-3), ("capacitor", "C", 4.7e-6), ("resistor", "R", 8.2)],
)
def test_a_part(part: str, name: str, truth: float, invoke: Invoke) -> None:
    bench(invoke, "--woofer", part=part)
    ran = invoke("part", part, taken(invoke, "--kind", "part"), "--json")
    assert ran.status == 0, ran.told
    found = json.loads(ran.stdout)["parameters"][name]
    assert within(found, truth), found
    assert found["value"] == pytest.approx(truth, rel=0.01)


def test_a_finished_box(invoke: Invoke) -> None:
    """The tuning comes back within 1 %, and the box's volume within its interval."""
    bench(invoke, "--woofer")
    free = taken(invoke)
    mass = taken(invoke, "--added-mass", "12g±0.05g")
    assert invoke("fit", free, mass, "--diameter", "117.8mm±0.5mm", "--air-pressure",
                  "1013hPa±1hPa", "--save", "spark.json").status == 0  # fmt: skip
    box = taken(invoke, "--kind", "system")
    ran = invoke("box-check", box, "--driver", "spark.json", "--json")
    assert ran.status == 0, ran.told
    found = json.loads(ran.stdout)["parameters"]
    assert found["fb"]["value"] == pytest.approx(46.0, rel=0.01)
    assert within(found["Vb"], 0.016), found["Vb"]


def test_a_vented_box_is_that_of_its_definition() -> None:
    """Two peaks, and between them the least |Z| where the vent resonates (Small 1973)."""
    true = SimulatedSettings(box_Q=50.0)
    f = np.geomspace(10, 200, 2000)
    vented = np.abs(SimulatedBench(true, Wiring(series_resistor_ohm=10.0), kind="system")
                    .impedance_ohm(f))  # fmt: skip
    rising = np.diff(vented) > 0
    peaks = f[1:-1][rising[:-1] & ~rising[1:]]
    assert len(peaks) == 2
    between = (f > peaks[0]) & (f < peaks[1])
    # The coil's reactance moves the least |Z| a little; losses move it by less.
    assert f[between][np.argmin(vented[between])] == pytest.approx(46.0, rel=0.01)
    # fL^2 + fH^2 = fb^2 + fs^2 (1 + alpha) for small losses (Small 1973).
    stiffness = (2 * np.pi * true.fs_hz) ** 2 * true.Mms_kg
    alpha = AIR_STIFFNESS_PA * true.Sd_m2**2 / true.box_volume_m3 / stiffness
    assert np.sum(peaks**2) == pytest.approx(46.0**2 + true.fs_hz**2 * (1 + alpha), rel=0.01)


def test_a_driver_that_is_not_simulated_is_refused(invoke: Invoke) -> None:
    for words in (("--simulate", "horn"), ("--device", "4", "--simulate", "tweeter")):
        ran = invoke("rig", "new", "bench.toml", "--series-resistor", "10ohm", *words)
        assert ran.status == 2
        assert "--simulate" in ran.told
        assert not Path("bench.toml").exists()
    # A driver to simulate says that the bench is.
    ran = invoke("rig", "new", "bench.toml", "--series-resistor", "10ohm", "--simulate", "tweeter")
    assert ran.status == 0, ran.told
    assert 'device = "simulated"' in Path("bench.toml").read_text()

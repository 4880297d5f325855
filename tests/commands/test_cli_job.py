"""The job through the program: takes, fit, judgement, comparison, export, as processes.

The bench is simulated, so every true value is known; the physics of the fit has tests of its own.
Here it is asked whether the commands carry it through, and what stands on which stream.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from invoked import Invoke
from program import freeair, succeed, take_path

from meas.bench import rig_file
from meas.bench.simulated_settings import SimulatedSettings
from meas.curve import ImpedanceCurve, MagnitudeCurve
from meas.tables import csv_table

TRUE = SimulatedSettings(seed=3, driver_input_gain=1.01)
MASS = 7.5e-3
TARGETS = """
format = "freeair-targets/1"
[targets]
Re = "5.8ohm ± 5%"
fs = "40Hz ± 5%"
Qts = "0.4146 ± 0.0005"
"""


@dataclass(frozen=True)
class Job:
    """Everything that the commands made."""

    folder: Path
    rig: Path
    free: Path
    mass: Path
    box: Path
    fit: Path


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("job")
    rig = folder / "bench.toml"
    succeed(
        "rig", "new", rig, "--series-resistor", "10ohm", "--device", "simulated", "--woofer",
        "--sweep-seconds", "2",
    )  # fmt: skip
    described = rig_file.read(rig)
    rig_file.update(rig, described.model_copy(update={"simulated": TRUE}))
    succeed("rig", "calibrate", rig, "--yes")
    out = ("--rig", rig, "--out", folder / "takes", "--label", "evening")
    free = take_path(succeed("take", "rowan", *out))
    mass = take_path(succeed("take", "rowan", *out, "--added-mass", "7.5g±0.05g"))
    box = take_path(succeed("take", "rowan", *out, "--test-box", "10L±0.1L"))
    saved = folder / "rowan.json"
    succeed("fit", free, mass, box, "--diameter", "118mm", "--save", saved)
    return Job(folder, rig, free, mass, box, saved)


def truth() -> dict[str, float]:
    omega = 2 * np.pi * TRUE.fs_hz
    return {
        "Re": TRUE.Re_ohm,
        "fs": TRUE.fs_hz,
        "Qms": TRUE.Qms,
        "Qes": TRUE.Qes,
        "Mms": TRUE.Mms_kg,
        "Cms": 1 / (omega**2 * TRUE.Mms_kg),
        "Bl": (omega * TRUE.Mms_kg * TRUE.Re_ohm / TRUE.Qes) ** 0.5,
    }


def check(parameters: Mapping[str, Any], names: Mapping[str, float]) -> None:
    for name, true in names.items():
        low, high = parameters[name]["interval_95"]
        assert low <= true <= high, name
        assert parameters[name]["value"] == pytest.approx(true, rel=0.01), name


def test_saved_fit_holds_the_truth(job: Job) -> None:
    document = json.loads(job.fit.read_text())
    assert document["format"] == "freeair-fit/1"
    assert document["unit"] == "rowan"
    check(document["parameters"], truth())
    assert [c["condition"] for c in document["curves"]] == ["free-air", "added-mass", "test-box"]


def test_json_stands_alone_on_standard_output(job: Job) -> None:
    done = freeair("fit", job.free, "--json")
    assert done.returncode == 0
    document = json.loads(done.stdout)
    assert done.stdout.count("\n") == 1
    check(document["parameters"], {n: v for n, v in truth().items() if n in ("Re", "fs", "Qms")})
    # What free air cannot give is absent, not null or zero.
    assert not {"Mms", "Cms", "Rms", "Bl", "Vas", "Sd"} & set(document["parameters"])


def test_defaults_taken_are_said(job: Job) -> None:
    done = freeair("fit", job.free, job.mass, "--diameter", "118mm", "--json")
    for piece in ("118mm", "±1 mm", "air pressure not given", "air temperature not given"):
        assert piece in " ".join(done.stderr.split())
    assert "7.5g" not in done.stderr, "limits that were stated need no default"


def test_take_knows_its_condition(job: Job) -> None:
    record = json.loads((job.mass / "take.json").read_text())
    assert record["unit"] == "rowan"
    assert record["label"] == "evening"
    assert record["condition"]["name"] == "added-mass"
    assert record["condition"]["value"] == pytest.approx(MASS)
    assert record["condition"]["written"] == "7.5g±0.05g"
    assert record["rig"]["calibration"] is not None


def test_saying_the_same_as_a_take_is_no_contradiction(job: Job) -> None:
    succeed("fit", job.free, "--added-mass", f"{job.mass}=7.5g", "--json")


def test_tables_give_what_takes_give(job: Job, tmp_path: Path) -> None:
    """Exported, read back, told the mass: the same parameters but for the bench's limits."""
    succeed("export", job.free, "--csv", tmp_path / "free.csv")
    succeed("export", job.mass, "--csv", tmp_path / "mass.csv")
    words = ("fit", tmp_path / "free.csv", "--added-mass", f"{tmp_path / 'mass.csv'}=7.5g±0.05g")
    document = json.loads(succeed(*words, "--json"))
    assert document["unit"] == "free"
    for name in ("Re", "fs", "Qms", "Mms", "Bl"):
        true = truth()[name]
        assert document["parameters"][name]["value"] == pytest.approx(true, rel=0.005), name
    curve = csv_table.read(tmp_path / "free.csv")
    assert isinstance(curve, ImpedanceCurve)
    assert curve.standard_uncertainty_ohm is not None


def test_magnitude_table_is_fitted_on_magnitude_alone(
    job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    curve = csv_table.read(job.free / "impedance.csv")
    assert isinstance(curve, ImpedanceCurve)
    bare = MagnitudeCurve(curve.frequency_hz, curve.magnitude_ohm, curve.standard_uncertainty_ohm)
    csv_table.write(tmp_path / "magnitude.csv", bare)
    ran = Invoke(capsys)("fit", tmp_path / "magnitude.csv", "--json")
    assert ran.status == 0, ran.told
    document = json.loads(ran.stdout)
    assert document["parameters"]["fs"]["value"] == pytest.approx(TRUE.fs_hz, rel=0.005)


def test_imported_recording_gives_the_same_take(
    job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A take's own capture, imported as if recorded elsewhere: the same curve to rounding."""
    ran = Invoke(capsys)(
        "import", job.free / "capture.wav", "--rig", job.rig, "--unit", "rowan", "--out", tmp_path
    )
    assert ran.status == 0, ran.told
    made = Path(ran.stdout.splitlines()[-1])
    ours, theirs = (csv_table.read(path / "impedance.csv") for path in (job.free, made))
    assert isinstance(ours, ImpedanceCurve) and isinstance(theirs, ImpedanceCurve)
    at = ours.frequency_hz[(ours.frequency_hz > 20) & (ours.frequency_hz < 10000)]
    one = np.interp(at, ours.frequency_hz, ours.magnitude_ohm)
    other = np.interp(at, theirs.frequency_hz, theirs.magnitude_ohm)
    np.testing.assert_allclose(one, other, rtol=2e-3)
    kept, _ = soundfile.read(made / "capture.wav", dtype="float32")
    given, _ = soundfile.read(job.free / "capture.wav", dtype="float32")
    np.testing.assert_array_equal(kept, given)


def test_calibration_must_match_the_rate(
    job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    samples, _ = soundfile.read(job.free / "capture.wav", dtype="float32")
    soundfile.write(tmp_path / "other-rate.wav", samples, 44100, subtype="FLOAT")
    ran = Invoke(capsys)(
        "import", tmp_path / "other-rate.wav", "--rig", job.rig, "--unit", "rowan", "--out",
        tmp_path,
    )  # fmt: skip
    assert ran.status == 2
    assert "48000 Hz" in ran.told and "44100 Hz" in ran.told


def test_take_as_json(job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = Invoke(capsys)("take", "rowan", "--rig", job.rig, "--out", tmp_path, "--json")
    assert ran.status == 0, ran.told
    document = json.loads(ran.stdout)
    assert (Path(document["take"]) / "take.json").is_file()
    assert "refused" not in document


@pytest.fixture
def targets(tmp_path: Path) -> Path:
    path = tmp_path / "targets.toml"
    path.write_text(TARGETS, encoding="utf-8")
    return path


def test_verdicts_in_json_and_status(job: Job, targets: Path) -> None:
    """Re is met, fs is missed by 20 %, a Qts of ±0.1 % cannot be decided with one free take."""
    words = ("fit", job.free, "--targets", targets, "--json")
    document = json.loads(succeed(*words))
    verdicts = {v["parameter"]: v for v in document["verdicts"]}
    assert verdicts["Re"]["verdict"] == "inside"
    assert verdicts["fs"]["verdict"] == "outside"
    assert verdicts["fs"]["lower"] == pytest.approx(38)
    assert freeair(*words, "--judge-by-status").returncode == 3
    assert document["findings"], "a missed resonance is explained"


@pytest.mark.parametrize(
    ("aim", "status"), [('Re = "5.8ohm ± 5%"', 0), ('Re = "5.8ohm ± 0.01ohm"', 4)]
)
def test_status_by_verdict(
    job: Job, aim: str, status: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "t.toml"
    path.write_text(f'format = "freeair-targets/1"\n[targets]\n{aim}\n', encoding="utf-8")
    words = ("fit", job.free, "--targets", path)
    assert Invoke(capsys)(*words, "--judge-by-status").status == status
    assert Invoke(capsys)(*words).status == 0, "only on request"


def test_terminal_shows_verdicts_first_and_names_the_report(
    job: Job, targets: Path, tmp_path: Path
) -> None:
    page = tmp_path / "page.html"
    out = succeed("fit", job.free, job.mass, "--targets", targets, "--report", page, "--all")
    assert out.index("outside") < out.index("off model") < out.index("limited most by")
    assert "Why, and what to try next" in out
    assert max(map(len, out.splitlines()[:-1])) <= 80
    assert out.splitlines()[-1] == f"Report: {page}"
    assert page.is_file()


def test_compare_saved_fit_with_a_take(job: Job, capsys: pytest.CaptureFixture[str]) -> None:
    ran = Invoke(capsys)("compare", job.fit, job.free, "--json")
    assert ran.status == 0, ran.told
    document = json.loads(ran.stdout)
    assert document["format"] == "freeair-compare/1"
    assert "fitted by itself" in ran.told
    assert "margin 5 %" in ran.told
    verdicts = {change["parameter"]: change["verdict"] for change in document["changes"]}
    assert verdicts["fs"] != "changed" and verdicts["Re"] != "changed"


def test_compare_finds_the_change(
    job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Compliance up by 20 %, as after break-in: fs falls by its root; Re stays."""
    invoke = Invoke(capsys)
    rig = tmp_path / "bench.toml"
    rig.write_bytes(job.rig.read_bytes())
    root = 1.2**-0.5
    later = TRUE.model_copy(
        update={"fs_hz": TRUE.fs_hz * root, "Qms": TRUE.Qms * root, "Qes": TRUE.Qes * root}
    )
    rig_file.update(rig, rig_file.read(rig).model_copy(update={"simulated": later}))
    out = ("--rig", rig, "--out", tmp_path)
    takes = [
        Path(invoke("take", "rowan", *out, *more).stdout.splitlines()[-1])
        for more in ((), ("--added-mass", "7.5g±0.05g"))
    ]
    after = tmp_path / "after.json"
    assert invoke("fit", *takes, "--save", after).status == 0
    page = tmp_path / "change.html"
    ran = invoke("compare", job.fit, after, "--json", "--margin", "3%", "--report", page)
    assert ran.status == 0, ran.told
    changes = {change["parameter"]: change for change in json.loads(ran.stdout)["changes"]}
    assert changes["fs"]["verdict"] == "changed"
    assert changes["fs"]["change_relative"] == pytest.approx(root - 1, abs=0.002)
    assert changes["Cms"]["change_relative"] == pytest.approx(0.2, abs=0.01)
    assert changes["Re"]["verdict"] == "unchanged"
    assert "what changed" in page.read_text(encoding="utf-8")
    assert "Resonance" in invoke("compare", job.fit, after).stdout


def test_export_of_a_fit(job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ran = Invoke(capsys)("export", job.fit, "--csv", tmp_path / "p.csv")
    assert ran.status == 0, ran.told
    rows = [line.split(",") for line in (tmp_path / "p.csv").read_text().splitlines()]
    data = {row[0]: row for row in rows if not row[0].startswith("#")}
    assert data["parameter"][:3] == ["parameter", "value", "unit"]
    saved = json.loads(job.fit.read_text())["parameters"]
    assert float(data["Bl"][1]) == saved["Bl"]["value"]
    assert data["Bl"][2] == "T m"
    assert float(data["Bl"][4]) == saved["Bl"]["interval_95"][0]


def test_targets_file_is_ready_to_use(
    job: Job, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    invoke = Invoke(capsys)
    path = tmp_path / "new.toml"
    assert invoke("targets", "new", path).stdout.splitlines()[-1] == str(path)
    assert invoke("fit", job.free, "--targets", path).status == 0


def test_nothing_waits_for_an_answer(job: Job, tmp_path: Path) -> None:
    """Without a terminal a question is an error at once (the process would hang otherwise)."""
    amplified = tmp_path / "amplified.toml"
    rig = rig_file.read(job.rig)
    wiring = rig.wiring.model_copy(update={"amplifier": "bridged"})
    rig_file.write_new(amplified, rig.model_copy(update={"wiring": wiring}))
    words = ("take", "rowan", "--rig", amplified, "--out", tmp_path)
    done = freeair(*words, timeout=60)
    assert done.returncode == 2
    assert "--yes" in done.stderr
    take_path(succeed(*words, "--yes"))

"""Level: the small-signal value from takes at several levels; warming; a coil that rubs."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from driver_bench import FREQUENCY, SESSION, WOOFER, curve, free
from invoked import Invoke
from made_nonlinear import Limited, record

from fit.diagnosis import against_level
from fit.given.measured import FreeAir, MeasuredCurve
from fit.joint import fit_driver
from fit.results.result import DriverFit, Estimate
from meas.bench import rig_file
from meas.bench.rig import Card, Drive, Rig, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.correction.divider import from_ratio
from meas.curve import ImpedanceCurve
from meas.excitation import stimulus
from meas.takes import take
from meas.takes.analysis import Analysis, analyse
from meas.takes.estimate import estimate_from

RATE = 8000
WIRING = Wiring(series_resistor_ohm=10.0)
DRIVE = Drive(woofer=True, start_hz=10.0, stop_hz=2000.0, sweep_seconds=2.0, level=0.5)
RIG = Rig(name="bench-7f3a", wiring=WIRING, card=Card(sample_rate_hz=RATE), drive=DRIVE)
LEVELS = (0.5, 1.0, 2.0)


def recorded(unit: Limited, volt: float, seed: int = 0) -> np.ndarray:
    """Both inputs at a peak of `volt`, gain set so that the peak is a quarter of full scale."""
    played = stimulus.build(DRIVE, RATE)
    inputs, _ = record(unit, volt / DRIVE.level * played.samples.astype(np.float64), RATE)
    noise = np.random.default_rng(seed).normal(0, 1e-5, inputs.shape)
    return (inputs / (4 * volt) + noise).astype(np.float32)


def judged(unit: Limited, volt: float = 2.0) -> Analysis:
    played = stimulus.build(DRIVE, RATE)
    return analyse(recorded(unit, volt), RATE, RIG, stimulus=played)


def fitted(unit: Limited, volt: float) -> DriverFit:
    """The curve alone: whether such a take would be refused is not asked here."""
    found = estimate_from(recorded(unit, volt), RATE, None).transfer
    assert found is not None
    impedance, uncertainty = from_ratio(found.ratio, found.variance, WIRING)
    inside = (found.frequency_hz > 12) & (found.frequency_hz < 1800)
    curve = ImpedanceCurve(found.frequency_hz[inside], impedance[inside], uncertainty[inside])
    return fit_driver([MeasuredCurve(f"{volt:g} V", curve, FreeAir())], SESSION)


def test_small_signal_value_of_a_driver_that_stiffens_and_fades() -> None:
    """A stiffness up by 5 % and a force factor down by 3 % at the largest excursion."""
    unit = Limited(stiffening=6e5, fading=3e5)
    fits = [(volt, fitted(unit, volt)) for volt in LEVELS]
    followed = {one.name: one for one in against_level.against_level(fits)}
    fs = followed["fs"]
    assert fs.values[-1].value > 1.01 * unit.fs  # the level matters
    assert fs.values[0].value > 1.0005 * unit.fs  # even the lowest
    for name, true in (("fs", unit.fs), ("Qms", unit.Qms), ("Qes", unit.Qes)):
        one = followed[name].small_signal
        low, high = one.interval_95
        assert low < true < high, (name, low, true, high)
        # Nearer than the lowest level itself, unless that is right within a thousandth.
        before = abs(followed[name].values[0].value / true - 1)
        assert abs(one.value / true - 1) < max(0.5 * before, 1e-3), name
    told = against_level.findings(tuple(followed.values()), [])
    # 0.5 % is where the lowest level is no small signal any more.
    step = fs.values[0].value / fs.small_signal.value - 1
    assert bool(told) == (step > 0.005)


def test_a_lowest_level_that_is_too_high_is_said() -> None:
    unit = Limited(stiffening=6e5)
    followed = against_level.against_level([(volt, fitted(unit, volt)) for volt in (2.0, 3.0)])
    told = against_level.findings(followed, [])
    assert [finding.code for finding in told] == ["level-dependent"]
    assert "still moves" in told[0].text


def test_a_linear_driver_stays_put() -> None:
    unit = Limited()
    fits = [(volt, fitted(unit, volt)) for volt in LEVELS]
    followed = against_level.against_level(fits)
    assert against_level.findings(followed, [(f"{volt} V", fit) for volt, fit in fits]) == ()
    fs = next(one for one in followed if one.name == "fs")
    assert fs.small_signal.value == pytest.approx(unit.fs, rel=1e-3)


def estimate(value: float, own: float, shared: float) -> Estimate:
    return Estimate(value, "ohm", {"random:take": own, "resistor:bench-7f3a": shared})


def test_extrapolation_by_hand() -> None:
    """p = 6 + 0.3 u^2 exactly: at u = 0 it is 6, and the resistor's share is that of 6."""
    levels = (0.1, 0.2, 0.4)
    values = [estimate(6 + 0.3 * u * u, 0.01, 0.02) for u in levels]
    found = against_level.extrapolate(levels, values)
    assert found.value == pytest.approx(6.0, abs=1e-9)
    # Weights add up to one: an error common to all goes through unchanged.
    assert found.contributions["resistor:bench-7f3a"] == pytest.approx(0.02, rel=1e-9)
    # The line through u^2 by unweighted least squares, at zero (any textbook): with
    # q = u^2 the variance is s^2 (1/n + mean(q)^2/sum((q - mean)^2)).
    q = np.array(levels) ** 2
    expected = 0.01 * np.sqrt(1 / 3 + q.mean() ** 2 / np.sum((q - q.mean()) ** 2))
    noise = [part for name, part in found.contributions.items() if name.startswith("random:take")]
    assert np.sqrt(np.sum(np.square(noise))) == pytest.approx(expected, rel=1e-6)
    assert found.contributions[against_level.LAW] == pytest.approx(0.5 * 0.3 * 0.01, rel=1e-6)


def test_scatter_about_the_law_widens_the_result() -> None:
    levels = (0.1, 0.2, 0.3, 0.4)
    smooth = [estimate(6 + 0.3 * u * u, 1e-4, 0.0) for u in levels]
    rough = [replace(one, value=one.value + d) for one, d in zip(smooth, (0, 0.1, -0.1, 0.1),
                                                               strict=True)]  # fmt: skip
    calm, wild = against_level.extrapolate(levels, smooth), against_level.extrapolate(levels, rough)
    assert wild.standard_uncertainty > 20 * calm.standard_uncertainty
    assert abs(wild.value - 6) < 3 * wild.standard_uncertainty


def with_re(value: float) -> DriverFit:
    return DriverFit("series", {"Re": estimate(value, 0.002, 0.035)}, ())


def test_a_warming_coil_is_named_with_its_temperature() -> None:
    """10 K of copper, 0.393 % each (IEC 60028); 0.6 % of resistor in common cancels."""
    cold, hot = with_re(6.0), with_re(6.0 * (1 + 10 * 0.00393))
    told = against_level.coil_warming([("first", cold), ("second", hot)])
    assert told is not None
    assert told.code == "coil-warming"
    assert "10 K" in told.text
    assert against_level.coil_warming([("first", cold), ("second", with_re(6.005))]) is None
    assert against_level.coil_warming([("first", hot), ("second", cold)]) is None


@pytest.mark.parametrize("share", [0.98, 0.95])
def test_a_rubbing_coil_is_found_at_its_frequency(share: float) -> None:
    """Something is touched at 98 % of the largest excursion, which is reached below fs."""
    _, place = record(Limited(), 4.0 * stimulus.build(DRIVE, RATE).samples.astype(np.float64), RATE)
    found = judged(Limited(stop_m=share * float(np.max(np.abs(place)))))
    told = [finding for finding in found.findings if finding.code == "rub"]
    assert len(told) == 1, [finding.code for finding in found.findings]
    # What it does to the record is not blamed on the card.
    assert not {finding.code for finding in found.findings if finding.refuses} - {"rub"}
    at = float(told[0].text.split(" % at ")[1].split(" Hz")[0])
    # Behind 10 ohm the excursion is largest below the resonance of 60 Hz.
    assert 10 < at < 80


@pytest.mark.parametrize(
    "unit",
    [
        Limited(),
        Limited(fs=35.0, Qms=7.0),
        Limited(stiffening=6e5),
        Limited(stiffening=6e5, fading=6e5),
        Limited(fs=110.0, Qms=2.0),
    ],
)
def test_a_healthy_driver_does_not_rub(unit: Limited) -> None:
    assert "rub" not in {finding.code for finding in judged(unit).findings}


@pytest.mark.parametrize("stiffening", [2e6, 6e6, -6e5])
def test_a_suspension_driven_too_far_is_no_clipped_input(stiffening: float) -> None:
    """Stepped through time, stiffness growing by some ten per cent or falling by five with the
    excursion; no input bends anything here."""
    codes = {finding.code for finding in judged(Limited(stiffening=stiffening)).findings}
    assert "clipped" not in codes
    assert codes & {"nonlinear", "distortion"}


def test_a_click_of_the_stream_is_no_rub() -> None:
    samples = recorded(Limited(), 2.0)
    at = samples.shape[0] // 5
    broken = np.concatenate([samples[:at], samples[at + 37 :]])
    found = analyse(broken, RATE, RIG, stimulus=stimulus.build(DRIVE, RATE))
    assert "rub" not in {finding.code for finding in found.findings}


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def described(folder: Path, **drive: object) -> Path:
    path = folder / "bench.toml"
    rig = Rig(
        name="bench-7f3a",
        wiring=WIRING,
        card=Card(device="simulated", sample_rate_hz=16000),
        drive=Drive.model_validate(
            {"woofer": True, "stop_hz": 6000.0, "sweep_seconds": 1.0, **drive}
        ),
        simulated=SimulatedSettings(seed=3),
    )
    rig_file.write_new(path, rig)
    return path


def test_takes_at_levels_and_what_follows(tmp_path: Path, invoke: Invoke) -> None:
    rig, out = described(tmp_path), tmp_path / "takes"
    ran = invoke("take", "rowan", "--rig", rig, "--out", out, "--levels", "0.2,0.05,0.1", "--json")
    assert ran.status == 0, ran.told
    paths = [Path(one["take"]) for one in json.loads(ran.stdout)["takes"]]
    assert [take.load(path).rig.drive.level for path in paths] == [0.05, 0.1, 0.2]
    assert all((path / take.DISTORTION).is_file() for path in paths)
    followed = invoke("levels", *paths, "--json")
    assert followed.status == 0, followed.told
    document = json.loads(followed.stdout)
    assert document["format"] == "freeair-levels/1"
    fs = document["parameters"]["fs"]["small_signal"]
    assert fs["interval_95"][0] * 0.9995 < 48.0 < fs["interval_95"][1] * 1.0005
    shown = invoke("levels", *paths)
    assert shown.status == 0
    assert max(len(line) for line in shown.stdout.splitlines()) <= 80
    fit = invoke("fit", *paths, "--json")
    assert fit.status == 0, fit.told
    assert "mixed-levels" in {one["code"] for one in json.loads(fit.stdout)["warnings"]}
    for wrong, named in (
        ((paths[0],), "one level"),
        ((paths[0], f"{paths[1]}=0.1V"), "another unit"),
        ((paths[0], paths[0]), "twice"),
        ((f"{paths[0]}=3", f"{paths[1]}=0.1"), "full scale"),
    ):
        refused = invoke("levels", *wrong)
        assert refused.status == 2, wrong
        assert named in refused.told, (wrong, refused.told)


def test_one_added_mass_gives_bl_and_cms_at_all_levels(tmp_path: Path, invoke: Invoke) -> None:
    """The simulated driver weighs 13.2 g on 7.10 T m by its own settings, at any level.

    A table that its owner gives a level for counts like a take; alone it does not say one.
    """
    settings = SimulatedSettings()
    rig, out = described(tmp_path), tmp_path / "takes"
    words = ("take", "rowan", "--rig", rig, "--out", out, "--json")
    ran = invoke(*words, "--levels", "0.05,0.1,0.2")
    paths = [Path(one["take"]) for one in json.loads(ran.stdout)["takes"]]
    ran = invoke(*words, "--levels", "0.1", "--added-mass", "7.50g±0.01g")
    loaded = Path(json.loads(ran.stdout)["takes"][0]["take"])
    followed = invoke("levels", *paths, loaded, "--held", "clamped", "--json")
    assert followed.status == 0, followed.told
    parameters = json.loads(followed.stdout)["parameters"]
    w0 = 2 * np.pi * settings.fs_hz
    Bl = np.sqrt(w0 * settings.Mms_kg * settings.Re_ohm / settings.Qes)
    for name, true in (
        ("Mms", settings.Mms_kg), ("Bl", Bl), ("Cms", 1 / (w0**2 * settings.Mms_kg))
    ):  # fmt: skip
        low, high = parameters[name]["small_signal"]["interval_95"]
        assert low < true < high
        assert high / low < 1.12  # uncalibrated inputs, 3 % apart, leave 4 % on ohms
        assert len(parameters[name]["levels"]) == 3
    away = invoke("levels", paths[0], paths[2], loaded)
    assert away.status == 2
    assert "free air at its level" in away.told
    csv = tmp_path / "low.csv"
    assert invoke("export", paths[0], "--csv", csv).status == 0
    assert invoke("levels", f"{csv}=0.05", *paths[1:], "--json").status == 0
    silent = invoke("levels", csv, *paths[1:])
    assert silent.status == 2
    assert "FILE=LEVEL" in silent.told


@pytest.mark.parametrize("noise", [1e-4, 1e-3])
def test_a_coil_that_warms_by_six_thousandths_a_take_is_named(noise: float) -> None:
    """Copper warmed by 1.5 K each time (IEC 60028), over a bench 1 % off in ohms and noisy."""
    rng = np.random.default_rng(7)
    fits = []
    for number in range(3):
        warm = replace(WOOFER, Re=WOOFER.Re * 1.006**number).impedance(FREQUENCY)
        measured = free(f"take {number}", curve(1.008 * warm, rng, noise=noise))
        fits.append((measured.source, fit_driver([measured], SESSION)))
    told = against_level.coil_warming(fits)
    assert told is not None
    assert "1.2 % higher in take 2" in told.text
    assert "3 K" in told.text


@pytest.mark.parametrize("kind", ["multisine", "stepped"])
def test_take_with_another_excitation(tmp_path: Path, invoke: Invoke, kind: str) -> None:
    rig = described(tmp_path, tone_seconds=0.1, start_hz=20.0)
    ran = invoke("take", "rowan", "--rig", rig, "--out", tmp_path / "takes", "--excitation", kind)
    assert ran.status == 0, ran.told
    folder = Path(ran.stdout.splitlines()[-1])
    made = take.load(folder)
    assert made.excitation["kind"] == kind
    if kind == "multisine":
        assert 1.4 < float(str(made.excitation["crest_factor"])) < 4
    header = (folder / take.DISTORTION).read_text().splitlines()[1]
    assert ("even_percent,odd_percent" in header) == (kind == "multisine")
    fit = invoke("fit", folder, "--json")
    assert fit.status == 0, fit.told
    fs = json.loads(fit.stdout)["parameters"]["fs"]
    assert fs["value"] == pytest.approx(48.0, rel=1e-3)


def test_wrong_use_is_told(tmp_path: Path, invoke: Invoke) -> None:
    rig = described(tmp_path)
    words = ("take", "rowan", "--rig", rig, "--out", tmp_path / "takes")
    for more, named in (
        (("--excitation", "chirp"), "multisine"),
        (("--levels", "0.1;0.2"), "0.05,0.1,0.2"),
        (("--levels", "0.1,0.1"), "twice"),
        (("--levels", "0.1,3"), "--levels"),
        (("--repeats", "0"), "--repeats"),
        (("--repeats", "3", "--excitation", "stepped"), "tone_seconds"),
    ):
        ran = invoke(*words, *more)
        assert ran.status == 2, more
        assert named in ran.told, (more, ran.told)
    assert not (tmp_path / "takes").exists() or not list((tmp_path / "takes").iterdir())

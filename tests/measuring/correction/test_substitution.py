"""One input: known resistor, then driver; magnitude measured, phase rebuilt, uncertainty larger."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invoked import Invoke
from made_signals import driver
from numpy.typing import NDArray

from meas.audio.simulated_bench import SimulatedBench
from meas.bench import rig_file
from meas.bench.rig import Card, Drive, Rig, Substitution, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.curve import ImpedanceCurve, MagnitudeCurve
from meas.errors import UnreadableInput
from meas.excitation import stimulus
from meas.one_input.analysis import Substituted, analyse_substituted
from meas.one_input.minimum_phase import rebuilt_phase
from meas.one_input.substitution import paired
from meas.passivity.bode import phase_of_magnitude
from meas.takes import take

RATE = 48000
KNOWN = 8.2
Floats = NDArray[np.float64]


def bench(side: str = "hot", **drive: object) -> Rig:
    settings = {"woofer": True, "sweep_seconds": 1.5, **drive}
    wiring = Wiring(series_resistor_ohm=10.0, resistor_side=side)  # type: ignore[arg-type]
    return Rig(name="bench-7f3a", wiring=wiring, card=Card(), drive=Drive.model_validate(settings))


def two_recordings(
    rig: Rig, settings: SimulatedSettings, drift: float = 1.0
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    played = stimulus.build(rig.drive, RATE).samples
    first = SimulatedBench(settings, rig.wiring, standard=KNOWN).play_and_record(played, RATE)
    second = SimulatedBench(settings, rig.wiring).play_and_record(played, RATE)
    known, unit = first.samples[:, 1], second.samples[:, 1] * np.float32(drift)
    # The second recording was started somewhat later.
    return known, np.concatenate([np.zeros(4321, np.float32), unit])


def analysed(
    rig: Rig, settings: SimulatedSettings, using: Substitution, drift: float = 1.0
) -> Substituted:
    return analyse_substituted(*two_recordings(rig, settings, drift), RATE, rig, using)


def total(found: Substituted) -> Floats:
    """Combined standard uncertainty [ohm], all causes that are alike in the take included."""
    curve = found.curve
    assert curve is not None
    assert curve.standard_uncertainty_ohm is not None
    square = 2 * curve.standard_uncertainty_ohm**2
    for cause in curve.systematics:
        square = square + np.abs(cause.derivative_ohm) ** 2
    return np.sqrt(square)


def test_phase_of_a_known_one_port() -> None:
    """R + j w L and the driver of made_signals: the phase of each is its Hilbert transform."""
    f = np.geomspace(1e-2, 1e8, 2000)
    inductive = 5.0 + 2j * np.pi * f * 1e-3
    inside = (f > 5) & (f < 1e5)
    # The magnitude goes on rising beyond 100 MHz, which is far beyond 100 kHz: 1e-3 rad.
    got = phase_of_magnitude(f, np.log(np.abs(inductive)))
    assert np.max(np.abs(got - np.angle(inductive))[inside]) < 2e-3
    ratio = driver(fs=40.0, Qms=8.0)(f) / (10.0 + driver(fs=40.0, Qms=8.0)(f))
    got = phase_of_magnitude(f, np.log(np.abs(ratio)))
    # Straight lines between points 1.2 % apart, at a quality of 8: 2 Q 0.006 squared.
    assert np.max(np.abs(got - np.angle(ratio))[inside]) < 1e-2


@pytest.mark.parametrize("fs", [22.0, 60.0, 250.0])
@pytest.mark.parametrize("band", [(10.0, 20000.0), (15.0, 2000.0), (30.0, 8000.0)])
def test_rebuilt_phase_is_as_uncertain_as_it_says(fs: float, band: tuple[float, float]) -> None:
    f = np.geomspace(*band, 400)
    Z = driver(fs=fs)(f)
    ratio = Z / (10.5 + Z) * (10.5 + KNOWN) / KNOWN
    phase, spread = rebuilt_phase(f, np.abs(ratio), (10.5 + KNOWN) / KNOWN)
    error = np.abs(phase - np.angle(ratio))
    assert np.all(error < 3 * spread + 2e-3)


@pytest.mark.parametrize("side", ["hot", "ground"])
@pytest.mark.parametrize(
    "settings",
    [
        SimulatedSettings(seed=1),
        SimulatedSettings(seed=2, fs_hz=24.0, Qms=7.0, Re_ohm=3.4),
        SimulatedSettings(seed=3, fs_hz=110.0, Qms=2.5, Le_h=0.1e-3),
    ],
)
def test_the_curve_is_within_what_it_states(side: str, settings: SimulatedSettings) -> None:
    rig = bench(side)
    using = Substitution(known_resistor_ohm=KNOWN)
    found = analysed(rig, settings, using)
    assert not any(finding.refuses for finding in found.findings), found.findings
    curve = found.curve
    assert isinstance(curve, ImpedanceCurve)
    true = SimulatedBench(settings, rig.wiring).impedance_ohm(curve.frequency_hz)
    # The bench is exactly as described: what is left is noise and the rebuilt phase.
    phase = next(one for one in curve.systematics if one.source.startswith("rebuilt-phase"))
    assert curve.standard_uncertainty_ohm is not None
    own = np.hypot(np.abs(phase.derivative_ohm), np.sqrt(2) * curve.standard_uncertainty_ohm)
    assert np.max(np.abs(curve.impedance_ohm - true) / own) < 4
    low = (curve.frequency_hz > 12) & (curve.frequency_hz < 200)
    assert np.max(np.abs(curve.impedance_ohm / true - 1)[low]) < 0.005


@pytest.mark.parametrize("side", ["hot", "ground"])
def test_every_declared_error_is_covered(side: str) -> None:
    """Known and series resistor, source and drift off by one standard uncertainty each."""
    rig = bench(side)
    third = 3**-0.5
    using = Substitution(
        known_resistor_ohm=KNOWN / (1 + 0.01 * third),
        tolerance_percent=1.0,
        source_resistance_ohm=0.5 - 0.3 * third,
        source_resistance_limit_ohm=0.3,
        drift_percent=1.0,
    )
    settings = SimulatedSettings(seed=4, series_resistor_ohm=10.0 * (1 + 0.01 * third))
    found = analysed(rig, settings, using, drift=1 + 0.01 * third)
    curve = found.curve
    assert isinstance(curve, ImpedanceCurve)
    true = SimulatedBench(settings, rig.wiring).impedance_ohm(curve.frequency_hz)
    error = np.abs(curve.impedance_ohm - true) / total(found)
    # Four errors of one standard uncertainty add up to 4/sqrt(4) = 2 of the total at most.
    assert error.max() < 2.3
    names = {cause.source.split(":")[0] for cause in curve.systematics}
    assert {"known-resistor", "resistor", "source-resistance", "source-drift"} <= names


def test_it_is_more_uncertain_than_two_inputs() -> None:
    rig = bench()
    found = analysed(rig, SimulatedSettings(seed=1), Substitution(known_resistor_ohm=KNOWN))
    assert found.curve is not None
    peak = int(np.argmax(found.curve.magnitude_ohm[found.curve.frequency_hz < 500]))
    # Two inputs with a resistor of 1 %: 0.58 %. Here the source's share is added, times Z/R.
    assert total(found)[peak] / found.curve.magnitude_ohm[peak] > 0.03
    assert "substitution" in {finding.code for finding in found.findings}


def test_a_narrow_band_gives_magnitude_alone() -> None:
    rig = bench(start_hz=40.0, stop_hz=95.0)
    settings = SimulatedSettings(seed=1, noise_volt_rms=200e-6)
    found = analysed(rig, settings, Substitution(known_resistor_ohm=KNOWN))
    curve = found.curve
    assert isinstance(curve, MagnitudeCurve)
    assert any("magnitude only" in finding.text for finding in found.findings)
    true = np.abs(SimulatedBench(settings, rig.wiring).impedance_ohm(curve.frequency_hz))
    assert np.max(np.abs(curve.magnitude_ohm - true) / total(found)) < 3


def test_what_cannot_be_right_is_refused() -> None:
    rig = bench()
    using = Substitution(known_resistor_ohm=KNOWN)
    known, unit = two_recordings(rig, SimulatedSettings(seed=1))

    def codes(first: NDArray[np.float32], second: NDArray[np.float32]) -> set[str]:
        found = analyse_substituted(first, second, RATE, rig, using)
        return {finding.code for finding in found.findings if finding.refuses}

    assert codes(known, np.zeros_like(unit)) == {"silent-input"}
    assert "same-signal" in codes(known, known)
    other = two_recordings(rig, SimulatedSettings(seed=9))[0]
    assert "no-resonance" in codes(known, other)  # the resistor was never taken out
    clipped = np.clip(unit, -0.05, 0.05) * 20
    assert codes(known, clipped.astype(np.float32)) & {"clipped", "nonlinear", "dropout"}
    with pytest.raises(UnreadableInput, match="whole stretches"):
        paired(known, unit[: unit.size // 2], RATE)


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def described(folder: Path) -> Path:
    path = folder / "bench.toml"
    simulated = SimulatedSettings(seed=3)
    card = Card(device="simulated")
    rig_file.write_new(path, bench().model_copy(update={"simulated": simulated, "card": card}))
    return path


def test_take_with_one_input(tmp_path: Path, invoke: Invoke) -> None:
    rig = described(tmp_path)
    ran = invoke(
        "take", "rowan", "--rig", rig, "--out", tmp_path / "takes",
        "--substitution", "8.2ohm±1%", "--source-resistance", "0.5ohm±0.2ohm",
    )  # fmt: skip
    assert ran.status == 0, ran.told
    folder = Path(ran.stdout.splitlines()[-1])
    loaded = take.load(folder)
    assert loaded.excitation["kind"] == take.SUBSTITUTION
    assert loaded.curve is not None
    assert {one.source for one in loaded.curve.systematics} >= {"known-resistor:bench-7f3a"}
    fit = invoke("fit", folder, "--json")
    assert fit.status == 0, fit.told
    parameters = json.loads(fit.stdout)["parameters"]
    true = SimulatedSettings()
    for name, value in (("fs", true.fs_hz), ("Re", true.Re_ohm), ("Qms", true.Qms)):
        low, high = parameters[name]["interval_95"]
        # Intervals of a noiseless description: widened to 0.2 % for the rebuilt phase's shape.
        assert 0.998 * low < value < 1.002 * high, name


@pytest.mark.parametrize("swapped", [False, True])
def test_import_of_two_mono_recordings(tmp_path: Path, invoke: Invoke, swapped: bool) -> None:
    rig = described(tmp_path)
    known, unit = two_recordings(bench(), SimulatedSettings(seed=3))
    files = tmp_path / "known.wav", tmp_path / "unit.flac"
    for path, samples in zip(files, (known, unit), strict=True):
        soundfile.write(str(path), samples, RATE, subtype="PCM_24")
    first, second = files[::-1] if swapped else files
    ran = invoke(
        "import", second, "--known", first, "--rig", rig, "--unit", "rowan",
        "--substitution", "8.2ohm", "--out", tmp_path / "takes",
    )  # fmt: skip
    if swapped:
        # The resistor's recording taken for the driver's: a dip where the peak should be.
        assert ran.status == 1
        return
    assert ran.status == 0, ran.told
    curve = take.load(Path(ran.stdout.splitlines()[-1])).curve
    assert isinstance(curve, ImpedanceCurve)
    assert np.max(curve.magnitude_ohm[curve.frequency_hz < 500]) == pytest.approx(58.8, rel=0.01)


def test_wrong_use_is_told(tmp_path: Path, invoke: Invoke) -> None:
    rig = described(tmp_path)
    out = ("--out", tmp_path / "takes")
    alone = invoke("take", "rowan", "--rig", rig, *out, "--source-resistance", "1ohm")
    assert alone.status == 2
    assert "--substitution" in alone.told
    both = invoke(
        "take", "rowan", "--rig", rig, *out, "--substitution", "8.2ohm", "--levels", "0.1,0.2"
    )
    assert both.status == 2
    nobody = rig_file.read(rig).model_copy(update={"card": Card(device="a card of nobody")})
    real = tmp_path / "real.toml"
    rig_file.write_new(real, nobody)
    waiting = invoke("take", "rowan", "--rig", real, *out, "--substitution", "8.2ohm", "--yes")
    assert waiting.status == 2
    assert "--swap-seconds" in waiting.told
    assert not (tmp_path / "takes").exists() or not list((tmp_path / "takes").iterdir())

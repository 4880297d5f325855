"""The simulated bench against ngspice, and each of its faults against what it should be."""

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from ngspice_bench import Air, Bench, Driver, Load, bench_lines, run_ngspice

from meas.audio.protocol import Capture
from meas.audio.simulated_bench import AIR_STIFFNESS_PA, SimulatedBench
from meas.bench.rig import Drive, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.excitation.stimulus import build

RATE = 48000
QUIET = {"noise_volt_rms": 0.0, "bits": 32}


def settings(**changes: object) -> SimulatedSettings:
    return SimulatedSettings(**{**QUIET, **changes})


def wiring(side: str = "hot") -> Wiring:
    return Wiring(series_resistor_ohm=10.0, resistor_side=side)


def sweep() -> np.ndarray:
    """One sweep up; a second one would leave bins in which the two cancel."""
    stimulus = build(Drive(sweep_seconds=1.0, gap_seconds=0.3, woofer=True), RATE)
    samples = stimulus.samples.copy()
    samples[stimulus.passes[0].stop_frame :] = 0
    return samples


def ratio(capture: Capture, band: tuple[float, float] = (15.0, 18000.0)) -> tuple[np.ndarray, ...]:
    """Frequencies and driver over source input, from whole-record spectra."""
    frequency = np.fft.rfftfreq(len(capture.samples), 1 / capture.sample_rate_hz)
    spectra = np.fft.rfft(capture.samples.astype(float), axis=0)
    inside = (frequency > band[0]) & (frequency < band[1])
    return frequency[inside], spectra[inside, 1] / spectra[inside, 0]


@pytest.mark.ngspice
@pytest.mark.parametrize("side", ["hot", "ground"])
@pytest.mark.parametrize("load", [Load(), Load(mass=0.010), Load(box=0.008)])
def test_node_voltages_are_those_of_a_circuit_simulator(
    tmp_path: Path, side: str, load: Load
) -> None:
    driver = Driver()
    true = driver.truth()
    bench = Bench(side=side, source_input=1e12, driver_input=3300.0)
    lines = [*bench_lines(driver, bench, load), "V1 amp 0 AC 1", ".ac dec 50 10 20000"]
    circuit = run_ngspice([*lines, ".save v(src) v(drv)"], tmp_path)
    (series, _), (ladder, resistance) = driver.coil
    simulated = SimulatedBench(
        settings(
            Re_ohm=driver.Re,
            Le_h=series,
            L2_h=ladder,
            R2_ohm=resistance,
            fs_hz=true["fs"],
            Qms=true["Qms"],
            Qes=true["Qes"],
            Mms_kg=driver.Mms,
            Sd_m2=driver.Sd,
            amplifier_output_ohm=bench.output_resistance,
            input_resistance_ohm=bench.driver_input,
        ),
        Wiring(series_resistor_ohm=bench.resistor, resistor_side=side),
        added_mass_kg=load.mass,
        test_box_m3=None if load.box is None else load.box * AIR_STIFFNESS_PA / Air().rho_c2,
    )
    frequency = circuit["frequency"].real
    source, second = simulated.node_voltages(frequency)
    np.testing.assert_allclose(source, circuit["v(src)"], rtol=1e-6)
    np.testing.assert_allclose(second, circuit["v(drv)"], rtol=1e-6)


def test_the_air_in_the_box_is_that_of_a_reference_library() -> None:
    """Dry air against CoolProp's at 50 % humidity, both 20 C: 5e-4 apart, the humidity."""
    assert pytest.approx(Air().rho_c2, rel=1e-3) == AIR_STIFFNESS_PA


@pytest.mark.parametrize("side", ["hot", "ground"])
def test_a_capture_holds_exactly_the_ratio_of_the_node_voltages(side: str) -> None:
    bench = SimulatedBench(settings(), wiring(side))
    frequency, measured = ratio(bench.play_and_record(sweep(), RATE))
    source, second = bench.node_voltages(frequency)
    # What limits is float32 (rounding 3e-8 of full scale, spread over 1e5 bins) and the two
    # seconds of silence in which the driver rings down: both far below 1e-4 of any bin.
    np.testing.assert_allclose(measured, second / source, rtol=1e-4)


def test_gain_delay_and_input_loading_are_where_they_belong() -> None:
    faulty = settings(
        driver_input_gain=1.03, driver_input_delay_s=0.7 / RATE, input_resistance_ohm=1000.0
    )
    bench = SimulatedBench(faulty, wiring())
    frequency, measured = ratio(bench.play_and_record(sweep(), RATE))
    impedance = bench.impedance_ohm(frequency)
    loaded = 1 / (1 / impedance + 1 / 1000.0)
    expected = loaded / (10.0 + loaded) * 1.03 * np.exp(-2j * np.pi * frequency * 0.7 / RATE)
    np.testing.assert_allclose(measured, expected, rtol=1e-4)


@pytest.mark.parametrize("side", ["hot", "ground"])
@pytest.mark.parametrize(
    ("standard", "hot", "ground"),
    [
        ("same-node", 1.0, 1.0),
        ("open", 1 / (1 + 10.0 / 1000.0), 0.0),
        ("short", 0.0, 1.0),
        (8.2, 1 / (1 + 10.0 * (1 / 8.2 + 1 / 1000.0)), 1 / (1 + 8.2 * (1 / 10.0 + 1 / 1000.0))),
    ],
)
def test_standards(side: str, standard: str | float, hot: float, ground: float) -> None:
    """Voltage dividers by hand, the driver input loading its node with 1 kohm."""
    bench = SimulatedBench(settings(input_resistance_ohm=1000.0), wiring(side), standard=standard)
    source, second = bench.node_voltages(np.array([0.0, 50.0, 5000.0]))
    np.testing.assert_allclose(second / source, hot if side == "hot" else ground, atol=1e-12)


def test_a_true_resistor_may_differ_from_the_one_in_the_rig() -> None:
    bench = SimulatedBench(settings(series_resistor_ohm=10.5), wiring(), standard="same-node")
    known = SimulatedBench(settings(series_resistor_ohm=10.5), wiring(), standard=10.0)
    source, second = known.node_voltages(np.array([100.0]))
    assert (second / source)[0].real == pytest.approx(10 / 20.5, rel=1e-6)
    assert bench.node_voltages(np.array([100.0]))[0].shape == (1,)


@pytest.mark.parametrize("latency", [0.031, 0.0123456])
def test_latency_delays_both_inputs(latency: float) -> None:
    tone = np.zeros(RATE, np.float32)
    tone[12000:36000] = 0.5 * np.hanning(24000) * np.sin(2 * np.pi * 480 * np.arange(24000) / RATE)
    bench = SimulatedBench(
        settings(latency_s=latency, amplifier_output_ohm=0.0, amplifier_volt_full_scale=1.6),
        wiring(),
    )
    recorded = bench.play_and_record(tone, RATE).samples[:, 0].astype(float)
    assert recorded.size == RATE
    # An ideal amplifier: the source input is the output itself, late by the latency.
    frequency = np.fft.rfftfreq(RATE, 1 / RATE)
    played = np.fft.rfft(tone.astype(float))
    late = np.fft.irfft(played * np.exp(-2j * np.pi * frequency * latency))
    np.testing.assert_allclose(recorded, late, atol=1e-6)


def test_noise_and_quantisation_have_their_size() -> None:
    silence = np.zeros(RATE, np.float32)
    noisy = settings(noise_volt_rms=1e-3, seed=3)
    samples = SimulatedBench(noisy, wiring()).play_and_record(silence, RATE).samples
    # Standard deviation of a variance estimate from n samples: 1/sqrt(2 n) = 0.3 %; 5 of them.
    np.testing.assert_allclose(samples.std(axis=0), 1e-3 / 1.6, rtol=0.016)
    assert abs(np.corrcoef(samples.T)[0, 1]) < 5 / math.sqrt(RATE)
    coarse = SimulatedBench(noisy.model_copy(update={"bits": 8}), wiring())
    steps = coarse.play_and_record(sweep(), RATE).samples * 128
    np.testing.assert_array_equal(steps, np.round(steps))


def test_captures_differ_in_noise_and_repeat_with_the_seed() -> None:
    silence = np.zeros(1000, np.float32)

    def record(seed: int | None) -> Sequence[np.ndarray]:
        bench = SimulatedBench(settings(noise_volt_rms=1e-3, seed=seed), wiring())
        return [bench.play_and_record(silence, RATE).samples for _ in range(2)]

    first, second = record(1)
    assert not np.array_equal(first, second)
    np.testing.assert_array_equal(record(1), [first, second])
    assert not np.array_equal(record(None)[0], record(None)[0])


def test_hum_is_one_line_common_to_both_inputs() -> None:
    bench = SimulatedBench(settings(hum_volt=0.016, hum_hz=60.0), wiring())
    samples = bench.play_and_record(np.zeros(RATE, np.float32), RATE).samples.astype(float)
    lines = np.fft.rfft(samples, axis=0) / (RATE / 2)
    np.testing.assert_allclose(np.abs(lines[60]), 0.01, rtol=1e-6)
    np.testing.assert_array_equal(samples[:, 0], samples[:, 1])
    lines[60] = 0
    assert np.abs(lines).max() < 1e-7


def test_inputs_clip_at_full_scale_and_the_output_before_the_amplifier() -> None:
    loud = settings(amplifier_volt_full_scale=4.0, bits=16)
    samples = SimulatedBench(loud, wiring()).play_and_record(sweep() * 4, RATE).samples
    assert samples.max() == np.float32(1 - 2.0**-15) and samples.min() == -1.0
    bench = SimulatedBench(settings(), wiring())
    twice = bench.play_and_record(sweep() * 8, RATE).samples
    clipped = np.clip(sweep() * 8, -1, 1).astype(np.float32)
    np.testing.assert_allclose(twice, bench.play_and_record(clipped, RATE).samples, atol=1e-6)


def test_a_condition_out_of_range_is_refused() -> None:
    for wrong in ({"added_mass_kg": -0.01}, {"test_box_m3": 0.0}, {"standard": 0.0}):
        with pytest.raises(ValueError, match="must"):
            SimulatedBench(settings(), wiring(), **wrong)
    with pytest.raises(ValueError, match="series resistor"):
        SimulatedBench(settings(), Wiring())


@pytest.mark.parametrize(("fs", "Qms"), [(15.0, 15.0), (3000.0, 0.7)])
def test_the_ringing_of_a_sharp_resonance_is_not_wrapped_around(fs: float, Qms: float) -> None:
    """A click, a gap, and nothing before the click: the transform was long enough."""
    click = np.zeros(RATE, np.float32)
    click[RATE // 2 : RATE // 2 + 480] = 0.5 * np.hanning(480)
    bench = SimulatedBench(
        settings(fs_hz=fs, Qms=Qms, series_resistor_ohm=1000.0, latency_s=0.0), wiring()
    )
    before = bench.play_and_record(click, RATE).samples[: RATE // 2 - 100]
    # Codes of 32 bits in float32: anything above one part in 2^31 would be ringing.
    assert np.abs(before).max() <= 2.0**-30

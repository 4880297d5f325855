"""The curve that grows while a sweep runs, against the curve of the whole recording.

The bound of 3 % is what an eye can tell on a logarithmic axis of two decades (a pixel of 400 is
1.2 %); the numbers that are kept come from `meas.takes.analysis` alone.
"""

from __future__ import annotations

import numpy as np
import pytest

from meas.audio.simulated_bench import SimulatedBench
from meas.bench.rig import Card, Drive, Rig, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.curve import ImpedanceCurve
from meas.excitation import choice
from meas.takes.analysis import analyse
from meas.takes.growing import GrowingCurve, growing_curve

RATE = 48000
SETTINGS = SimulatedSettings(latency_s=0.02)


def bench(**drive: object) -> Rig:
    return Rig(
        name="shed",
        wiring=Wiring(series_resistor_ohm=10.0),
        card=Card(device="simulated", sample_rate_hz=RATE),
        drive=Drive.model_validate({"woofer": True, "sweep_seconds": 3.0, **drive}),
        simulated=SETTINGS,
    )


def recorded(rig: Rig) -> np.ndarray:
    played = choice.build(rig).samples
    return SimulatedBench(SETTINGS, rig.wiring).play_and_record(played, RATE).samples


@pytest.fixture(scope="module")
def swept() -> tuple[Rig, np.ndarray]:
    rig = bench()
    return rig, recorded(rig)


@pytest.fixture(scope="module")
def final(swept: tuple[Rig, np.ndarray]) -> ImpedanceCurve:
    return analysed(*swept)


def so_far(rig: Rig, samples: np.ndarray, seconds: float) -> GrowingCurve | None:
    part = samples[: round(seconds * RATE)]
    return growing_curve(part, RATE, rig, choice.build(rig))


def analysed(rig: Rig, samples: np.ndarray) -> ImpedanceCurve:
    """The curve of the whole recording."""
    curve = analyse(samples, RATE, rig, stimulus=choice.build(rig)).curve
    assert curve is not None
    return curve


def off(found: GrowingCurve, final: ImpedanceCurve) -> np.ndarray:
    """Relative deviation of |Z| from the final curve."""
    expected = np.interp(
        np.log(found.frequency_hz), np.log(final.frequency_hz), np.abs(final.impedance_ohm)
    )
    return np.abs(np.abs(found.impedance_ohm) / expected - 1)


@pytest.mark.parametrize("seconds", [1.5, 2.0, 2.5, 3.0, 3.5, 4.5, 5.5, 6.5, 8.0])
def test_what_is_shown_is_what_the_take_will_say(
    swept: tuple[Rig, np.ndarray], final: ImpedanceCurve, seconds: float
) -> None:
    rig, samples = swept
    found = so_far(rig, samples, seconds)
    assert found is not None
    heard = found.frequency_hz > rig.drive.start_hz
    assert heard.any()
    assert off(found, final)[heard].max() < 0.03
    assert np.all(np.diff(found.frequency_hz) > 0)


def test_it_grows_with_the_sweep_and_stays_behind_it(swept: tuple[Rig, np.ndarray]) -> None:
    rig, samples = swept
    reached = 0.0
    for seconds in (1.5, 2.0, 2.5, 3.0):
        found = so_far(rig, samples, seconds)
        assert found is not None
        assert found.at_hz is not None
        # Farina 2000: f(t) = f1 exp(t/L), with the start after 0.5 s of silence and the latency.
        stimulus = choice.build(rig)
        since = seconds - 0.5 - SETTINGS.latency_s
        expected = rig.drive.start_hz * np.exp(since / stimulus.rate_constant_seconds)
        assert found.at_hz == pytest.approx(expected, rel=0.02)
        highest = float(found.frequency_hz[-1])
        assert reached < highest < found.at_hz
        reached = highest


def test_nothing_is_told_before_the_sweep_begins(swept: tuple[Rig, np.ndarray]) -> None:
    rig, samples = swept
    assert so_far(rig, samples, 0.3) is None
    assert growing_curve(np.zeros((RATE, 2), np.float32), RATE, rig, choice.build(rig)) is None


def test_without_a_known_resistor_there_are_no_ohms(swept: tuple[Rig, np.ndarray]) -> None:
    rig, samples = swept
    unknown = rig.model_copy(update={"wiring": Wiring()})
    assert so_far(unknown, samples, 3.0) is None


def test_noise_widens_the_band() -> None:
    widths = []
    for volt in (1e-5, 1e-3):
        noisy = SETTINGS.model_copy(update={"noise_volt_rms": volt})
        rig = bench().model_copy(update={"simulated": noisy})
        played = choice.build(rig).samples
        samples = SimulatedBench(noisy, rig.wiring).play_and_record(played, RATE).samples
        found = so_far(rig, samples, 3.0)
        assert found is not None
        middle = (found.frequency_hz > 100) & (found.frequency_hz < 500)
        widths.append(float(np.median(found.standard_uncertainty_ohm[middle])))
    # A hundred times the noise is a hundred times the uncertainty, where noise rules.
    assert widths[1] / widths[0] == pytest.approx(100, rel=0.5)


@pytest.mark.parametrize(
    "drive",
    [
        {"excitation": "multisine", "periods": 4, "period_seconds": 1.0},
        {"excitation": "stepped", "tone_seconds": 0.05, "start_hz": 20.0},
    ],
    ids=lambda drive: str(drive["excitation"]),
)
def test_other_excitations_grow_too(drive: dict[str, object]) -> None:
    rig = bench(**drive)
    samples = recorded(rig)
    found = so_far(rig, samples, 0.8 * len(samples) / RATE)
    assert found is not None
    assert found.frequency_hz.size > 10
    assert off(found, analysed(rig, samples)).max() < 0.03


def test_a_look_before_saves_work_and_changes_nothing_that_shows(
    swept: tuple[Rig, np.ndarray], final: ImpedanceCurve
) -> None:
    rig, samples = swept
    found = None
    for seconds in np.arange(1.0, len(samples) / RATE, 0.4):
        part = samples[: round(seconds * RATE)]
        found = growing_curve(part, RATE, rig, choice.build(rig), found) or found
        if found is not None:
            heard = found.frequency_hz > rig.drive.start_hz
            assert off(found, final)[heard].max(initial=0.0) < 0.03
    assert found is not None
    assert found.frequency_hz[-1] > 15000

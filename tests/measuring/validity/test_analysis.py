"""Recording and rig in, curve and findings out, for every kind of recording."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from made_signals import (
    Impedance,
    Samples,
    Signal,
    delayed,
    divider,
    driver,
    filtered,
    record,
    silence,
    single,
    up_and_down,
)

from meas.bench.rig import Calibration, Drive, Rig, Wiring
from meas.correction.calibration import measure
from meas.errors import UnreadableInput, UsageError
from meas.excitation.stimulus import build
from meas.takes.analysis import Analysis, analyse

RATE = 48000
LOAD = driver()
WHEN = "2026-03-01T10:00:00+01:00"


def bench(side: str = "hot", R: float | None = 10.0, Ri: float | None = None) -> Rig:
    wiring = Wiring(series_resistor_ohm=R, resistor_side=side, input_resistance_ohm=Ri)  # type: ignore[arg-type]
    return Rig(name="bench-7f3a", wiring=wiring)


def recorded(
    source: Signal, rig: Rig, *, mismatch: Impedance | None = None, load: Impedance = LOAD
) -> Samples:
    wiring = rig.wiring
    assert wiring.series_resistor_ohm is not None
    node = divider(
        load, wiring.series_resistor_ohm, wiring.resistor_side, wiring.input_resistance_ohm
    )
    wrong = mismatch or delayed(1.0, 0.0, RATE)
    return record(source, filtered(source, RATE, lambda f: node(f) * wrong(f)))


def relative_error(found: Analysis, low: float, high: float) -> float:
    assert found.curve is not None
    f = found.curve.frequency_hz
    inside = (f > low) & (f < high)
    assert np.count_nonzero(inside) > 50
    return float(np.abs(found.curve.impedance_ohm / LOAD(f) - 1)[inside].max())


def codes(found: Analysis) -> set[str]:
    return {finding.code for finding in found.findings if finding.refuses}


@pytest.mark.parametrize("side", ["hot", "ground"])
@pytest.mark.parametrize("Ri", [None, 600.0])
def test_own_take(side: str, Ri: float | None) -> None:
    rig = bench(side, Ri=Ri)
    stimulus = build(Drive(woofer=True, sweep_seconds=2.0), RATE)
    samples = recorded(stimulus.samples.astype(np.float64), rig)
    found = analyse(samples, RATE, rig, stimulus=stimulus)
    assert not found.refused, found.findings
    # Noise of 1e-5 against a drive of 0.25: stated uncertainties are below 1e-4 of Z up to
    # 15 kHz, five of which are allowed.
    assert relative_error(found, 15, 15000) < 5e-4
    assert found.curve is not None
    sources = {one.source.split(":")[0] for one in found.curve.systematics}
    expected = {"resistor", "leads", "input-resistance", "mismatch-gain", "mismatch-delay"}
    assert sources == expected | {"resistor-contact", "crosstalk", "mismatch-coupling"}
    assert found.peak[0] == pytest.approx(0.25, abs=0.01)
    assert len(found.passes.passes) == 2


@pytest.mark.parametrize("side", ["hot", "ground"])
def test_mismatch_vanishes_with_calibration(side: str) -> None:
    rig, wrong = bench(side), delayed(1.03, 0.7, RATE)
    source = up_and_down()
    both = record(source, filtered(source, RATE, wrong), seed=1)
    calibration = Calibration(standards=(measure(both, RATE, rig, "default", WHEN),))
    samples = recorded(source, rig, mismatch=wrong)
    found = analyse(samples, RATE, rig, calibration=calibration)
    assert not found.refused, found.findings
    assert relative_error(found, 15, 15000) < 5e-4
    plain = analyse(samples, RATE, rig)
    assert relative_error(plain, 15, 15000) > 0.05
    assert found.curve is not None and plain.curve is not None

    def size(curve_of: Analysis, cause: str) -> float:
        assert curve_of.curve is not None
        one = next(s for s in curve_of.curve.systematics if s.source == f"{cause}:bench-7f3a")
        return float(np.abs(one.derivative_ohm).max())

    for cause in ("mismatch-gain", "mismatch-delay"):
        assert size(found, cause) < size(plain, cause) / 10
    assert size(found, "resistor") == pytest.approx(size(plain, "resistor"), rel=0.3)


@pytest.mark.parametrize(
    ("make", "bound"),
    [
        (single, 5e-4),
        (lambda: np.concatenate([silence(0.5, RATE), NOISE[: 3 * RATE], silence(0.5, RATE)]), 0.02),
        (lambda: NOISE, 0.05),
    ],
    ids=["single-sweep", "noise-burst", "endless-noise"],
)
def test_foreign_recordings(make: Callable[[], Signal], bound: float) -> None:
    rig = bench()
    samples = recorded(make(), rig)
    found = analyse(samples, RATE, rig)
    assert not found.refused, found.findings
    assert relative_error(found, 20, 15000) < bound
    assert found.curve is not None
    curve = found.curve
    assert curve.standard_uncertainty_ohm is not None
    z = np.abs(curve.impedance_ohm - LOAD(curve.frequency_hz)) / curve.standard_uncertainty_ohm
    assert np.mean(z**2) / 2 < 1.4


NOISE = np.random.default_rng(5).normal(0, 0.1, 20 * RATE)


def test_unknown_resistor() -> None:
    samples = recorded(up_and_down(), bench())
    found = analyse(samples, RATE, bench(R=None))
    assert found.curve is None
    assert codes(found) == {"unknown-resistor"}
    assert found.transfer is not None


def test_nothing_recorded() -> None:
    found = analyse(np.zeros((5 * RATE, 2), np.float32), RATE, bench())
    assert found.curve is None
    assert codes(found) == {"silent-input"}


def test_resistor_is_a_part_but_no_driver() -> None:
    def load(f: np.ndarray) -> np.ndarray:
        return 8.2 + 0j * f

    samples = recorded(up_and_down(), bench(), load=load)
    part = analyse(samples, RATE, bench(), kind="part")
    assert not part.refused, part.findings
    assert part.curve is not None
    # 8.2 ohm against 10 ohm: the noise is 1e-5/0.25 at most per line.
    inside = (part.curve.frequency_hz > 20) & (part.curve.frequency_hz < 15000)
    assert np.allclose(part.curve.impedance_ohm[inside], 8.2, rtol=5e-4)
    assert "no-resonance" in codes(analyse(samples, RATE, bench()))


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        (lambda x: np.where(np.arange(len(x))[:, None] == 70000, np.nan, x), "frame 70000"),
        (lambda x: np.where(np.arange(len(x))[:, None] == 9, np.inf, x), "frame 9"),
        (lambda x: x[:, :1], "two channels"),
        (lambda x: x[:, 0], "two channels"),
        (lambda x: x[:1000], "too few"),
        (lambda x: x[:0], "too few"),
    ],
    ids=["nan", "inf", "mono", "flat", "short", "empty"],
)
def test_unreadable(spoil: Callable[[Samples], Samples], message: str) -> None:
    samples = spoil(recorded(single(), bench())).astype(np.float32)
    with pytest.raises(UnreadableInput, match=message) as error:
        analyse(samples, RATE, bench())
    assert error.value.where and error.value.remedy


def test_calibration_of_another_rate() -> None:
    source = up_and_down()
    standard = measure(record(source, source), RATE, bench(), "default", WHEN)
    calibration = Calibration(standards=(standard,))
    with pytest.raises(UsageError, match="48000 Hz"):
        analyse(record(source, source), 44100, bench(), calibration=calibration)


def test_calibration_of_another_band() -> None:
    source = up_and_down()
    standard = measure(record(source, source), RATE, bench(), "default", WHEN)
    rows = tuple(row for row in standard.points if row[0] > 5000)
    high = Calibration(standards=(standard.model_copy(update={"points": rows}),))
    low = 0.2 * np.sin(2 * np.pi * 60 * np.arange(RATE * 3) / RATE) * np.hanning(RATE * 3)
    tone = np.concatenate([silence(0.5, RATE), low, silence(0.5, RATE)])
    found = analyse(recorded(tone, bench()), RATE, bench(), calibration=high)
    assert found.curve is None
    assert "outside-calibration" in codes(found)

"""Channel mismatch: measured, refused where it is none, taken out exactly."""

from __future__ import annotations

import numpy as np
import pytest
from made_signals import (
    Impedance,
    Samples,
    delayed,
    divider,
    driver,
    filtered,
    record,
    silence,
    up_and_down,
)

from meas.bench.rig import Calibration, Card, Rig, Standard, Wiring
from meas.correction.calibration import age, check_matches, measure
from meas.correction.error_model import corrected, know
from meas.correction.standard_points import MOST_POINTS, interpolate
from meas.curve import ComplexArray
from meas.errors import Refused, UnreadableInput, UsageError
from meas.transfer.from_sweeps import Transfer, estimate
from meas.transfer.passes import find_passes

RATE = 48000
RIG = Rig(name="bench", wiring=Wiring(series_resistor_ohm=10.0))
WHEN = "2026-03-01T10:00:00+01:00"
MISMATCH = delayed(1.03, 0.7, RATE)


def common_node(mismatch: Impedance, seed: int = 0, noise: float = 1e-6) -> Samples:
    source = up_and_down()
    return record(source, filtered(source, RATE, mismatch), noise=noise, seed=seed)


def calibrate(samples: Samples, rig: Rig = RIG) -> Standard:
    return measure(samples, RATE, rig, "default", WHEN)


def impedance(transfer: Transfer, rig: Rig, *standards: Standard) -> ComplexArray:
    """The impedance that a ratio gives with these standards."""
    calibration = Calibration(standards=standards) if standards else None
    known = know(transfer.frequency_hz, rig, calibration, RATE)
    return corrected(transfer.ratio, transfer.variance, known)[0]


def measured(samples: Samples) -> Transfer:
    transfer = estimate(samples, RATE, find_passes(samples, RATE))
    assert transfer is not None
    return transfer


@pytest.mark.parametrize("side", ["hot", "ground"])
def test_gain_and_fractional_delay_vanish(side: str) -> None:
    # The bounds of the brief: 3 % and 0.7 samples must vanish to 1e-4 in Z.
    load = driver()
    wiring = Wiring(series_resistor_ohm=10.0, resistor_side=side)  # type: ignore[arg-type]
    source = up_and_down()
    response = divider(load, 10.0, side)
    raw = measured(
        record(source, filtered(source, RATE, lambda f: response(f) * MISMATCH(f)), noise=1e-6)
    )
    f = raw.frequency_hz
    rig = RIG.model_copy(update={"wiring": wiring})
    before = impedance(raw, rig)
    after = impedance(raw, rig, calibrate(common_node(MISMATCH, 1)))
    inside = (f > 11) & (f < 19500)
    truth = load(f)
    assert np.abs(before / truth - 1)[inside].max() > 0.05
    assert np.abs(after / truth - 1)[inside].max() < 1e-4


def test_interpolation_is_exact_for_a_pure_delay() -> None:
    known = np.geomspace(10.0, 20000.0, 60)
    ratio = delayed(0.97, 25.3, RATE)(known)
    points = tuple(
        (float(f), float(k.real), float(k.imag), 1e-6) for f, k in zip(known, ratio, strict=True)
    )
    calibration = Standard(
        kind="same-node",
        taken_at=WHEN,
        sample_rate_hz=RATE,
        device="x",
        source_input=1,
        driver_input=2,
        points=points,
    )
    between = np.geomspace(10.0, 20000.0, 501)[1:-1]
    assert np.allclose(
        interpolate(calibration, between), delayed(0.97, 25.3, RATE)(between), rtol=1e-9
    )
    # Nothing is invented outside the band.
    outside = interpolate(calibration, np.array([9.9, 20001.0]))
    assert np.all(np.isnan(outside))


def test_different_coupling_corners_are_followed() -> None:
    # High-pass corners of 2 Hz and 3.5 Hz, low-pass of 60 and 80 kHz: what cards are made of.
    def mismatch(f: np.ndarray) -> np.ndarray:
        f = np.maximum(f, 1e-9)
        high = (1 / (1 + 2.0 / (1j * f))) / (1 / (1 + 3.5 / (1j * f)))
        return 0.98 * high * (1 + 1j * f / 60e3) / (1 + 1j * f / 80e3)

    calibration = calibrate(common_node(mismatch))
    f = np.geomspace(12.0, 19000.0, 300)
    # Points lie 6 % apart. A phase of 0.12 rad that falls as 1/f is bent by 0.12 x 0.06^2/4 = 1e-4
    # between them, averaging over the same width and noise take as much again each.
    assert np.abs(interpolate(calibration, f) / mismatch(f) - 1).max() < 4e-4


def test_points_are_few_and_carry_their_uncertainty() -> None:
    noisy = [calibrate(common_node(MISMATCH, seed, noise=1e-4)) for seed in range(8)]
    assert all(len(one.points) <= MOST_POINTS for one in noisy)
    square = np.concatenate(
        [
            np.abs(one.ratio - MISMATCH(one.frequency_hz)) ** 2 / (2 * one.standard_uncertainty**2)
            for one in noisy
        ]
    )
    # 8 x 200 points of two parts: chi-square per freedom within 5 sqrt(2/3200) = 12 % plus the
    # scatter of the stated variance.
    assert 0.75 < square.mean() < 1.25
    first = noisy[0]
    assert first.frequency_hz[0] < 11 and first.frequency_hz[-1] > 19500


def test_noise_of_the_calibration_joins_the_curve() -> None:
    f = np.geomspace(20.0, 10000.0, 300)
    x = np.full(f.size, 0.5 + 0.1j)
    added = []
    for noise in (1e-6, 1e-4):
        calibration = Calibration(standards=(calibrate(common_node(MISMATCH, noise=noise)),))
        known = know(f, RIG, calibration, RATE)
        added.append(np.median(corrected(x, np.full(f.size, 1e-16), known)[1]))
    assert added[1] / added[0] == pytest.approx(100.0, rel=0.5)


@pytest.mark.parametrize(
    ("samples", "code"),
    [
        (common_node(divider(driver(), 10.0)), "not-same-node"),
        (common_node(divider(driver(), 1.0)), "not-same-node"),
        (common_node(divider(driver(), 10.0, "ground")), "not-same-node"),
        (common_node(delayed(0.3, 0, RATE)), "not-same-node"),
        (common_node(delayed(3.0, 0, RATE)), "not-same-node"),
        (record(silence(4, RATE), silence(4, RATE)), "silent-input"),
        (common_node(delayed(0.0, 0, RATE)), "silent-input"),
        (np.clip(6 * common_node(MISMATCH), -1, 1), "clipped"),
        (common_node(MISMATCH, noise=0.02), "faint"),
    ],
    ids=[
        "hot",
        "hot-1ohm",
        "ground",
        "attenuated",
        "boosted",
        "silent",
        "dead",
        "clipped",
        "faint",
    ],
)
def test_what_is_no_calibration(samples: Samples, code: str) -> None:
    with pytest.raises(Refused) as refusal:
        calibrate(samples)
    assert refusal.value.reasons[0].code == code


def test_not_a_number() -> None:
    samples = common_node(MISMATCH)
    samples[70000, 1] = np.nan
    with pytest.raises(UnreadableInput, match="not numbers"):
        calibrate(samples)


def test_identical_inputs_calibrate_to_one() -> None:
    source = up_and_down()
    calibration = calibrate(record(source, source, noise=0.0))
    assert np.allclose(calibration.ratio, 1.0, atol=1e-9)
    assert np.all(calibration.standard_uncertainty > 0)


def test_foreign_noise_recording_calibrates_too() -> None:
    noise = np.random.default_rng(3).normal(0, 0.1, RATE * 12)
    output = filtered(noise, RATE, MISMATCH)
    calibration = calibrate(record(noise[RATE:], output[RATE:], noise=1e-6))
    f = np.geomspace(15.0, 19000.0, 200)
    assert np.abs(interpolate(calibration, f) / MISMATCH(f) - 1).max() < 1e-3


def test_calibration_must_belong_to_the_capture() -> None:
    calibration = Calibration(standards=(calibrate(common_node(MISMATCH)),))
    check_matches(calibration, RIG, RATE)
    with pytest.raises(UsageError, match="44100 Hz"):
        check_matches(calibration, RIG, 44100)
    moved = RIG.model_copy(update={"wiring": Wiring(source_input=2, driver_input=1)})
    with pytest.raises(UsageError, match="inputs 1 and 2"):
        check_matches(calibration, moved, RATE)
    other = RIG.model_copy(update={"card": Card(device="another card")})
    with pytest.raises(UsageError, match="another card"):
        check_matches(calibration, other, RATE)


def test_an_old_calibration_is_used_with_a_caution() -> None:
    calibration = Calibration(standards=(calibrate(common_node(MISMATCH)),))
    assert age(calibration, RIG, "2026-05-29T10:00:00+01:00") is None
    caution = age(calibration, RIG, "2026-05-31T10:00:00+01:00")
    assert caution is not None and caution.code == "old-calibration" and not caution.refuses
    assert "91 days" in caution.text and "90" in caution.text

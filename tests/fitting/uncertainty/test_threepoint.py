"""The hand evaluation against its own published example and against known drivers."""

from dataclasses import replace
from math import exp, log, pi

import numpy as np
import pytest
from made_fits import FREE_AIR_ONLY, Physical, curve, fit_of

from fit.diagnosis.by_hand import cross_check, hand_values
from fit.results.result import DriverFit, Estimate
from meas.errors import Refused


def _impedance(f, fs, Qms, r0, Re=6.0, K=0.0, n=0.7):
    """Total and motional impedance with a lossy coil K (j w)^n; Small 1972, Leach 2002."""
    s, w = 2j * pi * f, 2 * pi * fs
    motional = Re * (r0 - 1) / (1 + Qms * (s / w + w / s))
    return Re + K * s**n + motional, motional


def test_check_case():
    # fs 50, Re 6, r0 8, Qms 4: f1 35.35534, f2 70.71068, |Z| 16.97056, Qes 0.571429, Qts 0.5,
    # computed by hand from R. H. Small, J. Audio Eng. Soc. 20(5), 1972. 48 points an octave
    # interpolate to 0.002 %.
    f = np.geomspace(10, 1000, 320)
    found = hand_values(f, np.abs(_impedance(f, 50, 4, 8)[0]), 6.0)
    assert found.fs == pytest.approx(50, rel=2e-5)
    assert (found.f1, found.f2) == pytest.approx((35.35534, 70.71068), rel=2e-5)
    assert 6 * found.r0**0.5 == pytest.approx(16.97056, rel=2e-5)
    assert (found.Qms, found.Qes, found.Qts) == pytest.approx((4, 0.571429, 0.5), rel=5e-5)
    assert np.sqrt(found.f1 * found.f2) == pytest.approx(found.fs, rel=2e-5)


@pytest.mark.parametrize("per_octave", [12, 24, 48])
@pytest.mark.parametrize(
    ("fs", "Qms", "r0"), [(50, 4, 8), (20, 15, 20), (1500, 0.8, 1.5), (900, 1.5, 2.0), (30, 10, 10)]
)
def test_interpolation_keeps_its_bound_or_refuses(per_octave, fs, Qms, r0):
    f = np.geomspace(10, 2e4, int(per_octave * np.log2(2000)))
    magnitude = np.abs(_impedance(f, fs, Qms, r0)[0])
    try:
        found = hand_values(f, magnitude, 6.0)
    except Refused as refusal:
        assert "fewer than 8 points" in str(refusal)
        assert per_octave * np.log2(1 + r0**0.5 / Qms) < 10  # f2/f1 at most
        return
    assert found.fs == pytest.approx(fs, rel=1e-3)
    assert found.Qms == pytest.approx(Qms, rel=5e-3)
    assert found.Qes == pytest.approx(Qms / (r0 - 1), rel=5e-3)


def test_noise_is_averaged_at_the_peak():
    # 0.1 % noise, about 10 points in the window: fs from a flat top scatters by some 0.1 %.
    rng = np.random.default_rng(3)
    f = np.geomspace(10, 1000, 320)
    clean = np.abs(_impedance(f, 50, 4, 8)[0])
    runs = [hand_values(f, clean * (1 + 1e-3 * rng.normal(size=320)), 6.0) for _ in range(100)]
    fs, Qms = np.array([(run.fs, run.Qms) for run in runs]).T
    assert np.mean(fs) == pytest.approx(50, rel=5e-4)
    assert np.std(fs) < 0.15
    assert np.mean(Qms) == pytest.approx(4, rel=2e-3)


@pytest.mark.parametrize(
    ("f", "Re", "said"),
    [
        (np.geomspace(10, 1000, 320), 60.0, "does not stand above"),
        (np.geomspace(100, 1000, 320), 6.0, "no peak"),
        (np.geomspace(45, 1000, 320), 6.0, "both sides"),
        (np.geomspace(10, 1000, 30), 6.0, "fewer than 8"),
        (np.geomspace(10, 1000, 4), 6.0, "fewer than five"),
    ],
)
def test_what_three_points_cannot_be_read_from(f, Re, said):
    with pytest.raises(Refused, match=said) as refusal:
        hand_values(f, np.abs(_impedance(f, 50, 4, 8)[0]), Re)
    assert refusal.value.reasons[0].code == "hand-check-impossible"


def _fit(fs, Qms, r0, K=0.0, n=0.7, wrong=None):
    """A perfect fit of a driver, with some parameters off by a factor."""
    f = np.geomspace(fs / 20, fs * 50, 600)
    total, motional = _impedance(f, fs, Qms, r0, K=K, n=n)
    made = replace(
        curve(Physical()),
        frequency_hz=f,
        measured_ohm=total,
        model_ohm=total,
        motional_ohm=motional,
    )
    truth = {"Re": 6.0, "fs": fs, "Qms": Qms, "Qes": Qms / (r0 - 1)}
    parameters = {
        name: Estimate(v * (wrong or {}).get(name, 1.0), "1", {"random:x": 0.001 * v})
        for name, v in truth.items()
    }
    return DriverFit("any", parameters, (made,))


def test_silent_for_every_true_driver():
    # The bound on what a coil explains must hold from woofers to tweeters and for coils up to
    # half of Re at resonance; this is where its factors come from.
    rng = np.random.default_rng(1)

    def draw(low, high):
        return exp(rng.uniform(log(low), log(high)))

    checked = 0
    for _ in range(300):
        fs, Qms, r0, n = draw(15, 3000), draw(0.7, 15), draw(1.3, 20), rng.uniform(0.5, 1)
        fit = _fit(fs, Qms, r0, K=draw(0.005, 0.5) * 6 / (2 * pi * fs) ** n, n=n)
        finding = cross_check(fit)
        assert finding is None, (fs, Qms, r0, n, finding)
        checked += 1
    assert checked == 300


@pytest.mark.parametrize("symbol", ["fs", "Qms", "Qes"])
@pytest.mark.parametrize("factor", [0.88, 1.14])
def test_parameters_that_contradict_their_own_curve_are_found(symbol, factor):
    finding = cross_check(_fit(50, 4, 8, K=0.5e-3, n=1.0, wrong={symbol: factor}))
    assert finding.code == "hand-check-disagrees"
    assert symbol in finding.text


def test_a_model_that_misses_the_resonance_is_found():
    fit = fit_of(Physical(), names=FREE_AIR_ONLY)
    (good,) = fit.curves
    assert cross_check(fit) is None
    lossy, _ = Physical().but(Rms=1.2).impedance(good.frequency_hz)
    bad = DriverFit(fit.model, fit.parameters, (replace(good, measured_ohm=lossy),))
    finding = cross_check(bad)
    assert finding.code == "hand-check-disagrees"
    assert "misses the resonance" in finding.text
    magnitude_only = replace(good, measured_ohm=np.abs(lossy))
    assert cross_check(DriverFit(fit.model, fit.parameters, (magnitude_only,))) == finding


def test_a_resonance_only_the_model_has_is_found():
    fit = fit_of(Physical(), names=FREE_AIR_ONLY)
    (good,) = fit.curves
    flat = np.full(good.frequency_hz.size, 6.2 + 0j)
    finding = cross_check(DriverFit(fit.model, fit.parameters, (replace(good, measured_ohm=flat),)))
    assert "the curve does not" in finding.text


def test_loaded_takes_are_left_alone():
    fit = fit_of(Physical(), names=FREE_AIR_ONLY)
    (good,) = fit.curves
    loaded, _ = Physical().but(Mms=1.5).impedance(good.frequency_hz)
    heavy = replace(good, condition="added-mass", condition_value=7e-3, measured_ohm=loaded)
    assert cross_check(DriverFit(fit.model, fit.parameters, (good, heavy))) is None


@pytest.mark.parametrize("noise", [0.002, 0.01, 0.03])
def test_noisy_points_do_not_cry_wolf(noise):
    rng = np.random.default_rng(8)
    warned = 0
    for _ in range(30):
        fs, Qms, r0 = rng.uniform(20, 200), rng.uniform(1, 10), rng.uniform(2, 15)
        fit = _fit(fs, Qms, r0)
        (made,) = fit.curves
        scatter = 1 + noise * rng.normal(size=made.frequency_hz.size)
        noisy = replace(made, measured_ohm=np.abs(made.measured_ohm) * scatter)
        warned += cross_check(DriverFit("any", fit.parameters, (noisy,))) is not None
    assert warned <= 1


def test_takes_of_a_mean_may_depart_from_it():
    # Three takes whose losses scatter by 5 %: their mean is known to 5 %/sqrt(3), one take is not.
    fit = _fit(50, 4, 8)
    (made,) = fit.curves
    other, motional = _impedance(made.frequency_hz, 50, 4 * 1.12, 8 * 1.12)
    lossless = replace(made, measured_ohm=other, model_ohm=other, motional_ohm=motional)
    mean = {
        **fit.parameters,
        "Qms": Estimate(4.0, "1", {"random:repeatability": 4 * 0.05 / 3**0.5}),
    }
    assert cross_check(DriverFit("any", mean, (made, made, lossless))) is None


def test_wide_uncertainty_of_the_fit_is_allowed_for():
    fit = _fit(50, 4, 8, wrong={"Qms": 1.14})
    unsure = {**fit.parameters, "Qms": Estimate(4 * 1.14, "1", {"random:x": 0.4})}
    assert cross_check(DriverFit("any", unsure, fit.curves)) is None

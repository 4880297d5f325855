"""Faults that show in the curves themselves: each simulated by its physics and found or named with
those it cannot be told from; healthy drivers, silence.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from driver_bench import MIDRANGE, SESSION, SUBWOOFER, WOOFER, Driver, curve, free, loaded
from driver_bench import magnitude as magnitudes

from cli.driver import uneven_harmonics
from fit.diagnosis import bumps, harmonic_causes
from fit.diagnosis.explain import explain
from fit.diagnosis.losses import loss_law
from fit.joint import fit_driver
from fit.results.judge import Target
from fit.results.result import DriverFit
from meas.transfer.distortion import Distortion, as_text

FREQUENCY = np.geomspace(5, 20e3, 600)


def impedance(
    driver: Driver,
    mass: float = 0.0,
    *,
    absorber: tuple[float, float, float] | None = None,
    loss_law: float = 0.0,
    creep: float = 0.0,
    frequency: np.ndarray = FREQUENCY,
) -> np.ndarray:
    """A driver with what may be wrong with it.

    Args:
        driver: Lumped parts.
        mass: On the cone [kg].
        absorber: Frequency [Hz], Q and mass [kg] of a part that sits loosely on the cone: a mass
            on a spring and a damper, in parallel to the cone's own mechanical impedance.
        loss_law: p in Rms ~ f^-p, Rms as stated at the free resonance.
        creep: lambda of M. H. Knudsen, J. G. Jensen, J. Audio Eng. Soc. 41(1/2), 1993.
        frequency: [Hz].
    """
    jw = 2j * np.pi * frequency
    fs = driver.truth["fs"]
    compliance = driver.Cms * (1 - creep * np.log10(1j * frequency / fs))
    mechanical = (
        driver.Rms * (fs / frequency) ** loss_law
        + jw * (driver.Mms + mass)
        + 1 / (jw * compliance)
    )  # fmt: skip
    if absorber is not None:
        f0, Q, m = absorber
        spring, damper = (2 * np.pi * f0) ** 2 * m, 2 * np.pi * f0 * m / Q
        mechanical = mechanical + 1 / (1 / (jw * m) + 1 / (damper + spring / jw))
    return driver.Re + driver.K * jw**driver.n + driver.Bl**2 / mechanical


def fitted(
    driver: Driver, masses: tuple[float, ...] = (0.6,), *, seed: int = 1, **how
) -> DriverFit:
    rng = np.random.default_rng(seed)
    noise = how.pop("noise", 3e-4)
    takes = [free("free", curve(impedance(driver, **how), rng, noise=noise, frequency=FREQUENCY))]
    for share in masses:
        z = impedance(driver, share * driver.Mms, **how)
        takes.append(
            loaded(
                f"mass {share}", curve(z, rng, noise=noise, frequency=FREQUENCY), share * driver.Mms
            )
        )
    return fit_driver(takes, SESSION)


# ---- bumps ---------------------------------------------------------------------------------------

CAPS = [
    (WOOFER, (900.0, 20.0, 2e-4)),
    (WOOFER, (400.0, 12.0, 1e-4)),
    (MIDRANGE, (900.0, 20.0, 2e-4)),
    (MIDRANGE, (2500.0, 25.0, 5e-5)),
]


@pytest.mark.parametrize(("driver", "loose"), CAPS)
def test_a_loose_part_is_found_at_its_frequency(driver, loose):
    """Within 4 %: the part's mass on the cone shifts the pole by half of m/Mms, at most 2.4 %."""
    f0, Q, m = loose
    fit = fitted(driver, absorber=loose)
    (found,) = bumps.bumps(fit.curves[0])
    assert found.frequency_hz == pytest.approx(f0, rel=0.04)
    # Height by first order in m: Bl^2 m Q/(w Mms^2); the fit itself takes a part of it.
    expected = driver.Bl**2 * m * Q / (2 * np.pi * f0 * driver.Mms**2)
    assert 0.4 * expected < found.ohm < 1.3 * expected
    (finding,) = bumps.findings(fit.curves[:1])
    assert finding.code == "small-resonance"
    assert "dust cap" in finding.text and "panel" in finding.text
    assert finding.text.count("Next:") == 1


def test_a_bump_in_every_take_is_told_once():
    fit = fitted(MIDRANGE, absorber=(900.0, 20.0, 2e-4))
    findings = bumps.findings(fit.curves)
    assert len(findings) == 1
    assert "in every take" in findings[0].text
    one = replace(fit.curves[1], measured_ohm=fit.curves[1].model_ohm)
    (only,) = bumps.findings((fit.curves[0], one))
    assert "in take 1 of 2 only" in only.text


def test_a_bump_shows_in_magnitudes_too():
    rng = np.random.default_rng(4)
    z = impedance(MIDRANGE, absorber=(900.0, 20.0, 2e-4))
    fit = fit_driver([free("m", magnitudes(z, rng, scatter=1e-3, frequency=FREQUENCY))], SESSION)
    (found,) = bumps.bumps(fit.curves[0])
    assert found.frequency_hz == pytest.approx(900, rel=0.04)


@pytest.mark.parametrize("driver", [WOOFER, SUBWOOFER, MIDRANGE])
@pytest.mark.parametrize("how", [{}, {"noise": 5e-3}, {"creep": 0.08}, {"loss_law": 0.5}])
def test_healthy_drivers_are_met_with_silence(driver, how):
    """Noise, creep and the loss of a real suspension are no loose parts."""
    if "loss_law" in how:  # more of such a loss and the estimator itself refuses
        driver = replace(driver, Rms=driver.Rms / 2)
    for seed in (1, 2):
        fit = fitted(driver, seed=seed, **how)
        assert bumps.findings(fit.curves) == ()


def test_hum_is_no_resonance():
    """A spike of a point or two, as 50 Hz and its harmonics leave."""
    fit = fitted(WOOFER)
    measured = fit.curves[0].measured_ohm.copy()
    for hum in (150.0, 250.0, 350.0):
        measured[np.argmin(np.abs(FREQUENCY - hum))] *= 1.03
    assert bumps.bumps(replace(fit.curves[0], measured_ohm=measured)) == ()


# ---- loss against frequency ----------------------------------------------------------------------


def targets(driver: Driver) -> list[Target]:
    values = driver.truth
    return [
        Target(s, values[s], values[s] * (1 - w), values[s] * (1 + w))
        for s, w in {
            "Re": 0.05,
            "fs": 0.08,
            "Mms": 0.05,
            "Cms": 0.1,
            "Bl": 0.05,
            "Rms": 0.25,
        }.items()
    ]


QUIET = replace(WOOFER, Rms=0.25)


def test_a_closed_former_is_told_from_a_lossy_suspension():
    braked = fitted(replace(QUIET, Rms=0.6), (0.6, 1.5))
    findings = explain(braked.parameters, targets(QUIET), curves=braked.curves)
    assert [f.code for f in findings] == ["closed-former-or-viscous"]
    assert "ferrofluid" in findings[0].text and "Next:" in findings[0].text
    low, high = replace(SUBWOOFER, Rms=0.35), replace(SUBWOOFER, Rms=0.6)
    lossy = fitted(high, loss_law=1.0)
    findings = explain(lossy.parameters, targets(low), curves=lossy.curves)
    assert [f.code for f in findings] == ["lossy-suspension"]


def test_a_loss_that_the_model_has_is_named_by_it():
    """Creep of 0.15 takes 0.102 of 1/Qms, QUIET has 0.075 of its own: the law says what the loss
    is, in agreement with the loss from peak to peak."""
    fit = fitted(QUIET, (0.6,), creep=0.15)
    assert fit.model == "lossy+creep"
    law = loss_law(fit.curves)
    assert law is not None and not law.brakes
    (finding,) = explain(fit.parameters, targets(QUIET), curves=fit.curves)
    assert finding.code == "lossy-suspension"
    assert "The shape of the curves shows a suspension that gives slowly" in finding.text
    assert finding.text.count("Next:") == 1
    # Takes that show the loss of a brake from peak to peak are not overruled.
    braked = fitted(replace(QUIET, Rms=0.6), (0.6, 1.5))
    (finding,) = explain(fit.parameters, targets(QUIET), curves=braked.curves)
    assert "The shape" not in finding.text


def test_where_masses_do_not_decide_the_group_is_named():
    between = fitted(replace(QUIET, Rms=0.45), (0.3,), loss_law=0.5)
    (finding,) = explain(between.parameters, targets(QUIET), curves=between.curves)
    assert finding.code == "high-mechanical-loss"
    assert "does not decide" in finding.text and "heavier mass" in finding.text
    (finding,) = explain(between.parameters, targets(QUIET))
    assert "closed metal former" in finding.text and "rubs" in finding.text


@pytest.mark.parametrize("law", [0.0, 0.5])
def test_the_law_of_the_loss_is_covered(law):
    for seed in range(3):
        fit = fitted(QUIET, (0.6, 1.5), seed=seed, loss_law=law)
        found = loss_law(fit.curves)
        assert found is not None
        assert abs(found.exponent - law) < found.reach_95
        assert found.low_hz < 0.7 * found.high_hz


def test_no_law_without_masses():
    fit = fitted(WOOFER, ())
    assert loss_law(fit.curves) is None


@pytest.mark.parametrize("points", [8, 14, 25])
def test_coarse_tables_break_nothing(points):
    """A dozen values off a multimeter: no law, no bumps, and no failure."""
    one = fitted(WOOFER)
    coarse = []
    for kept in one.curves:
        at = np.linspace(0, kept.frequency_hz.size - 1, points).astype(int)
        coarse.append(
            replace(
                kept,
                frequency_hz=kept.frequency_hz[at],
                measured_ohm=np.abs(kept.measured_ohm[at]),
                model_ohm=kept.model_ohm[at],
                motional_ohm=kept.motional_ohm[at],
            )
        )
    assert bumps.findings(coarse) == ()
    found = loss_law(coarse)
    assert found is None or abs(found.exponent) < 1 + found.reach_95


# ---- even harmonics ------------------------------------------------------------------------------


def simulated(
    driver: Driver,
    *,
    offset: float = 0.0,
    lean: float = 0.0,
    peak_volt: float,
    resistor: float = 10.0,
) -> harmonic_causes.Harmonics:
    """Harmonics of the driver's voltage by stepping its equations through time (Runge-Kutta).

    Bl(x) = Bl (1 - ((x - offset)/8 mm)^2), stiffness K (1 + lean x + (x/6 mm)^2); the coil's
    inductance left out. The last of 40 periods is analysed.
    """
    fs = driver.truth["fs"]
    f = fs * np.array([0.5, 0.65, 0.8, 0.95, 1.1, 1.25])
    steps = 256
    dt = 1 / f / steps

    def force_factor(x):
        return driver.Bl * (1 - ((x - offset) / 8e-3) ** 2)

    def slopes(x, v, phase):
        B = force_factor(x)
        current = (peak_volt * np.sin(phase) - B * v) / (resistor + driver.Re)
        stiff = (1 + lean * x + (x / 6e-3) ** 2) / driver.Cms
        return v, (B * current - driver.Rms * v - stiff * x) / driver.Mms

    x, v = np.zeros_like(f), np.zeros_like(f)
    kept = []
    for k in range(40 * steps):
        phase, half = 2 * np.pi * k / steps, np.pi / steps
        if k >= 39 * steps:
            drive = peak_volt * np.sin(phase)
            current = (drive - force_factor(x) * v) / (resistor + driver.Re)
            kept.append(drive - resistor * current)
        a1, b1 = slopes(x, v, phase)
        a2, b2 = slopes(x + dt / 2 * a1, v + dt / 2 * b1, phase + half)
        a3, b3 = slopes(x + dt / 2 * a2, v + dt / 2 * b2, phase + half)
        a4, b4 = slopes(x + dt * a3, v + dt * b3, phase + 2 * half)
        x, v = x + dt / 6 * (a1 + 2 * a2 + 2 * a3 + a4), v + dt / 6 * (b1 + 2 * b2 + 2 * b3 + b4)
    spectrum = np.abs(np.fft.rfft(np.array(kept), axis=0))
    return harmonic_causes.Harmonics(
        f, spectrum[2] / spectrum[1], spectrum[3] / spectrum[1], np.full(f.size, 1e-5)
    )


FS = WOOFER.truth["fs"]


@pytest.mark.parametrize("wrong", [{"offset": 1.5e-3}, {"offset": -1.5e-3}, {"lean": 60.0}])
def test_unevenness_is_found_and_its_group_named(wrong):
    (finding,) = harmonic_causes.uneven(simulated(WOOFER, peak_volt=3.0, **wrong), FS)
    assert finding.code == "off-centre-or-uneven"
    assert "off the middle of the gap" in finding.text
    assert "suspension is stiffer to one side" in finding.text
    assert "cannot tell which" in finding.text
    # Gravity moves the rest by g/(2 pi fs)^2.
    assert f"{9806.65 / (2 * np.pi * FS) ** 2:.2g} mm" in finding.text


def test_a_centred_coil_may_distort_as_it_likes():
    even_handed = simulated(WOOFER, peak_volt=6.0)
    assert np.max(even_handed.odd) > 0.005  # it does distort
    assert harmonic_causes.uneven(even_handed, FS) == ()
    assert harmonic_causes.uneven(simulated(WOOFER, peak_volt=0.05, offset=1.5e-3), FS) == ()


def test_harmonics_below_the_noise_accuse_nobody():
    seen = simulated(WOOFER, peak_volt=3.0, offset=1.5e-3)
    assert harmonic_causes.uneven(replace(seen, noise=np.full(6, 0.1)), FS) == ()


def test_harmonics_are_read_from_a_take(tmp_path: Path):
    seen = simulated(WOOFER, peak_volt=3.0, offset=1.5e-3)
    for names in (("harmonic_2", "harmonic_3"), ("even", "odd")):
        parts = dict(zip(names, (seen.even, seen.odd), strict=True))
        kept = Distortion(seen.frequency_hz, parts, seen.noise)
        file = tmp_path / f"{names[0]}.csv"
        file.write_text(as_text(kept, ("a comment",)), encoding="utf-8")
        read = uneven_harmonics.read(file)
        assert read is not None
        np.testing.assert_allclose(read.even, seen.even, rtol=1e-3)
        np.testing.assert_allclose(read.odd, seen.odd, rtol=1e-3)
    (tmp_path / "damaged.csv").write_text("frequency_hz\nten\n", encoding="utf-8")
    assert uneven_harmonics.read(tmp_path / "damaged.csv") is None
    assert uneven_harmonics.read(tmp_path / "absent.csv") is None

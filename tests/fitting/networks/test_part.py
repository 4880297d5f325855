"""Passive parts: what the bench resolves is right, what it does not is said.

Recordings are computed by Kirchhoff's laws in tests/support/made_signals.py, not by the project.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from made_signals import divider

from fit.parts.against_level import across_levels
from fit.parts.part_fit import LEADS_H, LEADS_OHM, fit_part
from meas.bench.rig import Rig, Wiring
from meas.correction.divider import from_ratio
from meas.curve import ImpedanceCurve, MagnitudeCurve
from meas.errors import Refused

FREQUENCY = np.geomspace(20, 20000, 250)
S = 2j * np.pi * FREQUENCY
NOISE = 2e-5
RATE = 48000

Impedance = Callable[[np.ndarray], np.ndarray]


def s_of(f: np.ndarray) -> np.ndarray:
    return 2j * np.pi * f


def coil(L: float = 0.83e-3, R: float = 0.42, core: float = 480.0) -> Impedance:
    return lambda f: R + 1 / (1 / (s_of(f) * L) + 1 / core)


def capacitor(C: float = 4.7e-6, ESR: float = 0.31) -> Impedance:
    return lambda f: ESR + 1 / (s_of(f) * C)


def curve(
    part: Impedance,
    *,
    side: str = "hot",
    R: float = 10.0,
    resistor_error: float = 0.0,
    gain: float = 1.0,
    delay_samples: float = 0.0,
    calibrated: bool = True,
    seed: int = 0,
) -> ImpedanceCurve:
    """What a bench makes of a part: its errors are in, and stated as the rig states them."""
    rng = np.random.default_rng(seed)
    H = divider(part, R * (1 + resistor_error), side)(FREQUENCY)
    H = H * gain * np.exp(-S * delay_samples / RATE)
    H = H + rng.normal(0, NOISE, FREQUENCY.size) + 1j * rng.normal(0, NOISE, FREQUENCY.size)
    wiring = Wiring(series_resistor_ohm=R, resistor_side=side)
    z, u = from_ratio(H, np.full(FREQUENCY.size, NOISE**2), wiring)
    rig = Rig(name="bench", wiring=wiring)
    percent, samples = (0.05, 0.002) if calibrated else (3.0, 1.0)
    return ImpedanceCurve(FREQUENCY, z, u, stated_errors(z, rig, percent, samples))


def stated_errors(z, rig, percent, samples):
    """First-order effects of resistor, gain and delay, worked out here from the divider.

    Hot side: Z = R H/(1 - H), so dZ = Z (1 + Z/R) dH/H; ground side: Z = R (1 - H)/H, so
    dZ = -(R + Z) dH/H. Limits are rectangular.
    """
    from meas.curve import Systematic

    R = rig.wiring.series_resistor_ohm
    slope = z * (1 + z / R) if rig.wiring.resistor_side == "hot" else -(R + z)
    limit = 1 / np.sqrt(3)
    return (
        Systematic("resistor:bench", "resistor ±1 %", z * 0.01 * limit),
        Systematic("mismatch-gain:bench", "gain", slope * percent / 100 * limit),
        Systematic("mismatch-delay:bench", "delay", slope * -S / RATE * samples * limit),
    )


def code_of(error: pytest.ExceptionInfo[Refused]) -> str:
    return error.value.reasons[0].code


@pytest.mark.parametrize("side", ["hot", "ground"])
def test_inductor(side):
    found = fit_part(curve(coil(), side=side), "inductor")
    truth = {"L": 0.83e-3, "R": 0.42, "Rcore": 480.0}
    z = coil()(np.array([1000.0]))[0]
    truth["Q_1kHz"] = z.imag / z.real
    assert set(found.parameters) == set(truth)
    for name, value in truth.items():
        low, high = found.parameters[name].interval_95
        assert low < value < high, name
    # The bench is exact here but for noise: far nearer than its limits allow.
    assert found.parameters["L"].value == pytest.approx(0.83e-3, rel=1e-3)
    # The resistor's 1 % are the whole uncertainty of L.
    assert found.parameters["L"].standard_uncertainty / 0.83e-3 == pytest.approx(
        0.01 / 3**0.5, rel=0.05
    )


def test_inductor_without_core_gives_a_limit_for_its_loss():
    found = fit_part(curve(lambda f: 0.42 + s_of(f) * 0.83e-3), "inductor")
    assert "Rcore" not in found.parameters
    assert found.limits["Rcore"].lower > 5000
    assert {w.code for w in found.warnings} == {"unresolved"}


def test_capacitor():
    found = fit_part(curve(capacitor()), "capacitor")
    assert found.parameters["C"].value == pytest.approx(4.7e-6, rel=1e-3)
    low, high = found.parameters["ESR"].interval_95
    assert low < 0.31 < high
    assert found.parameters["ESR"].frequency_hz == 1000


def test_dielectric_loss_is_told_at_one_kilohertz():
    """A constant loss angle: ESR falls as 1/f; C follows as the law of phase and slope asks."""
    angle = 0.04
    e = 2 * angle / np.pi

    def z(f):
        return (s_of(f) / (2000 * np.pi)) ** e / (s_of(f) * 22e-6 * np.cos(angle))

    found = fit_part(curve(z), "capacitor")
    truth = np.tan(angle) / (2 * np.pi * 1000 * 22e-6)
    low, high = found.parameters["ESR"].interval_95
    assert low < truth < high
    assert found.parameters["C"].value == pytest.approx(22e-6, rel=2e-3)


def test_resistance_too_small_to_tell_is_a_limit_that_holds():
    found = fit_part(curve(capacitor(ESR=0.004)), "capacitor")
    assert "ESR" not in found.parameters
    assert 0.004 < found.limits["ESR"].upper < 0.1
    assert any(w.code == "unresolved" and "ESR" in w.text for w in found.warnings)


def test_uncalibrated_bench_resolves_less_and_says_so():
    """Half a sample and 2 % between the inputs: inside what the rig assumes of itself."""
    bad = {"calibrated": False, "gain": 1.02, "delay_samples": 0.5}
    found = fit_part(curve(capacitor(), **bad), "capacitor")
    low, high = found.parameters["C"].interval_95
    assert low < 4.7e-6 < high
    if "ESR" in found.parameters:
        low, high = found.parameters["ESR"].interval_95
        assert low < 0.31 < high
    else:
        assert found.limits["ESR"].upper > 0.31
    found = fit_part(curve(coil(), **bad), "inductor")
    for name, truth in (("L", 0.83e-3), ("R", 0.42)):
        low, high = found.parameters[name].interval_95
        assert low < truth < high, name


@pytest.mark.parametrize("side", ["hot", "ground"])
def test_intervals_cover(side):
    """Benches drawn from what is declared: 95 % intervals hold the truth.

    Of 60 benches at least 52 must cover: with 95 % each, fewer happen once in 5000 times
    (binomial distribution).
    """
    rng = np.random.default_rng(5)
    hits = {"L": 0, "R": 0, "C": 0, "ESR": 0}
    count = 60
    for seed in range(count):
        errors = {
            "side": side,
            "resistor_error": rng.uniform(-0.01, 0.01),
            "gain": 1 + rng.uniform(-5e-4, 5e-4),
            "delay_samples": rng.uniform(-0.002, 0.002),
            "seed": seed,
        }
        leads = rng.uniform(-LEADS_OHM, LEADS_OHM), rng.uniform(-LEADS_H, LEADS_H)

        def wired(part, leads=leads):
            return lambda f: part(f) + leads[0] + s_of(f) * leads[1]

        for part, kind, truth in (
            (coil(), "inductor", {"L": 0.83e-3, "R": 0.42}),
            (capacitor(), "capacitor", {"C": 4.7e-6, "ESR": 0.31}),
        ):
            found = fit_part(curve(wired(part), **errors), kind)
            for name, value in truth.items():
                if name in found.parameters:
                    low, high = found.parameters[name].interval_95
                    hits[name] += low <= value <= high
                else:
                    hits[name] += value <= found.limits[name].upper
    assert all(hit >= 52 for hit in hits.values()), hits


def test_resistor_and_its_visible_inductance():
    plain = fit_part(curve(lambda f: 8.2 + 0 * f), "resistor")
    assert set(plain.parameters) == {"R"}
    wound = fit_part(curve(lambda f: 8.2 + s_of(f) * 22e-6), "resistor")
    low, high = wound.parameters["L"].interval_95
    assert low < 22e-6 < high
    assert [w.code for w in wound.warnings] == ["inductive-resistor"]
    # 2 pi 20 kHz 22 uH / 8.2 ohm: 18.6 degrees.
    assert "19 degrees" in wound.warnings[0].text


@pytest.mark.parametrize(
    ("part", "kind", "code"),
    [
        (coil(), "capacitor", "wrong-kind"),
        (coil(), "resistor", "wrong-kind"),
        (capacitor(), "inductor", "wrong-kind"),
        (capacitor(), "resistor", "wrong-kind"),
        (lambda f: 8.2 + 0 * f, "inductor", "wrong-kind"),
        (lambda f: 8.2 + 0 * f, "capacitor", "wrong-kind"),
        (lambda f: 1 + s_of(f) * 1e-3 + 1 / (s_of(f) * 2e-5), "inductor", "resonates"),
        (lambda f: 1 + s_of(f) * 1e-3 + 1 / (s_of(f) * 2e-5), "capacitor", "resonates"),
        (lambda f: 0.003 + 0 * f, "resistor", "shorted-part"),
        (lambda f: 0.003 + s_of(f) * 1e-8, "inductor", "shorted-part"),
        (lambda f: 1e9 + 0 * f, "resistor", "open-part"),
    ],
)
def test_refused(part, kind, code):
    with pytest.raises(Refused) as error:
        fit_part(curve(part), kind)
    assert code_of(error) == code


def test_network_taken_for_a_part_is_a_poor_fit():
    """Two inductors, one bridged by 3 ohm: no constant L, R and core follows that."""

    def z(f):
        s = s_of(f)
        return 0.4 + s * 0.05e-3 + 1 / (1 / (s * 30e-3) + 1 / 3.0)

    with pytest.raises(Refused) as error:
        fit_part(curve(z), "inductor")
    assert code_of(error) == "poor-fit"


def test_driver_is_no_part():
    def driver(f):
        return 6 + s_of(f) * 0.4e-3 + 40 / (1 + 4j * (f / 50 - 50 / f))

    for kind in ("inductor", "capacitor", "resistor"):
        with pytest.raises(Refused):
            fit_part(curve(driver), kind)


def test_iron_widens_instead_of_lying():
    """L falls with frequency as in solid iron: told in the table, counted in the uncertainty."""

    def z(f):
        return 0.4 + s_of(f) * 1.2e-3 * (s_of(f) / 6283.0) ** -0.06

    found = fit_part(curve(z), "inductor")
    assert "varies" in {w.code for w in found.warnings}
    rows = {row.frequency_hz: row for row in found.table}
    assert rows[100.0].value > 1.1 * rows[5000.0].value
    for hz in (100.0, 1000.0, 5000.0):
        truth = z(np.array([hz]))[0].imag / (2 * np.pi * hz)
        # The third of an octave of a sloping curve leaves 0.1 %.
        assert abs(rows[hz].value - truth) < 2 * rows[hz].value_uncertainty + 1e-3 * truth
    one_khz = abs(z(np.array([1000.0]))[0].imag) / 6283.2
    low, high = found.parameters["L"].interval_95
    assert low < one_khz < high


def test_saturation_shows_from_level_with_common_errors_cancelled():
    quiet = fit_part(curve(coil(), resistor_error=0.008, seed=1), "inductor")
    loud = fit_part(curve(coil(L=0.79e-3), resistor_error=0.008, seed=2), "inductor")
    levels, findings = across_levels([("quiet", -30.0, quiet), ("loud", -3.0, loud)])
    assert levels[1].change == pytest.approx(0.79 / 0.83 - 1, abs=5e-4)
    # The 1 % of the resistor, common to both, must not drown a change of 5 %.
    assert levels[1].uncertainty < 1e-3
    assert [f.code for f in findings] == ["level-dependent"]
    again = fit_part(curve(coil(), resistor_error=0.008, seed=3), "inductor")
    assert across_levels([("a", -30.0, quiet), ("b", -3.0, again)])[1] == ()


def test_magnitude_alone_gives_an_inductance():
    z = coil()(FREQUENCY)
    found = fit_part(MagnitudeCurve(FREQUENCY, np.abs(z)), "inductor")
    assert found.parameters["L"].value == pytest.approx(0.83e-3, rel=2e-3)
    assert "bench-unknown" in {w.code for w in found.warnings}
    with pytest.raises(Refused) as error:
        fit_part(MagnitudeCurve(FREQUENCY, np.abs(z)), "capacitor")
    assert code_of(error) == "wrong-kind"


def test_too_few_points():
    whole = curve(coil())
    few = replace(
        whole,
        frequency_hz=whole.frequency_hz[:3],
        impedance_ohm=whole.impedance_ohm[:3],
        standard_uncertainty_ohm=None,
        systematics=(),
    )
    with pytest.raises(Refused) as error:
        fit_part(few, "inductor")
    assert code_of(error) == "too-few-points"


def test_contributions_add_up_and_name_the_bench():
    found = fit_part(curve(coil()), "inductor")
    estimate = found.parameters["L"]
    total = sum(part**2 for part in estimate.contributions.values()) ** 0.5
    assert estimate.standard_uncertainty == pytest.approx(total)
    assert set(estimate.contributions) <= set(found.sources)
    largest = max(estimate.contributions, key=lambda s: abs(estimate.contributions[s]))
    assert largest == "resistor:bench"

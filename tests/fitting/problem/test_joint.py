"""`fit_driver` on synthetic takes: values, uncertainties, what it refuses."""

from __future__ import annotations

import math
from dataclasses import replace

import driver_bench as bench
import numpy as np
import pytest

from fit.joint import fit_driver
from fit.uncertainty import budget
from meas.curve import ImpedanceCurve, Systematic
from meas.errors import Refused

D = bench.WOOFER
F = bench.FREQUENCY
MASS, VOLUME = 0.008, 0.012


def takes(seed=0, *, driver=D, noise=1e-4, resistor=0.01, drift=0.0):
    """Free air, mass, box; `drift` softens the suspension from take to take."""
    rng = np.random.default_rng(seed)

    def curve(driver, **condition):
        return bench.curve(driver.impedance(F, **condition), rng, noise=noise, resistor=resistor)

    softer = replace(driver, Cms=driver.Cms * (1 + drift))
    softest = replace(driver, Cms=driver.Cms * (1 + 2 * drift))
    return [
        bench.free("free", curve(driver)),
        bench.loaded("mass", curve(softer, mass=MASS), MASS),
        bench.boxed("box", curve(softest, volume=VOLUME), VOLUME, 2.4e-4),
    ]


def relative(fit, name, truth=D.truth):
    return fit.parameters[name].value / truth[name] - 1


def covers(fit, name, truth=D.truth):
    low, high = fit.parameters[name].interval_95
    return low <= truth[name] <= high


def refusal(curves, session=bench.SESSION):
    with pytest.raises(Refused) as refused:
        fit_driver(curves, session)
    return {reason.code for reason in refused.value.reasons}


class TestValues:
    def test_free_air_alone(self):
        fit = fit_driver(takes()[:1], bench.SESSION)
        for name in ("Re", "fs", "Qms", "Qes", "Qts"):
            assert abs(relative(fit, name)) < 2e-3
            assert covers(fit, name)
        assert not {"Mms", "Cms", "Rms", "Bl", "Vas", "Sd", "eta0"} & set(fit.parameters)
        assert fit.model == "lossy"
        assert fit.parameters["K"].value == pytest.approx(D.K, rel=0.01)
        assert fit.parameters["n"].value == pytest.approx(D.n, rel=1e-3)

    def test_added_mass(self):
        fit = fit_driver(takes()[:2], bench.SESSION)
        for name in ("Mms", "Cms", "Rms", "Bl"):
            assert abs(relative(fit, name)) < 2e-3
            assert covers(fit, name)
        assert not {"Vas", "Sd", "Sd_from_takes"} & set(fit.parameters)

    def test_added_mass_and_ruler(self):
        fit = fit_driver(takes()[:2], bench.with_area(D.Sd, 1.6e-4))
        assert abs(relative(fit, "Vas")) < 3e-3
        assert covers(fit, "Vas")
        # Vas = rho c^2 Sd^2 Cms: twice the ruler, once the mass.
        u = fit.parameters["Vas"].standard_uncertainty / fit.parameters["Vas"].value
        ruler = 2 * 1.6e-4 / D.Sd / math.sqrt(3)
        scales = 1e-4 / MASS / math.sqrt(3)
        pressure = 3000 / 101325 / math.sqrt(3)
        assert u == pytest.approx(math.hypot(ruler, scales, pressure), rel=0.05)

    def test_box_alone_gives_vas_without_the_ruler(self):
        free, _, box = takes()
        fit = fit_driver([free, box], bench.SESSION)
        assert abs(relative(fit, "Vas")) < 0.01
        assert covers(fit, "Vas")
        assert "Mms" not in fit.parameters
        assert {"eta0", "sensitivity_1w", "sensitivity_2v83"} <= set(fit.parameters)

    def test_box_and_ruler_give_the_mass(self):
        free, _, box = takes()
        fit = fit_driver([free, box], bench.with_area(D.Sd, 1e-4))
        for name in ("Mms", "Bl", "Cms"):
            assert abs(relative(fit, name)) < 0.01
            assert covers(fit, name)

    def test_mass_and_box_give_the_area(self):
        fit = fit_driver(takes(), bench.SESSION)
        assert fit.parameters["Sd_from_takes"].value == pytest.approx(D.Sd, rel=5e-3)

    def test_sensitivity(self):
        """eta0 = 4 pi^2/c^3 fs^3 Vas/Qes and 112.15 dB at c 343.96, rho 1.1994 (handbook)."""
        fit = fit_driver(takes(), bench.SESSION)
        t = D.truth
        eta0 = 4 * np.pi**2 / 343.963**3 * t["fs"] ** 3 * t["Vas"] / t["Qes"]
        level = 112.152 + 10 * np.log10(eta0)
        assert fit.parameters["eta0"].value == pytest.approx(eta0, rel=0.01)
        assert fit.parameters["sensitivity_1w"].value == pytest.approx(level, abs=0.03)
        expected = level + 10 * np.log10(8 / t["Re"])
        assert fit.parameters["sensitivity_2v83"].value == pytest.approx(expected, abs=0.03)
        assert not fit.parameters["sensitivity_1w"].logarithmic

    def test_extremes_and_inductance(self):
        fit = fit_driver(takes()[:1], bench.SESSION)
        z = np.abs(D.impedance(np.geomspace(10, 20e3, 200001)))
        peak = int(np.argmax(z[:100000]))
        assert fit.parameters["Zmax"].value == pytest.approx(z[peak], rel=1e-3)
        assert fit.parameters["Zmin"].value == pytest.approx(np.min(z[peak:]), rel=1e-3)
        Le = fit.parameters["Le"]
        expected = (D.K * (2j * np.pi * 1000) ** D.n).imag / (2 * np.pi * 1000)
        assert Le.value == pytest.approx(expected, rel=1e-3)
        assert Le.frequency_hz == 1000.0

    def test_what_the_band_does_not_reach_is_absent(self):
        rng = np.random.default_rng(0)
        f = np.geomspace(15, 120, 150)
        curve = bench.curve(D.impedance(f), rng, frequency=f)
        fit = fit_driver([bench.free("short", curve)], bench.SESSION)
        assert not {"Le", "Zmin"} & set(fit.parameters)
        assert covers(fit, "fs")

    def test_units_are_those_agreed(self):
        fit = fit_driver(takes(), bench.with_area(D.Sd, 1e-4))
        allowed = {"ohm", "H", "Hz", "kg", "m/N", "kg/s", "T m", "m3", "m2", "dB", "1"}
        assert {e.unit for e in fit.parameters.values()} <= allowed

    def test_resistance_at_20_celsius(self):
        warm = replace(bench.SESSION, temperature=bench.stated(303.15, 0.0, "air-temperature"))
        fit = fit_driver(takes()[:1], warm)
        at_20 = fit.parameters["Re"].value / (1 + 0.00393 * 10)  # IEC 60028
        assert fit.parameters["Re_20C"].value == pytest.approx(at_20, rel=1e-9)

    def test_unknown_model_is_an_error(self):
        with pytest.raises(ValueError, match="no model 'other'"):
            fit_driver(takes()[:1], bench.SESSION, model="other")

    def test_a_model_can_be_asked_for_and_pays_for_its_misfit(self):
        fit = fit_driver(takes()[:1], bench.SESSION, model="ladder")
        assert fit.model == "ladder"
        assert covers(fit, "Re")
        assert fit.parameters["Re"].standard_uncertainty > 0.01 * D.Re


class TestDrift:
    def test_mass_is_right_in_spite_of_a_suspension_that_drifts(self):
        """2 % in Cms is -5 % in Mms by frequencies alone (handbook); Bl^2/Mms is immune."""
        fit = fit_driver(takes(drift=0.02)[:2], bench.SESSION)
        assert abs(relative(fit, "Mms")) < 3e-3
        assert abs(relative(fit, "Bl")) < 3e-3
        by_frequencies = MASS / (
            (D.truth["fs"] * 2 * np.pi) ** 2 * (D.Mms + MASS) * D.Cms * 1.02 - 1
        )
        assert abs(by_frequencies / D.Mms - 1) > 0.04

    def test_a_box_covers_its_drift(self):
        free, _, box = takes(drift=0.01)
        assert covers(fit_driver([free, box], bench.SESSION), "Vas")

    def test_a_warmer_coil_does_not_reach_the_mass(self):
        rng = np.random.default_rng(2)
        warm = replace(D, Re=D.Re * 1.01)
        curves = takes()[:1]
        curves.append(bench.loaded("mass", bench.curve(warm.impedance(F, mass=MASS), rng), MASS))
        fit = fit_driver(curves, bench.SESSION)
        assert abs(relative(fit, "Mms")) < 3e-3
        assert abs(relative(fit, "Re")) < 1e-3

    def test_repeated_takes_show_the_repeatability(self):
        rng = np.random.default_rng(5)
        curves = []
        for k, shift in enumerate((-0.02, 0.0, 0.02)):
            moved = replace(D, Cms=D.Cms * (1 + shift))
            curves.append(bench.free(f"take {k}", bench.curve(moved.impedance(F), rng)))
        fit = fit_driver(curves, bench.SESSION)
        fs = fit.parameters["fs"]
        repeat = [v for k, v in fs.contributions.items() if k.startswith("random:repeat")]
        # Scatter of fs is 1 % over three takes; their mean has 1 %/sqrt 3 = 0.58 %, shrunk a
        # little towards the prior scatter of 0.25 %.
        assert 0.35e-2 < math.hypot(*repeat) / fs.value < 0.6e-2
        assert fs.widening > 1.2  # Student's t with 3 degrees of freedom is 1.62 times normal
        assert covers(fit, "fs")
        single = fit_driver(curves[:1], bench.SESSION)
        assert not any(k.startswith("random:repeat") for k in single.parameters["fs"].contributions)


class TestContributions:
    def test_squares_add_up_and_sources_have_words(self):
        fit = fit_driver(takes(), bench.with_area(D.Sd, 1e-4))
        for estimate in fit.parameters.values():
            total = math.hypot(*estimate.contributions.values())
            assert total == pytest.approx(estimate.standard_uncertainty)
            assert set(estimate.contributions) <= set(fit.sources)

    def test_resistor_enters_what_it_must_and_nothing_else(self):
        """One to one Re, Res, Le; half Bl; not fs, Q, Mms, Cms, Vas (handbook)."""
        fit = fit_driver(takes(), bench.SESSION)
        u = 0.01 / math.sqrt(3)
        for name, power in (
            ("Re", 1), ("Res", 1), ("Le", 1), ("Zmax", 1), ("Bl", 0.5), ("fs", 0), ("Qms", 0),
            ("Qes", 0), ("Mms", 0), ("Cms", 0), ("Vas", 0), ("eta0", 0),
        ):  # fmt: skip
            e = fit.parameters[name]
            part = e.contributions.get("resistor:bench", 0.0) / e.value
            assert part == pytest.approx(power * u, abs=0.01 * u), name

    @pytest.mark.parametrize(
        "source", ["resistor:bench", "mass:0.008kg", "volume:0.012m3", "ruler", "air-pressure"]
    )
    def test_signs_and_sizes_are_those_of_a_perturbed_bench(self, source):
        """Enlarging what was stated by one standard uncertainty moves results as contributed."""
        curves = takes()
        session = bench.with_area(D.Sd, 3e-4)
        before = fit_driver(curves, session)
        step = 0.2
        moved = [_enlarged(curve, source, step) for curve in curves]
        other = replace(
            session,
            area=_shifted(session.area, source, step),
            pressure=_shifted(session.pressure, source, step),
        )
        after = fit_driver(moved, other)
        for name, e in before.parameters.items():
            expected = step * e.contributions.get(source, 0.0)
            change = after.parameters[name].value - e.value
            # Second-order terms are below step x expected; noise is the same in both fits.
            assert change == pytest.approx(
                expected, rel=0.03, abs=0.01 * step * e.standard_uncertainty
            ), name

    def test_half_a_section_of_a_ladder_is_not_given(self, monkeypatch):
        """Where one of its two is too uncertain to be given, the other goes with it."""
        before = fit_driver(takes()[:1], bench.SESSION, "ladder").parameters
        unsure = {
            name: before[name].standard_uncertainty / before[name].value for name in ("L2", "R2")
        }
        assert unsure["L2"] != unsure["R2"]
        monkeypatch.setattr(budget, "_UNKNOWN", np.mean(list(unsure.values())))
        after = fit_driver(takes()[:1], bench.SESSION, "ladder").parameters
        assert "L1" in after and not {"L2", "R2"} & after.keys()

    def test_random_parts_keep_their_correlation(self):
        """Components of noise are shared by the parameters: Qts follows from Qms and Qes."""
        fit = fit_driver(takes()[:1], bench.SESSION)
        p = fit.parameters
        Qms, Qes, Qts = p["Qms"], p["Qes"], p["Qts"]
        # The choice of the model is reckoned for each quantity alone, as no linear effect is.
        for source in {*Qms.contributions, *Qes.contributions} - {"random:model:choice"}:
            expected = Qts.value**2 * (
                Qms.contributions.get(source, 0.0) / Qms.value**2
                + Qes.contributions.get(source, 0.0) / Qes.value**2
            )
            # The logarithm is linear only to first order; the identity is exact in first order.
            assert Qts.contributions.get(source, 0.0) == pytest.approx(
                expected, rel=1e-3, abs=1e-3 * Qts.standard_uncertainty
            )


def _shifted(stated, source, step):
    if stated.source != source:
        return stated
    return replace(stated, value=stated.value + step * stated.standard_uncertainty)


def _enlarged(measured, source, step):
    curve, condition = measured.curve, measured.condition
    systematic = next((s for s in curve.systematics if s.source == source), None)
    if systematic is not None:
        z = curve.impedance_ohm + step * systematic.derivative_ohm
        curve = replace(curve, impedance_ohm=z)
    if hasattr(condition, "mass"):
        condition = replace(condition, mass=_shifted(condition.mass, source, step))
    if hasattr(condition, "volume"):
        condition = replace(condition, volume=_shifted(condition.volume, source, step))
    return replace(measured, curve=curve, condition=condition)


class TestFurtherMeasurements:
    def test_a_good_multimeter_narrows_the_resistor(self):
        meter = replace(bench.SESSION, measured_re=bench.stated(D.Re * 1.001, 0.01, "multimeter"))
        wide = fit_driver(takes()[:1], bench.SESSION).parameters["Re"]
        narrow = fit_driver(takes()[:1], meter).parameters["Re"]
        assert narrow.standard_uncertainty < 0.3 * wide.standard_uncertainty
        assert narrow.value == pytest.approx(D.Re * 1.001, rel=2e-3)

    def test_a_wrong_resistor_is_found_by_the_multimeter(self):
        curves = takes()[:1]
        wrong = replace(curves[0].curve, impedance_ohm=curves[0].curve.impedance_ohm * 10 / 8.2)
        meter = replace(bench.SESSION, measured_re=bench.stated(D.Re, 0.06, "multimeter"))
        assert refusal([bench.free("free", wrong)], meter) == {"unknown-resistor"}

    def test_a_doubtful_resistor_is_warned_of(self):
        """Limits of meter and resistor allow their sum, 1 + 1 %, and 0.4 % for a kelvin."""
        doubtful, beyond = (
            replace(bench.SESSION, measured_re=bench.stated(D.Re * more, 0.06, "multimeter"))
            for more in (1.02, 1.04)
        )
        fit = fit_driver(takes()[:1], doubtful)
        assert [w.code for w in fit.warnings] == ["unknown-resistor"]
        assert refusal(takes()[:1], beyond) == {"unknown-resistor"}

    def test_weighed_moving_parts_alone_give_the_mass(self):
        """A tweeter has no other mass; the air it carries in free air is 8/3 rho a^3."""
        radius = math.sqrt(D.Sd / math.pi)
        parts = D.Mms - 8 / 3 * 1.1994 * radius**3
        session = replace(
            bench.with_area(D.Sd, 1e-4), moving_parts=bench.stated(parts, 2e-5, "moving-parts")
        )
        fit = fit_driver(takes()[:1], session)
        assert abs(relative(fit, "Mms")) < 1e-3
        assert abs(relative(fit, "Bl")) < 2e-3
        assert fit.parameters["Mms"].contributions["air-load"] > 0
        assert covers(fit, "Mms")

    def test_area_by_takes_checks_the_ruler(self):
        good = fit_driver(takes(), bench.with_area(D.Sd, 1.4e-4))
        assert "area-disagrees" not in [w.code for w in good.warnings]
        bad = fit_driver(takes(), bench.with_area(D.Sd * 1.1, 1.4e-4))
        assert "area-disagrees" in [w.code for w in bad.warnings]
        assert abs(relative(bad, "Vas")) < 0.01  # the ruler has no say in it


class TestMagnitudes:
    def test_a_short_table_with_scatter(self):
        """24 rows with 2 % scatter: found, covered, widened by Student's t."""
        rng = np.random.default_rng(4)
        f = np.geomspace(15, 2000, 24)
        table = bench.magnitude(D.impedance(f), rng, scatter=0.02, frequency=f)
        fit = fit_driver([bench.free("table", table)], bench.SESSION)
        for name in ("Re", "fs", "Qms", "Qes"):
            assert covers(fit, name), name
            assert abs(relative(fit, name)) < 0.15
        assert fit.parameters["fs"].widening > 1.0
        assert 0.003 < fit.curves[0].residual_rms_relative < 0.04

    def test_magnitude_tables_with_a_mass(self):
        rng = np.random.default_rng(4)
        f = np.geomspace(15, 2000, 60)
        curves = [
            bench.free("a", bench.magnitude(D.impedance(f), rng, scatter=0.002, frequency=f)),
            bench.loaded(
                "b",
                bench.magnitude(D.impedance(f, mass=MASS), rng, scatter=0.002, frequency=f),
                MASS,
            ),
        ]
        fit = fit_driver(curves, bench.SESSION)
        assert covers(fit, "Mms")
        assert abs(relative(fit, "Mms")) < 0.05


class TestRefusals:
    def test_a_resistor_is_no_driver(self):
        rng = np.random.default_rng(0)
        z = np.full(F.size, 8.2 + 0j) + 2j * np.pi * F * 2e-6
        assert refusal([bench.free("r", bench.curve(z, rng))]) == {"no-resonance"}

    def test_a_coil_is_no_driver(self):
        rng = np.random.default_rng(0)
        z = 0.4 + 2j * np.pi * F * 1e-3
        assert refusal([bench.free("l", bench.curve(z, rng))]) == {"no-resonance"}

    @pytest.mark.parametrize("band", [(60, 20e3), (10, 30)])
    def test_a_sweep_that_stops_short_of_the_resonance(self, band):
        rng = np.random.default_rng(0)
        f = np.geomspace(*band, 300)
        curve = bench.curve(D.impedance(f), rng, frequency=f)
        assert refusal([bench.free("short", curve)]) == {"no-resonance"}

    def test_two_resonances(self):
        """A vented box: the mass of air in the vent couples to the driver's by the box."""
        rng = np.random.default_rng(0)
        s = 2j * np.pi * F
        wb = 2 * np.pi * 40.0
        box = bench.GAMMA_P * D.Sd**2 / 0.02
        vented = box / s / (1 + wb**2 / (s * s + s * wb / 20))
        mechanical = D.Rms + s * D.Mms + 1 / (s * D.Cms) + vented
        z = D.Re + 3e-4 * s + D.Bl**2 / mechanical
        assert refusal([bench.free("box", bench.curve(z, rng))]) == {"poor-fit"}

    def test_mass_and_free_air_swapped(self):
        free, mass, _ = takes()
        swapped = [bench.free("a", mass.curve), bench.loaded("b", free.curve, MASS)]
        assert refusal(swapped) == {"wrong-condition"}

    def test_a_mass_that_is_not_there(self):
        free, _, _ = takes()
        again = takes(seed=1)[0]
        assert refusal([free, bench.loaded("b", again.curve, MASS)]) == {"wrong-condition"}

    def test_a_box_take_given_a_mass(self):
        free, _, box = takes()
        assert refusal([free, bench.loaded("b", box.curve, MASS)]) == {"wrong-condition"}

    def test_a_mass_take_given_a_box(self):
        free, mass, _ = takes()
        assert refusal([free, bench.boxed("c", mass.curve, VOLUME, 1e-4)]) == {"wrong-condition"}

    def test_no_free_air(self):
        assert refusal(takes()[1:]) == {"no-free-air"}

    def test_another_unit(self):
        other = takes(driver=replace(D, Re=D.Re * 1.25))
        codes = refusal([takes()[0], other[1]])
        assert codes == {"unit-changed"}

    def test_a_loaded_take_among_the_free_ones(self):
        free, mass, _ = takes()
        assert "unit-changed" in refusal([free, bench.free("b", mass.curve)])

    def test_a_leaky_box(self):
        """A leak is a resistance beside the box's compliance: the peak is blunt."""
        rng = np.random.default_rng(0)
        s = 2j * np.pi * F
        stiffness = bench.GAMMA_P * D.Sd**2 / VOLUME
        codes = set()
        for quality in (1.5, 5.0):
            leak = stiffness / (s + 2 * np.pi * 70 / quality)
            mechanical = D.Rms + s * D.Mms + 1 / (s * D.Cms) + leak
            z = D.Re + D.K * s**D.n + D.Bl**2 / mechanical
            curves = [takes()[0], bench.boxed("c", bench.curve(z, rng), VOLUME, 1e-4)]
            try:
                codes |= {w.code for w in fit_driver(curves, bench.SESSION).warnings}
            except Refused as refused:
                codes |= {r.code for r in refused.reasons}
        assert "leaky-box" in codes

    def test_messages_say_what_where_and_what_to_do(self):
        free, mass, _ = takes()
        with pytest.raises(Refused) as refused:
            fit_driver([bench.free("a", mass.curve), bench.loaded("b.csv", free.curve, MASS)],
                       bench.SESSION)  # fmt: skip
        assert "b.csv" in str(refused.value)
        assert "swapped" in str(refused.value)


class TestMisfit:
    def test_model_choice_finds_the_generating_coil(self):
        """Three coils, ten noises each: right every time (their chi-squares differ by far)."""
        s = 2j * np.pi * F
        body = D.impedance(F) - D.K * s**D.n
        for name, zc in (
            ("plain", 3e-4 * s),
            ("lossy", 0.02 * s**0.7),
            ("ladder", 2e-4 * s + 1 / (1 / (8e-4 * s) + 1 / 6.0)),
        ):
            for seed in range(3):
                rng = np.random.default_rng(seed)
                curve = bench.curve(body + zc, rng, noise=1e-3)
                assert fit_driver([bench.free("a", curve)], bench.SESSION).model == name

    def test_a_noisy_scale_error_does_not_pull(self):
        """Peelle's puzzle: the resistor must not shrink the noise, however its effect is given."""
        rng = np.random.default_rng(3)
        z = D.impedance(F)
        sigma = 0.01 * np.abs(z)
        data = z + sigma * (rng.standard_normal(F.size) + 1j * rng.standard_normal(F.size))
        for effect in (0.02 * data, 0.02 * z):
            curve = ImpedanceCurve(F, data, sigma, (Systematic("resistor:a", "r", effect),))
            fit = fit_driver([bench.free("a", curve)], bench.SESSION)
            assert abs(relative(fit, "Re")) < 0.01

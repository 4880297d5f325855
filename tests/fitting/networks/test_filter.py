"""Crossovers solved into drivers: against ngspice, hand results and brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ngspice_bench import run_ngspice

from cli.filter.picture import place
from fit.crossover.budget import crossing, disturbed, estimate, minimum
from fit.crossover.combine import nearest_combinations
from fit.crossover.evaluate import evaluate
from fit.crossover.ladder import Part
from fit.crossover.load import Load, fitted_impedance, from_curve, from_fit
from fit.crossover.netlist import netlist
from fit.crossover.network import (
    Branch,
    NetworkArm,
    NetworkPart,
    crossings,
    grid,
    least_load,
    solve,
    stresses,
)
from fit.crossover.spice import subcircuit
from fit.crossover.textbook import BranchAim, design
from fit.design.preferred import nearest
from fit.results.result import DriverFit, Estimate, FittedCurve
from meas.curve import ImpedanceCurve, Systematic
from meas.errors import Refused

WOOFER = {"Re": 5.9, "fs": 47.0, "Qms": 4.1, "Res": 48.0, "L1": 0.2e-3, "L2": 0.5e-3, "R2": 3.3}
TWEETER = {"Re": 4.8, "fs": 950.0, "Qms": 2.1, "Res": 9.0, "K": 0.0021, "n": 0.7}
BAND = (20.0, 20000.0)


def load(name: str, values: dict[str, float], model: str) -> Load:
    return Load(
        name, lambda f: fitted_impedance(f, values, model), BAND, {}, {}, values["Re"], 0.3e-3
    )


def resistor(ohm: float, band=BAND) -> Load:
    return Load("resistor", lambda f: np.full(np.shape(f), ohm + 0j), band, {}, {}, ohm, 0.0)


def one(kind: str, value: float, name: str = "X1", **more) -> NetworkPart:
    flaws = {key: more.pop(key) for key in ("series_ohm", "core_ohm") if key in more}
    return NetworkPart(name, Part(kind, value, **flaws), **more)


def two_way() -> list[Branch]:
    woofer = (
        NetworkArm("series", (one("inductor", 0.82e-3, "L1", series_ohm=0.38, core_ohm=900.0),)),
        NetworkArm("shunt", (one("capacitor", 12e-6, "C1", series_ohm=0.09),
                             one("resistor", 1.5, "R1"))),
    )  # fmt: skip
    tweeter = (
        NetworkArm("series", (one("capacitor", 6.8e-6, "C1", series_ohm=0.02),)),
        NetworkArm("shunt", (one("inductor", 0.33e-3, "L1", series_ohm=0.3),)),
        NetworkArm("series", (one("resistor", 2.2, "R1"),)),
        NetworkArm("shunt", (one("resistor", 10.0, "R2"),)),
    )
    return [
        Branch("woofer", woofer, load("woofer", WOOFER, "ladder")),
        Branch("tweeter", tweeter, load("tweeter", TWEETER, "lossy")),
    ]


@pytest.mark.ngspice
def test_ngspice_sees_the_same_network(tmp_path):
    """Both branches with their drivers as subcircuits: transfer and load to 1e-6."""
    branches = two_way()
    circuits = {
        "woofer": subcircuit("low", WOOFER, "ladder", *BAND),
        "tweeter": subcircuit("high", TWEETER, "lossy", *BAND),
    }
    text = netlist(branches, circuits)
    vectors = run_ngspice([*text.splitlines(), ".ac dec 40 20 20000"], tmp_path)
    f = vectors["frequency"].real
    solution = solve(branches, f)
    for branch in solution.branches:
        seen = vectors[f"v({branch.branch.name}_out)"]
        assert np.max(np.abs(branch.ladder.transfer / seen - 1)) < 1e-6
    # The current of a source flows into its plus: the load is the reciprocal, negative.
    assert np.max(np.abs(solution.load_ohm / (-1 / vectors["i(vamp)"]) - 1)) < 1e-6


def test_first_order_into_resistors_crosses_at_half_power():
    wish = {"crossover_hz": 3000.0, "series": None}
    branches = [
        Branch("woofer", design(BranchAim(True, **wish), resistor(8.0))[0], resistor(8.0)),
        Branch("tweeter", design(BranchAim(False, **wish), resistor(8.0))[0], resistor(8.0)),
    ]
    # 8 ohm at 3 kHz: 0.42441 mH, 6.6315 uF (worked by hand).
    assert branches[0].arms[0].parts[0].part.value == pytest.approx(0.42441e-3, abs=5e-9)
    assert branches[1].arms[0].parts[0].part.value == pytest.approx(6.6315e-6, abs=5e-11)
    result = evaluate(branches)
    crossed = result.crossings[0]
    assert (crossed.lower, crossed.upper) == ("woofer", "tweeter")
    # Linear interpolation between 48 points to the octave of two straight lines in dB.
    assert crossed.frequency.value == pytest.approx(3000, rel=1e-4)
    assert crossed.level_db == pytest.approx(-10 * math.log10(2), abs=1e-3)
    # Complementary first-order branches of one resistance are that resistance together.
    assert np.abs(result.solution.load_ohm) == pytest.approx(8.0)
    assert result.half_power_hz[0] == pytest.approx((3000,), rel=1e-2)


def test_tweeter_capacitors_of_the_trade():
    """2.2 and 3.3 uF are common first-order series capacitors of tweeters (common practice, no
    source): corners of 9.0 and 6.0 kHz into 8 ohm, inside the tweeter's 2 to 20 kHz."""
    for hz, farad in ((6000.0, 3.3e-6), (9000.0, 2.2e-6)):
        arms, _ = design(BranchAim(False, hz, series=6), resistor(8.0))
        assert arms[0].parts[0].part.value == pytest.approx(farad)
        assert 1 / (2 * math.pi * 8 * farad) == pytest.approx(hz, rel=0.02)


def test_two_polarised_capacitors_make_half():
    """Two of 4.7 uF in series make 2.35 uF (common practice, no source)."""
    best = nearest_combinations({"a": 4.7e-6, "b": 4.7e-6}, 2.35e-6, "capacitor")[0]
    assert best.value == pytest.approx(2.35e-6)
    assert best.text == "a + b"


def test_second_order_butterworth_into_resistors():
    wish = BranchAim(True, 2000.0, order=2, Q=math.sqrt(0.5), series=None)
    branch = Branch("woofer", design(wish, resistor(6.0))[0], resistor(6.0))
    result = evaluate([branch])
    f, level = result.solution.frequency_hz, result.solution.branches[0].level_db
    # Maximally flat, second order: |H|^2 = 1/(1 + (f/fc)^4) (S. Butterworth, 1930).
    assert level == pytest.approx(-10 * np.log10(1 + (f / 2000) ** 4), abs=1e-9)


def test_compensation_makes_the_textbook_value_right():
    """Into Re + s Le with its compensation the first-order branch is exact again."""
    Re, Le = 6.0, 0.5e-3
    driver = Load("coil", lambda f: Re + 2j * np.pi * f * Le, BAND, {}, {}, Re, Le)
    arms, nominal = design(BranchAim(True, 1000.0, compensate=True, series=None), driver)
    assert nominal == Re
    solution = solve([Branch("woofer", arms, driver)], np.array([1000.0, 10000.0]))
    level = solution.branches[0].level_db
    assert level == pytest.approx(-10 * np.log10(1 + np.array([1.0, 100.0])), abs=1e-9)


def test_attenuation_is_what_was_asked():
    quiet = BranchAim(False, 3000.0, attenuate_db=6.0, series=None)
    loud = BranchAim(False, 3000.0, series=None)
    f = grid(BAND)
    levels = []
    for wish in (loud, quiet):
        branch = Branch("tweeter", design(wish, resistor(8.0))[0], resistor(8.0))
        levels.append(solve([branch], f).branches[0].level_db)
    assert levels[0] - levels[1] == pytest.approx(6.0)


def test_designed_parts_are_preferred_values():
    arms, _ = design(BranchAim(False, 2800.0, order=2, attenuate_db=3.0, series=12), resistor(7.3))
    for arm in arms:
        for named in arm.parts:
            assert nearest(named.part.value, 12) == pytest.approx(named.part.value)


def test_power_of_both_branches_comes_from_the_amplifier():
    """Heat of parts and loads is what the source delivers (Tellegen's theorem)."""
    branches = two_way()
    f = np.array([777.0])
    solution = solve(branches, f)
    heat = sum(s.worst_watt for branch in solution.branches for s in stresses(branch, f, 2.83))
    for branch in solution.branches:
        load = branch.branch.load.impedance(f)[0]
        heat += np.abs(branch.ladder.transfer[0] * 2.83 / load) ** 2 * load.real
    delivered = 2.83**2 * (1 / solution.load_ohm[0]).real
    assert heat == pytest.approx(delivered, rel=1e-12)


def test_stress_of_a_resistor_across_the_amplifier():
    """10 ohm across 9 V: 8.1 W at every frequency, 1.27 A and 12.7 V at the peaks."""
    branch = Branch("woofer", (NetworkArm("shunt", (one("resistor", 10.0),)),), resistor(8.0))
    f = grid(BAND)
    (stress,) = stresses(solve([branch], f).branches[0], f, 9.0)
    assert stress.worst_watt == pytest.approx(8.1)
    assert stress.pink_watt == pytest.approx(8.1)
    assert stress.peak_ampere == pytest.approx(0.9 * math.sqrt(2))
    assert stress.peak_volt == pytest.approx(9 * math.sqrt(2))


def test_pink_noise_heats_by_the_mean_over_octaves():
    """A resistor behind a capacitor, corner fc: the mean over ln f of (f/fc)^2/(1+(f/fc)^2)."""
    R, C = 8.0, 1 / (2 * math.pi * 1000 * 8.0)
    arms = (NetworkArm("series", (one("capacitor", C), one("resistor", R / 2, "R1"))),)
    branch = Branch("tweeter", arms, resistor(R / 2))
    f = grid(BAND)
    found = stresses(solve([branch], f).branches[0], f, 1.0)[1]
    low, high = 0.02, 20.0
    mean = 0.5 * math.log((1 + high**2) / (1 + low**2)) / math.log(high / low)
    # The mean of points evenly over ln f is the integral but for half a point at each end.
    assert found.pink_watt == pytest.approx(mean * (R / 2) / R**2, rel=3e-3)


def test_least_load_between_points():
    """A series resonance of 3 ohm at 1234 Hz, sampled at other frequencies."""
    L = 1e-3
    C = 1 / ((2 * math.pi * 1234) ** 2 * L)
    f = grid((200.0, 8000.0))
    z = 3 + 2j * np.pi * f * L + 1 / (2j * np.pi * f * C)
    ohm, hz = least_load(f, z)
    assert hz == pytest.approx(1234, rel=2e-4)
    assert ohm == pytest.approx(3.0, rel=1e-4)


def test_crossings_of_straight_lines():
    f = grid((100.0, 10000.0))
    x = np.log(f)
    rising, falling = x - math.log(1000), math.log(1000) - x
    assert crossings(f, rising, falling) == pytest.approx([1000.0])
    assert crossings(f, rising, rising - 1) == []


def capacitor_into_8_ohm(farad: float, pad: float) -> Branch:
    part = one("capacitor", farad, "C1", value_uncertainty=0.05 * farad)
    arms = [NetworkArm("series", (some,)) for some in (one("resistor", pad, "R1"), part)]
    return Branch(f"{1e6 * farad:g} uF", tuple(arms), resistor(8.0))


def test_two_that_play_nearly_alike_cross_nowhere_in_particular():
    """Never 0.8 dB apart: 5 % of a capacitor, 0.4 dB, move the crossing by an octave and more."""
    branches = [capacitor_into_8_ohm(6.0e-6, 0.1), capacitor_into_8_ohm(5.5e-6, 1e-3)]
    (crossed,) = evaluate(branches).crossings
    assert not crossed.resolved
    assert place(crossed).count(" to ") == 1
    (crossed,) = evaluate(two_way()).crossings
    assert crossed.resolved
    assert place(crossed) == f"{crossed.frequency.value:.0f} Hz"


def test_a_number_that_an_error_makes_vanish_is_not_known_to_less_than_a_factor():
    """6.2 uF and 6 uF: at 5 % less the first never leads, and there is no crossing at all."""
    branches = [capacitor_into_8_ohm(6.2e-6, 0.1), capacitor_into_8_ohm(6.0e-6, 1e-3)]
    (crossed,) = evaluate(branches).crossings
    assert crossed.frequency.standard_uncertainty >= crossed.frequency.value


def test_uncertainty_agrees_with_brute_force():
    """Parts drawn from their limits 400 times: the spread is what the budget says within 12 %.

    The standard deviation of 400 draws is known to 3.5 % (its relative standard error is
    1/sqrt(2 n)); three times that.
    """
    branches = two_way()
    toleranced = [
        Branch(
            b.name,
            tuple(
                NetworkArm(
                    arm.place,
                    tuple(
                        NetworkPart(p.name, p.part, 0.05 * p.part.value / math.sqrt(3))
                        for p in arm.parts
                    ),
                )
                for arm in b.arms
            ),
            b.load,
        )
        for b in branches
    ]
    f = grid((200.0, 20000.0))
    network, moved = solve(toleranced, f), list(disturbed(toleranced, f))
    told_hz = estimate(network, moved, crossing(0, 1, 2500.0), "Hz")
    told_ohm = estimate(network, moved, minimum, "ohm")
    rng = np.random.default_rng(3)
    seen_hz, seen_ohm = [], []
    for _ in range(400):
        drawn = [
            Branch(
                b.name,
                tuple(
                    NetworkArm(
                        arm.place,
                        tuple(
                            NetworkPart(
                                p.name,
                                Part(
                                    p.part.kind,
                                    p.part.value * (1 + rng.uniform(-0.05, 0.05)),
                                    p.part.series_ohm,
                                    p.part.core_ohm,
                                ),
                            )
                            for p in arm.parts
                        ),
                    )
                    for arm in b.arms
                ),
                b.load,
            )
            for b in toleranced
        ]
        solution = solve(drawn, f)
        seen_hz.append(crossing(0, 1, 2500.0)(solution))
        seen_ohm.append(minimum(solution))
    assert told_hz.standard_uncertainty == pytest.approx(np.std(seen_hz), rel=0.12)
    assert told_ohm.standard_uncertainty == pytest.approx(np.std(seen_ohm), rel=0.12)


def test_the_resistor_of_one_bench_moves_both_loads_at_once():
    """1 % of the bench's resistor is 1 % of the combined load, not 1 %/sqrt 2."""
    f = np.geomspace(20, 20000, 300)
    ohm = np.full(300, 8.0 + 0j)

    def measured(name, source):
        return from_curve(name, ImpedanceCurve(f, ohm, None, (Systematic(source, "", 0.01 * ohm),)))

    def uncertainty(second):
        loads = measured("a", "resistor:bench"), measured("b", second)
        branches = [Branch("woofer", (), loads[0]), Branch("tweeter", (), loads[1])]
        return evaluate(branches).least_load.standard_uncertainty

    assert uncertainty("resistor:bench") == pytest.approx(0.04, rel=1e-3)
    assert uncertainty("resistor:other") == pytest.approx(0.04 / math.sqrt(2), rel=1e-3)


def test_the_resistor_of_the_bench_cancels_where_a_coil_meets_its_driver():
    """The corner R/(2 pi L) is a ratio: a coil and a driver of one bench share the resistor."""
    f = np.geomspace(20, 20000, 300)
    ohm = np.full(300, 8.0 + 0j)

    def corner(source):
        errors = {source: {"value": 0.01e-3}}
        coil = NetworkPart("L1", Part("inductor", 1e-3), errors=errors)
        driver = from_curve(
            "w", ImpedanceCurve(f, ohm, None, (Systematic("resistor:bench", "", 0.01 * ohm),))
        )
        branch = Branch("woofer", (NetworkArm("series", (coil,)),), driver)
        level = lambda s: crossings(  # noqa: E731  # a quantity in one line
            s.frequency_hz, s.branches[0].level_db, np.full(s.frequency_hz.size, -3.0103)
        )[0]
        network, moved = solve([branch], grid(BAND)), list(disturbed([branch], grid(BAND)))
        return estimate(network, moved, level, "Hz")

    shared, apart = corner("resistor:bench"), corner("resistor:other")
    assert shared.value == pytest.approx(8 / (2 * math.pi * 1e-3), rel=1e-3)
    assert shared.standard_uncertainty < 1e-4 * shared.value
    expected = 0.01 * math.sqrt(2) * apart.value
    assert apart.standard_uncertainty == pytest.approx(expected, rel=2e-2)


def fitted(values: dict[str, float], model: str) -> DriverFit:
    units = {"fs": "Hz", "Qms": "1", "n": "1", "L1": "H", "L2": "H"}
    f = np.geomspace(20, 20000, 50)
    z = fitted_impedance(f, values, model)
    return DriverFit(
        model=model,
        parameters={
            name: Estimate(value, units.get(name, "ohm"), {"resistor:bench": 0.01 * value})
            for name, value in values.items()
        },
        curves=(FittedCurve("x", "free-air", None, f, z, z, z, 0.0),),
        sources={"resistor:bench": "resistor"},
    )


EMPIRICAL = {"Kr": 0.004, "Xr": 0.75, "Ki": 0.01, "Xi": 0.7}


@pytest.mark.parametrize(
    ("model", "more"),
    [
        ("ladder", {}),
        ("ladder+creep", {"creep": 0.11}),
        ("ladder+relaxing", {"give": 0.2, "f_give": 12.0}),
        ("ladder+creep+former", {"creep": 0.05, "brake": 0.1, "f_former": 900.0, "R_former": 2.0}),
        ("empirical", EMPIRICAL),
    ],
)
def test_a_fit_as_load_carries_its_uncertainty(model, more):
    """1 % of everything, for the sake of the test also of fs, Q and exponents.

    First order (JCGM 102:2011, 6.2.1.3), by central differences with h = 1e-4: their error is
    (Q h)^2 and less.
    """
    values = WOOFER | more
    made = from_fit("woofer", fitted(values, model))
    f = np.array([30.0, 47.0, 1000.0])
    assert made.impedance(f) == pytest.approx(fitted_impedance(f, values, model), rel=1e-12)

    def scaled(factor):
        return fitted_impedance(f, {name: factor * v for name, v in values.items()}, model)

    slope = (scaled(1 + 1e-4) - scaled(1 - 1e-4)) / 2e-4
    np.testing.assert_allclose(made.errors["resistor:bench"](f), 0.01 * slope, rtol=1e-5)


def test_a_curve_as_load_is_met_between_its_points():
    """A cubic spline errs by 5/384 h^4 |z^(4)| (C. de Boor, A Practical Guide to Splines).

    h = ln(1000)/399; a resonance has |z^(4)| of at most 24 (2 Q)^4 |z|, Q = 4.1: 1.3e-4.
    """
    f = np.geomspace(20, 20000, 400)
    made = from_curve("woofer", ImpedanceCurve(f, fitted_impedance(f, WOOFER, "ladder")))
    between = np.sqrt(f[1:] * f[:-1])[2:-2]
    truth = fitted_impedance(between, WOOFER, "ladder")
    assert np.max(np.abs(made.impedance(between) / truth - 1)) < 1.3e-4


def codes(branches, **asked):
    return {finding.code for finding in evaluate(branches, **asked).findings}


def test_what_is_found():
    plain = [Branch("woofer", (), resistor(4.0)), Branch("tweeter", (), resistor(4.0))]
    result = evaluate(plain, amplifier_minimum_ohm=4.0)
    assert result.verdict == "outside"
    assert result.least_load.value == pytest.approx(2.0)
    assert "low-load" in {f.code for f in result.findings}
    assert "no-crossing" in {f.code for f in result.findings}
    assert evaluate(plain, amplifier_minimum_ohm=1.9).verdict == "inside"
    hot = (NetworkArm("shunt", (one("resistor", 10.0, rated_watt=5.0),)),)
    branch = [Branch("woofer", hot, resistor(8.0))]
    assert "overloaded-part" in codes(branch, drive_volt=9.0)
    assert "overloaded-part" not in codes(branch, drive_volt=5.0)
    bare = (NetworkArm("series", (one("inductor", 1e-3),)),)
    assert "no-winding" in codes([Branch("woofer", bare, resistor(8.0))])
    narrow = [
        Branch("woofer", (), resistor(8.0)),
        Branch("tweeter", (), resistor(8.0, (500, 20e3))),
    ]
    assert "band-limited" in codes(narrow)
    apart = [Branch("woofer", (), resistor(8.0, (20, 300))), narrow[1]]
    with pytest.raises(Refused, match="no-common-band"):
        evaluate(apart)


def test_undecided_when_the_limit_lies_in_the_interval():
    f = np.geomspace(20, 20000, 300)
    z = np.full(300, 4.02 + 0j)
    known = from_curve("w", ImpedanceCurve(f, z, None, (Systematic("r", "", 0.01 * z),)))
    assert evaluate([Branch("woofer", (), known)], amplifier_minimum_ohm=4.0).verdict == "undecided"


def test_a_tweeter_driven_at_its_resonance_is_told():
    tweeter = load("tweeter", TWEETER, "lossy")
    low = design(BranchAim(False, 1500.0), tweeter)[0]
    assert "resonance-driven" in codes([Branch("tweeter", low, tweeter)])
    high = design(BranchAim(False, 5000.0, order=2), tweeter)[0]
    assert "resonance-driven" not in codes([Branch("tweeter", high, tweeter)])

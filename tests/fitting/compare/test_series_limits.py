"""Limits of a series: what they hold of good units, and which bad ones they find."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from driver_bench import FREQUENCY, SESSION, WOOFER, curve, free
from made_fits import SOURCES, Physical, fit_of

from fit.compare.repeatability import REPEATABILITY
from fit.compare.sitting import of_driver
from fit.joint import fit_driver, fit_near
from fit.numerics.robust import pivots, tolerance_factor
from fit.results.result import DriverFit
from fit.series.judge import judge_curve, judge_unit, reference_units
from fit.series.limits import SeriesLimits, derive, fewest_units
from fit.series.mask import CENTRES_HZ, bare_profile, judge, mask, profile
from fit.series.values import CMES, JUDGED, common, quantities
from meas.errors import Refused

SPREADS = {"Re": 0.008, "Le": 0.02, "Bl": 0.012, "Mms": 0.01, "Cms": 0.05, "Rms": 0.06}
"""Standard deviations over the units of an invented series, in the logarithm."""
DRIVER = Physical()


def made(rng: np.random.Generator, spreads: Mapping[str, float] = SPREADS) -> Physical:
    """One unit of the series, as clamped once: every part off by its spread and repeatability."""
    return DRIVER.but(
        **{
            part: math.exp(math.hypot(spread, REPEATABILITY[part][0]) * rng.standard_normal())
            for part, spread in spreads.items()
        }
    )


def reference(rng: np.random.Generator, n: int = 8, **how: object) -> list[tuple[str, DriverFit]]:
    return [(f"unit {i + 1}", fit_of(made(rng), **how)) for i in range(n)]


def limit_of(limits: SeriesLimits, symbol: str):
    return next(one for one in limits.limits if one.parameter == symbol)


# ---- what a series is looked at by ---------------------------------------------------------------


def test_moving_mass_over_squared_force_factor_from_free_air() -> None:
    found = quantities(fit_of(DRIVER, names=("Re", "fs", "Qms", "Qes")))
    assert found[CMES].value == pytest.approx(DRIVER.Mms / DRIVER.Bl**2, rel=1e-12)
    # Its resistor: Qes does not see it here, Re does; so it goes in inversely, as it must.
    assert found[CMES].contributions["resistor:bench-a"] / found[CMES].value == pytest.approx(
        -SOURCES["resistor:bench-a"]["Re"]
    )
    softer = quantities(fit_of(DRIVER.but(Cms=1.3)))[CMES].value
    assert softer == pytest.approx(found[CMES].value, rel=1e-12)


def test_a_resistor_that_all_share_spreads_nothing() -> None:
    """The same units through a resistor 3 % off: limits move with it, their ratio does not."""
    rng = np.random.default_rng(2)
    drivers = [made(rng) for _ in range(8)]
    plain = derive([(str(i), fit_of(d)) for i, d in enumerate(drivers)])
    off = derive([(str(i), fit_of(d.but(Re=1.03))) for i, d in enumerate(drivers)])
    one, other = limit_of(plain, "Re"), limit_of(off, "Re")
    assert other.centre / one.centre == pytest.approx(1.03, rel=1e-6)
    assert one.upper is not None and one.lower is not None
    assert other.upper / other.lower == pytest.approx(one.upper / one.lower, rel=1e-6)
    assert one.measuring == pytest.approx(math.hypot(REPEATABILITY["Re"][0], 0.0002), rel=1e-3)
    assert one.common.effects["resistor:bench-a"] == pytest.approx(0.0058)


def test_a_frame_spreads_nothing_unless_it_is_held_otherwise() -> None:
    """One design moves its frame alike; by hand it is another error, and both then count.

    fs goes with the inverse root of the mass: half of 2 % and of 5 %, over the root of three. What
    mounting does is counted once, whether the fits carry it or not.
    """
    rng = np.random.default_rng(3)
    fits = [(str(i), fit_of(made(rng))) for i in range(8)]
    plain = derive(fits)
    held = derive([(name, of_driver(fit, "magnet-down", name)) for name, fit in fits])
    unit = fit_of(made(rng))
    for symbol in JUDGED:
        one, other = limit_of(held, symbol), limit_of(plain, symbol)
        assert one.measuring == pytest.approx(other.measuring, rel=1e-9)
        assert one.upper == pytest.approx(other.upper, rel=1e-9)
    bare = _reach(unit, plain)
    assert _reach(of_driver(unit, "magnet-down", "it"), held) == pytest.approx(bare, rel=1e-9)
    moved = 1.96 * math.hypot(0.01, 0.025) / math.sqrt(3)
    by_hand = _reach(of_driver(unit, "hand", "it"), held)
    assert by_hand == pytest.approx(math.hypot(bare, moved), rel=1e-3)


def _reach(unit: DriverFit, limits: SeriesLimits) -> float:
    """Half of the interval by which fs is judged, in the logarithm."""
    judged = judge_unit(unit, limits).judged
    low, high = next(one.interval_95 for one in judged if one.limit.parameter == "fs")
    return math.log(high / low) / 2


def test_weather_is_not_shared_with_a_later_day() -> None:
    sources = {"air-temperature": {"Re_20C": 0.01}, "resistor:x": {"Re_20C": 0.005}}
    shared = common([fit_of(DRIVER, sources=sources).parameters["Re_20C"]] * 3)
    assert set(shared.effects) == {"resistor:x"}


# ---- good units ----------------------------------------------------------------------------------


def expected_outside(n: int, unit: float, clamped: float, guard: float) -> float:
    """Probability that a good unit lies surely outside limits from n others, by simulation of
    the statistics alone: normal values, the spread never below what measuring makes."""
    rng = np.random.default_rng(0)
    m, s = pivots(n)
    sigma = math.hypot(unit, clamped)
    k = tolerance_factor(n, 0.99, 0.90)
    reach = k * np.maximum(s, guard / sigma) + 1.959964 * guard / sigma
    return float(np.mean(np.abs(rng.standard_normal(m.size) - m) > reach))


def test_good_units_are_rarely_outside_and_as_rarely_as_theory_says() -> None:
    """Re over 100 series of 8 with 20 more units each: the share outside, within 4 sigma.

    Sigma from the scatter over series, since units of one series share their limits.
    """
    rng = np.random.default_rng(21)
    shares, others = [], []
    for _ in range(100):
        limits = derive(reference(rng))
        units = [judge_unit(fit_of(made(rng)), limits) for _ in range(20)]
        shares.append(np.mean([u.judged[0].verdict == "outside" for u in units]))
        others.append(np.mean([u.verdict == "outside" for u in units]))
        assert units[0].judged[0].limit.parameter == "Re"
    clamped = REPEATABILITY["Re"][0]
    expected = expected_outside(8, SPREADS["Re"], clamped, math.hypot(clamped, 0.0002))
    spread = np.std(shares) / math.sqrt(len(shares))
    assert np.mean(shares) == pytest.approx(expected, abs=4 * max(spread, 5e-4))
    # Each of the five quantities holds at least 99 % nine times in ten.
    assert np.mean(others) < len(JUDGED) * 0.01


def test_more_units_narrow_the_limits_towards_those_of_the_population() -> None:
    rng = np.random.default_rng(5)
    few = np.mean([_width(derive(reference(rng, 6)), "fs") for _ in range(30)])
    many = np.mean([_width(derive(reference(rng, 40)), "fs") for _ in range(10)])
    spread = math.hypot(
        *(0.5 * math.hypot(SPREADS[part], REPEATABILITY[part][0]) for part in ("Mms", "Cms"))
    )
    assert many < few
    assert 1.0 < many / (2 * 2.5758 * spread) < 1.35  # tolerance factor of 40: 3.09 over 2.58


def _width(limits: SeriesLimits, symbol: str) -> float:
    limit = limit_of(limits, symbol)
    assert limit.upper is not None and limit.lower is not None
    return math.log(limit.upper / limit.lower)


def test_one_bad_unit_in_the_reference_is_named_and_hardly_moves_the_limits() -> None:
    rng = np.random.default_rng(8)
    clean = reference(rng, 10)
    bad = [*clean[:9], ("the odd one", fit_of(made(rng).but(Bl=0.8)))]
    before, after = derive(clean), derive(bad)
    assert [f.code for f in after.findings] == ["unlike-the-rest"]
    assert "the odd one" in after.findings[0].text
    assert "44 % above" in after.findings[0].text or "% above" in after.findings[0].text
    assert _width(after, CMES) < 1.6 * _width(before, CMES)
    assert judge_unit(bad[9][1], after).verdict == "outside"
    assert "the odd one" in reference_units(bad, after)[0].text
    assert reference_units(clean, before) == ()


def test_too_few_units_are_refused_with_the_number_needed() -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(Refused) as refused:
        derive(reference(rng, 4))
    assert refused.value.reasons[0].code == "too-few-units"
    assert f"{fewest_units(0.99, 0.90)} are needed" in str(refused.value)
    needed = fewest_units(0.99, 0.95)
    assert needed is not None and needed > 5
    with pytest.raises(Refused, match=f"{needed} are needed"):
        derive(reference(rng, needed - 1), confidence=0.95)
    assert derive(reference(rng, needed), confidence=0.95).limits
    # Twice the width of the population's own limits, by the exact factors: 6 or 7 at 95/95.
    assert fewest_units(0.95, 0.80) == 5


def test_fits_by_different_models_are_refused() -> None:
    rng = np.random.default_rng(1)
    units = reference(rng, 8)
    mixed = [*units[:7], ("last", replace(units[7][1], model="ladder"))]
    with pytest.raises(Refused, match="mixed-models"):
        derive(mixed)
    with pytest.raises(Refused, match="mixed-models"):
        judge_unit(mixed[7][1], derive(units))


# ---- one unit ------------------------------------------------------------------------------------


def test_words_of_a_unit_that_is_outside() -> None:
    limits = derive(reference(np.random.default_rng(3), 10))
    verdict = judge_unit(fit_of(DRIVER.but(Bl=0.85)), limits)
    assert verdict.verdict == "outside"
    first = verdict.findings[0]
    assert first.code == f"outside-{CMES}"
    assert "weaker by half as much in Bl" in first.text
    item = next(j for j in verdict.judged if j.limit.parameter == CMES)
    truth = math.log((DRIVER.Mms / (0.85 * DRIVER.Bl) ** 2) / item.limit.centre)
    assert item.deviation == pytest.approx(truth, abs=1e-9)
    assert item.limit.upper is not None
    assert item.beyond == pytest.approx(math.log(item.value / item.limit.upper), abs=1e-9)


def test_beyond_a_limit_by_less_than_it_repeats_it_is_undecided() -> None:
    limits = derive(reference(np.random.default_rng(3), 10))
    edge = limit_of(limits, "fs").upper

    def at(factor: float, takes: int = 1):
        driver = DRIVER.but(Cms=(DRIVER.values()["fs"] / (factor * edge)) ** 2)
        verdict = judge_unit(fit_of(driver, free_air_takes=takes), limits)
        return next(j for j in verdict.judged if j.limit.parameter == "fs")

    # The guard band is that of clamping anew: fs by Cms 1 % and Mms 0.3 %, each by half; and noise.
    reach = 1.959964 * math.hypot(0.5 * 0.01, 0.5 * 0.003, 0.0004)
    item = at(1 + 0.5 * reach)
    assert math.log(item.interval_95[1] / item.value) == pytest.approx(reach, rel=1e-6)
    assert item.verdict == "undecided"
    assert "how well a driver repeats" in item.text
    assert at(1 - 0.01 * reach).verdict == "inside"
    assert at(1 + 1.05 * reach).verdict == "outside"
    assert at(1 + 0.5 * reach, takes=3).verdict == "outside"  # noise of fs alone is 0.04 %


def test_another_bench_widens_the_guard_band_and_so_does_a_changed_limit() -> None:
    limits = derive(reference(np.random.default_rng(3), 10))
    foreign = {("resistor:b" if s == "resistor:bench-a" else s): e for s, e in SOURCES.items()}
    own = judge_unit(fit_of(DRIVER), limits).judged[0]
    other = judge_unit(fit_of(DRIVER, sources=foreign), limits).judged[0]
    changed = replace(limits, limits=tuple(replace(one, changed=True) for one in limits.limits))
    true = judge_unit(fit_of(DRIVER), changed).judged[0]
    assert own.limit.parameter == "Re"
    reach = [math.log(j.interval_95[1] / j.value) / 1.959964 for j in (own, other, true)]
    repeat = math.hypot(0.0023, 0.0002)
    assert reach[0] == pytest.approx(repeat, rel=1e-3)
    assert reach[1] == pytest.approx(math.hypot(repeat, 0.0058 * math.sqrt(2)), rel=1e-3)
    assert reach[2] == pytest.approx(math.hypot(repeat, 0.0058), rel=1e-3)


def test_what_a_take_cannot_give_is_undecided() -> None:
    limits = derive(reference(np.random.default_rng(3), 10))
    with_mass = replace(
        limits,
        limits=tuple(replace(o, judged=o.parameter in ("Re", "Mms")) for o in limits.limits),
    )
    verdict = judge_unit(fit_of(DRIVER, names=("Re", "fs", "Qms", "Qes", "Le")), with_mass)
    assert verdict.verdict == "undecided"
    assert "Mms is not known" in verdict.findings[0].text


# ---- through the estimator, faults as they are built ---------------------------------------------

TIGHT = {"Re": 0.005, "Mms": 0.004, "Bl": 0.005, "Cms": 0.04, "Rms": 0.05, "K": 0.01}
NEAR = {**{name: WOOFER.truth[name] for name in ("Re", "fs", "Qms", "Qes")}, "K": 0.02, "n": 0.7}


def built(rng: np.random.Generator, bump: float = 0.0, **fault: float) -> DriverFit:
    """A unit of a careful series, measured through one resistor and fitted."""
    factors = {part: math.exp(s * rng.standard_normal()) for part, s in TIGHT.items()}
    parts = {p: getattr(WOOFER, p) * f * fault.get(p, 1.0) for p, f in factors.items()}
    driver = replace(WOOFER, **parts)
    z = driver.impedance(FREQUENCY)
    if bump:
        z = z * (1 + bump / (1 + 6j * (FREQUENCY / 900 - 900 / FREQUENCY)))
    return fit_near([free("unit", curve(1.004 * z, rng, noise=3e-4))], SESSION, "lossy", NEAR)


@pytest.fixture(scope="module")
def series() -> SeriesLimits:
    rng = np.random.default_rng(13)
    return derive([(f"unit {i}", built(rng)) for i in range(12)])


def test_good_units_pass(series: SeriesLimits) -> None:
    rng = np.random.default_rng(14)
    words = [judge_unit(built(rng), series).verdict for _ in range(6)]
    assert "outside" not in words
    assert words.count("inside") >= 5


@pytest.mark.parametrize(
    ("fault", "parameter"),
    [
        ({"Mms": 1.09}, CMES),  # a heap of glue
        ({"Bl": 0.93}, CMES),  # a weak magnet: 15 % in Mms/Bl^2
        ({"Rms": 1.8}, "Qms"),  # rub, or a surround soaked with glue
        ({"Re": 0.95}, "Re"),  # turns shorted
        ({"K": 0.88}, "Le"),
        ({"Cms": 0.6}, "fs"),
    ],
    ids=str,
)
def test_faults_are_found_and_named(
    series: SeriesLimits, fault: dict[str, float], parameter: str
) -> None:
    rng = np.random.default_rng(15)
    for _ in range(2):
        verdict = judge_unit(built(rng, **fault), series)
        assert verdict.verdict == "outside"
        assert f"outside-{parameter}" in [f.code for f in verdict.findings]


@pytest.mark.parametrize("fault", [{}, {"Bl": 0.9}, {"Cms": 0.6}, {"Rms": 2.0}], ids=str)
def test_a_fit_from_where_the_reference_lies_is_the_one_that_a_search_finds(
    series: SeriesLimits, fault: dict[str, float]
) -> None:
    """Both stop where a step changes the parameters by 1e-10; good and bad units alike."""
    rng = np.random.default_rng(18)
    driver = replace(WOOFER, **{part: getattr(WOOFER, part) * f for part, f in fault.items()})
    curves = [free("unit", curve(driver.impedance(FREQUENCY), rng, noise=3e-4))]
    quick = fit_near(curves, SESSION, "lossy", series.near)
    searched = fit_driver(curves, SESSION, model="lossy")
    for name, estimate in searched.parameters.items():
        assert quick.parameters[name].value == pytest.approx(estimate.value, rel=1e-7), name
    assert judge_unit(quick, series).verdict == judge_unit(searched, series).verdict


def test_a_drop_of_glue_is_found_where_the_claim_is_modest(series: SeriesLimits) -> None:
    """5 % of mass. Limits that hold 99 % with 90 % confidence lie at 4 to 5 % after 12 units, and
    let half of such units pass; those that hold 90 % with 80 % confidence lie at 2.5 to 3 %."""
    rng = np.random.default_rng(13)
    modest = derive([(f"unit {i}", built(rng)) for i in range(12)], coverage=0.9, confidence=0.8)
    assert 0.04 < _width(series, CMES) / 2 < 0.055
    assert 0.02 < _width(modest, CMES) / 2 < 0.033
    rng = np.random.default_rng(16)
    words = [judge_unit(built(rng, Mms=1.05), modest).verdict for _ in range(4)]
    assert "inside" not in words


def test_what_no_parameter_tells_shows_in_the_curve(series: SeriesLimits) -> None:
    """A small resonance at 900 Hz (a loose dust cap, 1 % of |Z|) leaves the parameters inside."""
    verdict = judge_unit(built(np.random.default_rng(17), bump=0.01), series)
    assert verdict.verdict == "outside"
    assert {f.code for f in verdict.findings} >= {"outside-shape"}
    shape = next(d for d in verdict.departures if d.layer == "shape")
    assert 700 < shape.frequency_hz < 1150
    assert shape.size == pytest.approx(0.01, abs=0.004)
    assert all(j.verdict != "outside" for j in verdict.judged)


def test_a_curve_that_no_fit_follows(series: SeriesLimits) -> None:
    z = WOOFER.impedance(FREQUENCY)
    gross = judge_curve(bare_profile(FREQUENCY, 3 * z), series)
    assert gross is not None and gross.verdict == "outside"
    assert gross.findings[0].code == "outside-magnitude"
    assert judge_curve(bare_profile(FREQUENCY, z), series) is None


# ---- the mask alone ------------------------------------------------------------------------------


def test_whole_curves_of_good_units_stay_within_the_mask() -> None:
    """Scatter of 0.1 % in every point: of 300 fresh curves at most the 1 % (with 90 %
    confidence) that may lie outside somewhere, though each has 130 bands."""
    rng = np.random.default_rng(31)
    base = fit_of(DRIVER)

    def noisy() -> DriverFit:
        one = base.curves[0]
        scatter = rng.standard_normal((2, one.frequency_hz.size)) * 1e-3
        return replace(
            base,
            curves=(replace(one, measured_ohm=one.model_ohm * (1 + scatter[0] + 1j * scatter[1])),),
        )

    outside = 0
    for _ in range(6):
        found = mask([profile(noisy()) for _ in range(10)], 0.99, 0.90)
        for _ in range(50):
            words = {d.verdict for d in judge(found, profile(noisy()))}
            outside += "outside" in words
    assert outside <= 6  # 3 of 300 expected at most; 6 is passed with 3 % chance


def test_what_the_model_misses_in_all_parts_none() -> None:
    """A misfit of 3 % with a spread of 0.05 %: in the centre of the band, not in its width."""
    rng = np.random.default_rng(32)
    base = fit_of(DRIVER)

    def missed(size: float) -> DriverFit:
        one = base.curves[0]
        hump = 1 + size * np.exp(-(np.log(one.frequency_hz / 200) ** 2))
        return replace(base, curves=(replace(one, measured_ohm=one.model_ohm * hump),))

    found = mask(
        [profile(missed(0.03 + 5e-4 * rng.standard_normal())) for _ in range(8)], 0.99, 0.9
    )
    near = int(np.argmin(np.abs(found.layers["shape"].frequency_hz - 200)))
    assert found.layers["shape"].centre[near] == pytest.approx(math.log(1.03), abs=1e-3)
    assert {d.verdict for d in judge(found, profile(missed(0.0302)))} == {"inside"}
    assert "outside" in {d.verdict for d in judge(found, profile(missed(0.045)))}


def test_bands_are_means_and_coarse_tables_are_read_between_their_points() -> None:
    f = np.geomspace(10, 20e3, 2000)
    fine = bare_profile(f, 8 * f**0.1).layers["magnitude"]
    coarse_f = np.geomspace(10, 20e3, 12)
    coarse = bare_profile(coarse_f, 8 * coarse_f**0.1).layers["magnitude"]
    known = np.isfinite(fine) & (CENTRES_HZ > 12) & (CENTRES_HZ < 18e3)
    expected = np.log(8 * CENTRES_HZ**0.1)
    np.testing.assert_allclose(fine[known], expected[known], atol=1e-3)
    # A power law is straight between points in ln f; a band with a point in it has that point.
    np.testing.assert_allclose(coarse[known], expected[known], atol=0.1 * math.log(2) / 12 + 1e-9)
    assert not np.any(np.isfinite(fine[(CENTRES_HZ < 9) | (CENTRES_HZ > 22e3)]))

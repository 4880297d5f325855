"""Tables that somebody typed: rounding, a common scale error, and intervals that cover."""

from __future__ import annotations

from pathlib import Path

import campaign_typed_tables as campaign
import driver_bench as bench
import numpy as np
import pytest

from cli.sources.takes_and_tables import gather
from cli.words import table_scale
from fit.compare.changes import compare
from fit.joint import fit_driver
from meas.curve import ImpedanceCurve, MagnitudeCurve, Systematic, merged, random_ohm
from meas.errors import UsageError
from meas.tables import csv_table
from meas.tables.rounding import visible_limits

ROUND = np.array([6.9, 7.0, 12.0, 57.0, 11.0, 8.4])


def test_two_digits_are_seen_as_such():
    """Half of the last digit, JCGM 100:2008, 4.3.7; lost zeros (7 for 7.0) do not matter."""
    assert visible_limits(ROUND) == pytest.approx([0.05, 0.05, 0.5, 0.5, 0.5, 0.05])


def test_fixed_decimals_and_changing_ranges():
    """A display of one decimal, and one of three digits that changes its range."""
    assert visible_limits(np.array([6.9, 12.4, 38.1])) == pytest.approx([0.05] * 3)
    assert visible_limits(np.array([6.93, 12.4, 38.1])) == pytest.approx([0.005, 0.05, 0.05])


@pytest.mark.parametrize("digits", [1, 2, 3, 4])
def test_no_value_is_further_from_what_was_read_than_its_limits(digits):
    """Forty magnitudes over two decades: what was rounded lies within the limits told for it."""
    exact = np.random.default_rng(digits).uniform(2.0, 200.0, 40)
    shown = campaign.significant(exact, digits)
    limits = visible_limits(shown)
    assert limits is not None
    assert np.all(np.abs(shown - exact) <= 1.0001 * limits)
    assert np.all(limits <= shown * 10.0 ** (1 - digits))  # and they are no wider than need be


def test_computed_numbers_show_no_rounding():
    """Five digits and more count as computed."""
    assert visible_limits(np.array([6.93117, 12.4])) is None


def _written(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def test_a_table_keeps_its_rounding(tmp_path):
    """Of the magnitude; with phase also of the angle, half a degree of 57 ohm being 0.5 ohm."""
    rows = "".join(f"{10 + k},{v:g},{5 * k}\n" for k, v in enumerate(ROUND))
    path = _written(tmp_path / "a.csv", "frequency_hz,magnitude_ohm,phase_deg\n" + rows)
    curve = csv_table.read(path)
    across = np.radians(0.5) * ROUND
    expected = np.hypot(visible_limits(ROUND), across) / 2**0.5 / 3**0.5
    assert random_ohm(curve) == pytest.approx(expected)


def _table(tmp_path, name, scatter=0.005, scale=1.0, seed=1):
    rng = np.random.default_rng(seed)
    f = campaign.frequencies(44.0, 11.0, 8000.0, 30)
    z = np.abs(bench.WOOFER.impedance(f)) * scale * (1 + scatter * rng.standard_normal(f.size))
    rows = "".join(f"{a:g},{v:.3g}\n" for a, v in zip(f, z, strict=True))
    return str(_written(tmp_path / name, "frequency_hz,magnitude_ohm\n" + rows))


def test_the_scale_of_a_table_goes_where_it_belongs(tmp_path):
    """One to one into Re and Zmax, nowhere into fs and Q; 2 % limits are 2/sqrt(3) %."""
    path = _table(tmp_path, "a.csv")
    fit = fit_driver(gather([path], (), (), None, "2%").curves, bench.SESSION)
    (source,) = [name for name in fit.sources if name.startswith("table-scale:")]
    for name, part in (("Re", 1.0), ("Zmax", 1.0), ("fs", 0.0), ("Qms", 0.0), ("Qes", 0.0)):
        estimate = fit.parameters[name]
        seen = abs(estimate.contributions.get(source, 0.0)) / estimate.value
        assert seen == pytest.approx(part * 0.02 / 3**0.5, abs=2e-5)


def test_a_default_is_taken_and_said(tmp_path, capsys):
    """Nothing stated: 1 %, with the name of the table and the option that states it."""
    path = _table(tmp_path, "a.csv")
    (curve,) = (one.curve for one in gather([path], (), (), None).curves)
    assert curve.systematics[0].text == "scale of the ohms in a.csv ±1 %"
    said = " ".join(capsys.readouterr().err.split())
    assert "a.csv" in said
    assert "--table-tolerance" in said


def test_only_a_named_meter_cancels_between_tables(tmp_path):
    """Two tables 1 % apart: two meters, unless a name says that they were one."""
    tables = [_table(tmp_path, f"{k}.csv", scatter=1e-3, scale=1 + 0.01 * k) for k in (0, 1)]
    spread = {}
    for tolerance in ("1%", "bench=1%"):
        fits = [
            fit_driver(gather([path], (), (), None, tolerance).curves, bench.SESSION, model="lossy")
            for path in tables
        ]
        changes = compare(*fits, names=("a", "b"), margin=0.02).changes
        spread[tolerance] = next(c.standard_uncertainty for c in changes if c.parameter == "Re")
    # Each of its own: the errors of both, 1 %/sqrt(3), come on top of what one meter leaves.
    apart = (spread["1%"] ** 2 - spread["bench=1%"] ** 2) ** 0.5
    assert apart == pytest.approx(2**0.5 * 0.01 / 3**0.5, rel=0.02)


@pytest.mark.parametrize("text", ["=1%", "30%", "-1%", "one", "1ohm"])
def test_what_is_no_tolerance_is_said_to_be_none(text):
    """Wrong words name the option."""
    with pytest.raises(UsageError) as raised:
        table_scale.read(text)
    assert "--table-tolerance" in str(raised.value.where) + str(raised.value)


@pytest.mark.parametrize("kind", ["rounded", "magnitude", "phase", "pair"])
def test_intervals_of_typed_tables_cover(kind):
    """Eight tables of each kind, four drivers: fewer than six inside
    has a chance of 6e-3 at 95 %.

    The whole table: `campaign_typed_tables.py`.
    """
    tally = campaign.run(kind, 16, range(2))
    assert sum(tally.refused.values()) <= 1
    for name in campaign.NAMES:
        assert tally.inside[name] >= tally.given[name] - 2, name
        assert np.median(tally.widths[name]) < 0.25, name


@pytest.mark.parametrize(
    ("name", "seed"),
    [("woofer", 7), ("woofer", 11), ("woofer", 23), ("woofer", 27), ("subwoofer", 31)],
)
def test_a_coarse_and_a_dense_table_tell_more_than_either(name, seed):
    """Twelve readings over four decades that scatter by 3 %, twelve of the resonance by 1 %.

    Alone the coarse one led some of these fits into another valley (7, 27); a ladder of three
    sections, which goes through all of its readings, won the others and had Re at 9 and 12 % beyond
    ±3 %.
    """
    driver, rows = campaign.DRIVERS[name], 12
    rng = np.random.default_rng([seed, rows, list(campaign.DRIVERS).index(name)])
    fit = campaign.fitted(campaign.tables("pair", driver, rows, rng))
    low, high = fit.parameters["Re"].interval_95
    assert fit.model == "lossy"  # which generated them
    assert low < driver.truth["Re"] < high


def test_of_equal_frequencies_together_the_first_stays():
    """Points in the order of frequency, of magnitudes and of impedances."""
    f = np.array([10.0, 20.0]), np.array([5.0, 20.0, 30.0])
    z = np.array([1.0, 2.0]), np.array([3.0, 4.0, 5.0])
    sizes = merged([MagnitudeCurve(*pair) for pair in zip(f, z, strict=True)])
    turned = merged([ImpedanceCurve(a, 1j * b) for a, b in zip(f, z, strict=True)])
    for found, factor in ((sizes, 1), (turned, 1j)):
        assert found.frequency_hz.tolist() == [5.0, 10.0, 20.0, 30.0]
        assert found.values_ohm == pytest.approx(factor * np.array([3.0, 1.0, 2.0, 5.0]))
        assert found.standard_uncertainty_ohm is None


@pytest.mark.parametrize("phase", [True, False])
def test_an_exported_table_is_told_once_and_cancels(tmp_path, phase):
    """What the bench may be off by goes with the table, so that no default comes on top of it."""
    rng = np.random.default_rng(7)
    measured = bench.curve(bench.WOOFER.impedance(bench.FREQUENCY), rng)
    if not phase:
        size = measured.magnitude_ohm
        error = Systematic("resistor:bench", "series resistor", size * 0.01 / 3**0.5)
        measured = MagnitudeCurve(bench.FREQUENCY, size, None, (error,))
    text = csv_table.as_text(measured, ("unit: Lantern",), errors=True)
    again = csv_table.read(_written(tmp_path / "a.csv", text))
    (before,), (after,) = measured.systematics, again.systematics
    assert (after.source, after.text, after.cause) == (before.source, before.text, before.cause)
    assert np.array_equal(after.derivative_ohm, before.derivative_ohm)
    assert table_scale.read(None).on(tmp_path / "a.csv", again) is again
    # Without its comments it is a table like any other.
    bare = "\n".join(line for line in text.splitlines() if not line.startswith("#"))
    assert csv_table.read(_written(tmp_path / "b.csv", bare)).systematics == ()

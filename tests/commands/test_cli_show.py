"""What is printed: 80 columns, plain where it must be, nothing lost to an encoding."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from every_figure import SPARK
from made_fits import Physical, curve, fit_of
from program import freeair
from rich.console import Console
from rich.table import Table

from cli.terminal import show, tables
from fit.compare.changes import compare
from fit.results.judge import Target, judge
from fit.results.numbers import figures, number, percent
from fit.results.quantities import condition_words
from fit.results.result import DriverFit, Estimate
from fit.results.shares import shares
from meas.errors import Finding

DRIVER = Physical()
TARGETS = (
    Target("fs", 48, 44, 52),
    Target("Re", 6, 5.7, 6.25),
    Target("Bl", 7, lower=6.6),
    Target("Le", 0.5e-3, upper=0.7e-3),
    Target("Sd_from_takes", 0.0133, 0.012, 0.015),
)


def printed(table: Table, width: int = 80) -> list[str]:
    console = Console(width=width, color_system=None)
    with console.capture() as capture:
        console.print(table)
    return capture.get().splitlines()


@pytest.fixture
def fit() -> DriverFit:
    long = "takes/a-long-name-for-a-folder/lantern-woofer_free-air_20260214-101500"
    return replace(fit_of(DRIVER), curves=(curve(DRIVER, source=long),))


@pytest.mark.parametrize("columns", ["80", "60"])
def test_tables_fit_the_window(
    fit: DriverFit, columns: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    for table in (tables.parameters(fit), tables.curves(fit)):
        assert max(map(len, printed(table, int(columns)))) <= int(columns)
    verdicts = tables.verdicts(judge(fit.parameters, TARGETS))
    changes = tables.changes(compare(fit, fit_of(DRIVER.but(Cms=1.2))))
    for table in (verdicts, changes):
        assert max(map(len, printed(table))) <= 80


def test_parameters_are_shown_in_workshop_units(fit: DriverFit) -> None:
    rows = {line.split()[0]: line for line in printed(tables.parameters(fit))[2:]}
    assert "14.00" in rows["Mms"] and " g " in rows["Mms"]
    assert "0.700" in rows["Cms"] and "mm/N" in rows["Cms"]
    assert "17.58" in rows["Vas"] and " L " in rows["Vas"]
    assert "0.6000" in rows["Le"] and "mH" in rows["Le"] and "1 kHz" in rows["Le"]
    assert "resistor:bench-a in words" in rows["Re"]


def test_a_volume_of_a_few_cubic_centimetres_is_shown_so() -> None:
    rows = {line.split()[0]: line for line in printed(tables.parameters(fit_of(SPARK)))[2:]}
    Vas = fit_of(SPARK).parameters["Vas"].value
    assert Vas < 1e-4 and "cm³" in rows["Vas"]
    assert float(rows["Vas"].split()[1]) == pytest.approx(1e6 * Vas, rel=0.01)


def test_digits_follow_the_uncertainty() -> None:
    """JCGM 100:2008, 7.2.6: two significant digits of the uncertainty, no more of the value."""
    rough = Estimate(6.2345678, "ohm", {"a": 0.05})
    assert figures(rough, 1.0).value == "6.235"
    rougher = Estimate(6.2345678, "ohm", {"a": 0.5})
    assert figures(rougher, 1.0).value == "6.23"  # 95 %: ± 1.0
    coarse = Estimate(62345.0, "Hz", {"a": 900.0})
    assert figures(coarse, 1.0).value == "62345"
    assert figures(Estimate(48.0, "Hz", {}), 1.0).value == "48.000"


def test_numbers_are_written_carefully() -> None:
    assert number(-0.0001, 2) == "0.00"
    assert number(-1.5, 1) == "−1.5"
    assert percent(0.0123) == "1.2 %"
    assert condition_words("added-mass", 7.5e-3) == "added mass 7.5 g"
    assert condition_words("test-box", 6.8e-3) == "test box 6.8 L"


def test_shares_of_one_cause_are_added() -> None:
    estimate = Estimate(1.0, "ohm", {"n:1": 3.0, "n:2": 4.0, "r": 5.0})
    words = {"n:1": "noise", "n:2": "noise", "r": "resistor"}
    assert shares(estimate, words) == [("noise", 0.5), ("resistor", 0.5)]


def test_strip_shows_where_value_and_limits_are() -> None:
    target = Target("fs", 50, 40, 60)
    inside = tables.strip(target, Estimate(50, "Hz", {"a": 0.5})).plain
    assert len(inside) == tables.STRIP
    assert inside.index("[") < inside.index("●") < inside.index("]")
    above = tables.strip(target, Estimate(80, "Hz", {"a": 0.5})).plain
    assert above.index("]") < above.index("●")
    below = tables.strip(target, Estimate(20, "Hz", {"a": 0.5})).plain
    assert below.index("●") < below.index("[")
    assert "●" not in tables.strip(target, None).plain


def test_longest_verdict_is_whole_in_80_columns() -> None:
    """The widest row there is: a decibel target with limits and an undecided verdict."""
    target = Target("sensitivity_2v83", 88.8, 88.5, 89.1)
    item = judge(
        {"sensitivity_2v83": Estimate(88.6, "dB", {"a": 0.1}, logarithmic=False)}, [target]
    )
    lines = printed(tables.verdicts(item))
    assert lines[-1].rstrip().endswith("undecided")


def test_verdict_has_a_word_beside_its_colour(fit: DriverFit) -> None:
    text = "\n".join(printed(tables.verdicts(judge(fit.parameters, TARGETS))))
    for word in ("inside", "outside", "undecided", "unknown"):
        assert word in text


def test_decibels_change_in_decibels() -> None:
    comparison = compare(fit_of(DRIVER), fit_of(DRIVER.but(Bl=2**0.5)))
    change = comparison.change("sensitivity_1w")
    assert change is not None
    written = tables.change_figures(change)
    # Efficiency goes with Bl squared: 3.01 dB.
    assert written.change.endswith(" dB")
    assert float(written.change.removesuffix(" dB")) == pytest.approx(10 * math.log10(2), abs=0.02)


def test_findings_are_items_of_a_list_without_their_codes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    show.findings([Finding("hum", "the hum is loud " * 12, refuses=True)])
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("  • the hum is loud") and len(lines) > 2
    assert all(line.startswith("    ") and line == line.rstrip() for line in lines[1:])
    assert lines[-1].endswith(". [hum]"), "a code is for scripts and logs alone"


def test_no_colour_codes_without_a_terminal() -> None:
    done = freeair("rig", "wiring", environment={"FORCE_COLOR": "", "NO_COLOR": ""})
    assert "\x1b" not in done.stdout + done.stderr


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_nothing_is_lost_to_an_encoding(encoding: str) -> None:
    """A pipe on an old system cannot take an ohm sign; it is spelt out, not a crash."""
    done = freeair("rig", "wiring", environment={"PYTHONIOENCODING": encoding})
    assert done.returncode == 0
    if encoding == "ascii":
        assert "-----o----[ resistor ? ]----o----[ + driver - ]--+" in done.stdout
    assert "?????" not in done.stdout

"""The names that notebooks and scripts may rely on, and what they do."""

from __future__ import annotations

import importlib
import math
import subprocess
import sys
import warnings
from dataclasses import replace
from pathlib import Path

import driver_bench as bench
import made_fits
import numpy as np
import pandas
import pytest
import uncertainties
from uncertainties import umath

import cli
import fit
import meas
from cli.words import assumed, units
from fit.given import in_python
from fit.results import store
from meas.errors import Finding, Refused, UsageError

ROOT = Path(__file__).resolve().parents[2]
PUBLIC = {
    "meas": [
        "Finding", "FreeairError", "ImpedanceCurve", "MagnitudeCurve", "Refused", "Systematic",
        "Take", "UnreadableInput", "UsageError", "load_curve", "load_take",
    ],
    "fit": [
        "Change", "Comparison", "DriverFit", "Estimate", "FittedCurve", "MeasuredCurve",
        "Session", "Stated", "as_held", "compare_fits", "derive", "fit_driver", "in_free_air",
        "in_test_box", "of_take", "session", "to_frame", "with_added_mass",
    ],
    "cli": ["Picture", "load_fit", "plot_change", "plot_fit", "plot_motion", "save_fit"],
}  # fmt: skip
AUERHAHN = made_fits.Physical()
PRESSURE = (100200.0, 1000.0)


# Names.


@pytest.mark.parametrize("package", PUBLIC)
def test_public_names_are_these(package: str) -> None:
    module = importlib.import_module(package)
    assert module.__all__ == PUBLIC[package]
    for name in module.__all__:
        found = getattr(module, name)
        assert found.__doc__, name
        assert found.__module__.split(".")[0] == package
        assert name in dir(module)
    with pytest.raises(AttributeError, match="no attribute 'fit_drivers'"):
        _ = module.fit_drivers


@pytest.mark.parametrize("package", PUBLIC)
def test_no_public_name_is_a_module_too(package: str) -> None:
    """Importing the module would put it in the place of the function."""
    modules = {file.stem for file in (ROOT / package).iterdir()}
    assert not modules & set(PUBLIC[package])


@pytest.mark.parametrize("package", PUBLIC)
def test_importing_a_package_imports_nothing(package: str) -> None:
    code = f"import sys; before = set(sys.modules); import {package}; print(*sorted(" + (
        f"set(sys.modules) - before - {{'{package}', '__future__', 'typing'}}))"
    )
    done = subprocess.run(
        [sys.executable, "-S", "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    loaded = {name.split(".")[0] for name in done.stdout.split()}
    assert not {"numpy", "scipy", "typer", "pydantic", "matplotlib"} & loaded
    assert not any(name.startswith(f"{package}.") for name in done.stdout.split())


def test_type_checkers_see_every_name(tmp_path: Path) -> None:
    """What runs and what mypy is told are two lists; they must agree."""
    script = tmp_path / "script.py"
    lines = [f"from {package} import {', '.join(names)}" for package, names in PUBLIC.items()]
    told = [
        "reveal_type(load_take)", "reveal_type(fit_driver)", "reveal_type(derive)",
        "reveal_type(plot_fit)",
    ]  # fmt: skip
    script.write_text("\n".join([*lines, *told]) + "\n", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--config-file", str(ROOT / "pyproject.toml"),
         "--follow-imports", "silent", str(script)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout
    for kind in ("-> meas.takes.take.Take", "-> fit.results.result.DriverFit",
                 "-> fit.results.result.Estimate",
                 "-> cli.pictures.plots_notebook.Picture"):  # fmt: skip
        assert kind in done.stdout.replace('"', ""), done.stdout


# Inputs.


def test_a_fit_in_a_few_lines() -> None:
    """Tables in, parameters out, inside their intervals."""
    rng = np.random.default_rng(5)
    f = bench.FREQUENCY
    free = bench.curve(bench.WOOFER.impedance(f), rng)
    loaded = bench.curve(bench.WOOFER.impedance(f, mass=8e-3), rng)
    fitted = fit.fit_driver(
        [fit.in_free_air(free), fit.with_added_mass(loaded, (8e-3, 0.1e-3))],
        fit.session(pressure=(101325.0, 300.0), area=(bench.WOOFER.Sd, 2e-4)),
    )
    for symbol, truth in bench.WOOFER.truth.items():
        low, high = fitted.parameters[symbol].interval_95
        # The errors are the resistor's and the mass's, both nil here: well inside.
        assert low < truth < high, symbol
    assert "mass:8g±0.1g" in fitted.parameters["Mms"].contributions


def test_identity_of_a_mass_is_that_of_the_command_line() -> None:
    """Errors of one piece of mass cancel between a notebook's fit and the program's."""
    curve = bench.curve(bench.WOOFER.impedance(bench.FREQUENCY), np.random.default_rng(1))
    with_mass = fit.with_added_mass(curve, (7.5e-3, 0.1e-3)).condition
    on_box = fit.in_test_box(curve, (6.8e-3, 0.05e-3)).condition
    assert isinstance(with_mass, in_python.AddedMass)
    assert isinstance(on_box, in_python.TestBox)
    assert with_mass.mass.source == "mass:7.5g±0.1g"
    assert on_box.volume.source == "volume:6.8L±0.05L"


def test_the_session_says_what_the_command_line_would() -> None:
    session = fit.session(pressure=PRESSURE, diameter=(0.118, 0.001), measured_re=(6.2, 0.1))
    assert session.area is not None
    assert session.area.value == pytest.approx(math.pi * 0.118**2 / 4)
    assert session.area.half_width == pytest.approx(math.pi * 0.118 / 2 * 0.001)
    assert session.area.text == "cone diameter 118 mm ± 1 mm"
    assert session.area.source == "ruler"
    assert session.measured_re is not None
    assert session.measured_re.source == "multimeter"
    room = assumed.air_temperature(None)[0], assumed.relative_humidity(None)[0]
    assert [(value.value, value.half_width) for value in room] == [
        in_python.ROOM_TEMPERATURE,
        in_python.ROOM_HUMIDITY,
    ]


@pytest.mark.parametrize(
    ("kind", "written"),
    [
        ("mass", units.MASS), ("moving_parts", units.MASS), ("volume", units.VOLUME),
        ("diameter", units.DIAMETER), ("area", units.AREA), ("measured_re", units.RESISTANCE),
        ("pressure", units.PRESSURE), ("temperature", units.TEMPERATURE),
    ],
)  # fmt: skip
def test_sizes_are_those_of_the_command_line(kind: str, written: units.Quantity) -> None:
    here = in_python.STATED[kind]
    assert (here.smallest, here.largest) == (written.smallest, written.largest)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"diameter": (118, 1)}, "118 m is outside"),
        ({"diameter": 0.118}, "no pair"),
        ({"diameter": (0.118, 0)}, "limits"),
        ({"diameter": (0.118, 0.2)}, "limits"),
        ({"diameter": (math.nan, 0.001)}, "outside"),
        ({"diameter": (0.118, math.nan)}, "limits"),
        ({"diameter": (0.118, 0.001), "area": (0.011, 1e-4)}, "both given"),
        ({"temperature": (21, 2)}, "21 K is outside"),
        ({"pressure": (1002, 10)}, "SI base units"),
    ],
)
def test_a_value_in_another_unit_is_refused(given: dict[str, object], message: str) -> None:
    with pytest.raises(UsageError, match=message):
        fit.session(**{"pressure": PRESSURE, **given})  # type: ignore[arg-type]


def test_without_pressure_there_is_no_session() -> None:
    with pytest.raises(TypeError, match="pressure"):
        fit.session(diameter=(0.118, 0.001))  # type: ignore[call-arg]


# Takes.


class Said:
    """A take as far as a fit looks at it."""

    def __init__(self, *findings: Finding, **more: object) -> None:
        self.unit, self.kind, self.path, self.findings = "lantern", "driver", None, findings
        self.condition = TakeSaid("added-mass", 7.5e-3, None, "7.5g")
        rng = np.random.default_rng(2)
        self.curve = bench.curve(bench.WOOFER.impedance(bench.FREQUENCY), rng)
        self.__dict__.update(more)


class TakeSaid:
    def __init__(self, *said: object) -> None:
        self.name, self.value, self.half_width, self.written = said


def test_a_take_brings_its_own_mass() -> None:
    measured = fit.of_take(Said(), half_width=0.1e-3)
    assert isinstance(measured.condition, in_python.AddedMass)
    assert measured.condition.mass.value == 7.5e-3
    assert measured.condition.mass.half_width == 0.1e-3
    assert measured.condition.mass.source == "mass:7.5g"


def test_limits_are_neither_assumed_nor_stated_twice() -> None:
    with pytest.raises(UsageError, match="the take states none"):
        fit.of_take(Said())
    own = Said(condition=TakeSaid("added-mass", 7.5e-3, 0.1e-3, "7.5g±0.1g"))
    assert fit.of_take(own).condition.mass.half_width == 0.1e-3  # type: ignore[union-attr]
    with pytest.raises(UsageError, match="states its own"):
        fit.of_take(own, half_width=0.2e-3)
    with pytest.raises(UsageError, match="free air"):
        fit.of_take(Said(condition=TakeSaid("free-air", None, None, "")), half_width=1e-3)


def test_a_refused_take_and_another_kind_give_no_curve() -> None:
    with pytest.raises(Refused, match="clipped") as refused:
        fit.of_take(Said(Finding("clipped", "too loud", refuses=True)), half_width=1e-4)
    assert "Measure again" in str(refused.value)
    with pytest.raises(UsageError, match="take of a part"):
        fit.of_take(Said(kind="part"), half_width=1e-4)


def test_doubts_of_a_take_are_said() -> None:
    with pytest.warns(UserWarning, match="uncalibrated: the inputs may differ"):
        fit.of_take(Said(Finding("uncalibrated", "the inputs may differ")), half_width=1e-4)


# Functions of parameters.


def correlated(*fits: fit.DriverFit) -> list[dict[str, object]]:
    """The same parameters in the `uncertainties` package, by one covariance of all fits."""
    rows, values = [], []
    sources: dict[str, int] = {}
    for index, one in enumerate(fits):
        for estimate in one.parameters.values():
            row = {}
            for source, part in estimate.contributions.items():
                own = f"{source} of {index}" if source.startswith("random:") else source
                row[sources.setdefault(own, len(sources))] = part
            rows.append(row)
            values.append(estimate.value)
    effect = np.zeros((len(rows), len(sources)))
    for number, row in enumerate(rows):
        effect[number, list(row)] = list(row.values())
    found = iter(uncertainties.correlated_values(values, effect @ effect.T))
    return [dict(zip(one.parameters, found, strict=False)) for one in fits]


@pytest.mark.parametrize(
    "function",
    [
        lambda p: p["fs"] / p["Qes"],
        lambda p: p["Re"] * (1 + p["Qms"] / p["Qes"]) - p["Zmax"],
        lambda p: (p["Mms"] * p["Cms"]) ** -0.5 / (2 * math.pi),
        lambda p: p["Vas"] / ((0.707 / p["Qts"]) ** 2 - 1),
        lambda p: 10 * umath.log10(p["eta0"]),
    ],
    ids=["fs/Qes", "difference", "fs again", "closed box", "decibels"],
)
def test_agrees_with_a_general_package(function) -> None:  # type: ignore[no-untyped-def]
    """E. O. Lebigot, uncertainties: linear propagation through a covariance matrix."""
    one = made_fits.fit_of(AUERHAHN)
    expected = function(correlated(one)[0])
    found = fit.derive(lambda p: function(_Items(p)), one, unit="1")
    assert found.value == pytest.approx(expected.nominal_value, rel=1e-12)
    # Central differences over 1e-3 of an uncertainty of at most 2 %: error of order (2e-5)^2.
    size = max(abs(found.value), abs(one.parameters["Zmax"].value))
    assert found.standard_uncertainty == pytest.approx(expected.std_dev, rel=1e-6, abs=1e-9 * size)


class _Items:
    def __init__(self, symbols: object) -> None:
        self._symbols = symbols

    def __getitem__(self, name: str) -> float:
        return getattr(self._symbols, name)


def test_agrees_on_a_real_fit_with_its_saved_covariance() -> None:
    """Random parts and common errors of an actual fit, by the matrix that is saved with it."""
    rng = np.random.default_rng(8)
    f = bench.FREQUENCY
    curves = [
        fit.in_free_air(bench.curve(bench.WOOFER.impedance(f), rng)),
        fit.with_added_mass(bench.curve(bench.WOOFER.impedance(f, mass=8e-3), rng), (8e-3, 1e-4)),
    ]
    fitted = fit.fit_driver(curves, fit.session(pressure=PRESSURE, area=(0.0137, 2e-4)))
    saved = store.covariance(fitted.parameters)
    values = [estimate.value for estimate in fitted.parameters.values()]
    p = dict(
        zip(
            saved["parameters"],
            uncertainties.correlated_values(values, np.array(saved["matrix"])),
            strict=True,
        )
    )
    expected = p["Bl"] ** 2 / p["Re"] / p["Mms"]
    found = fit.derive(lambda q: q.Bl**2 / q.Re / q.Mms, fitted, unit="1/s")
    # correlated_values finds eigenvectors of a matrix that is singular to 1e-16 of its largest
    # entry; what is left of tiny variances is good to a few in 1e4.
    assert found.standard_uncertainty == pytest.approx(expected.std_dev, rel=1e-3)
    alone = math.hypot(
        2 * fitted.parameters["Bl"].standard_uncertainty / fitted.parameters["Bl"].value,
        *(
            fitted.parameters[s].standard_uncertainty / fitted.parameters[s].value
            for s in ("Re", "Mms")
        ),
    )
    # What the resistor and the mass do to Bl, Re and Mms goes together.
    assert found.standard_uncertainty < 0.5 * alone * found.value


def test_what_two_fits_share_cancels() -> None:
    """One resistor for both: a ratio of coil resistances knows nothing of it, only the noise."""
    before, after = made_fits.fit_of(AUERHAHN), made_fits.fit_of(AUERHAHN.but(Re=1.03))
    found = fit.derive(lambda a, b: b.Re / a.Re, before, after, unit="1")
    assert found.value == pytest.approx(1.03)
    noise = made_fits.SOURCES["random:takes"]["Re"]
    assert found.standard_uncertainty == pytest.approx(1.03 * math.sqrt(2) * noise, rel=1e-6)
    first, second = correlated(before, after)
    expected = second["Mms"] / first["Mms"]  # type: ignore[operator]
    found = fit.derive(lambda a, b: b.Mms / a.Mms, before, after, unit="1")
    assert found.standard_uncertainty == pytest.approx(expected.std_dev, rel=1e-6)


def test_a_fit_beside_itself_is_the_same_fit() -> None:
    one = made_fits.fit_of(AUERHAHN)
    found = fit.derive(lambda a, b: a.fs - b.fs, one, one, unit="Hz")
    assert found.value == 0
    assert found.standard_uncertainty == pytest.approx(0, abs=1e-12)


def test_what_bends_too_much_is_refused() -> None:
    one = made_fits.fit_of(AUERHAHN, scale=10)
    with pytest.raises(Refused, match="not-linear"):
        fit.derive(lambda p: 1 / (p.Zmax - 0.995 * p.Zmax * (p.Re / 6.2)), one, unit="1/ohm")
    with pytest.raises(Refused, match="not-linear"):
        fit.derive(lambda p: abs(p.Re - 6.2), one, unit="ohm")
    with pytest.raises(Refused, match="not-linear"):
        fit.derive(lambda p: math.sqrt(p.Re - 6.19), one, unit="1")


def test_a_symbol_that_the_fit_lacks_is_named() -> None:
    one = made_fits.fit_of(AUERHAHN, names=made_fits.FREE_AIR_ONLY)
    with pytest.raises(AttributeError, match="the fit has no Vas; it has Re Re_20C"):
        fit.derive(lambda p: p.Vas, one, unit="m3")
    with pytest.raises(ValueError, match="no finite number"):
        fit.derive(lambda p: math.nan, one, unit="1")
    with pytest.raises(ValueError, match="give the fits"):
        fit.derive(lambda: 1.0, unit="1")


def test_few_repetitions_widen_what_follows_from_them() -> None:
    one = made_fits.fit_of(AUERHAHN)
    wide = replace(one.parameters["Qms"], widening=1.7)
    fitted = replace(one, parameters={**one.parameters, "Qms": wide})
    assert fit.derive(lambda p: p.Qms / p.Qes, fitted, unit="1").widening == 1.7
    assert fit.derive(lambda p: p.fs, fitted, unit="Hz").widening == 1.0


# Tables.


def test_tables_of_results() -> None:
    one, other = made_fits.fit_of(AUERHAHN), made_fits.fit_of(AUERHAHN.but(Cms=1.2))
    frame = fit.to_frame(one)
    assert list(frame.index) == list(one.parameters)
    assert frame.index.name == "parameter"
    assert frame.loc["Mms", "value"] == AUERHAHN.Mms
    assert frame.loc["Mms", "unit"] == "kg"
    assert (frame.low_95 <= frame.value).all()
    assert frame.standard_uncertainty.to_numpy() == pytest.approx(
        [estimate.standard_uncertainty for estimate in one.parameters.values()]
    )
    changes = fit.to_frame(fit.compare_fits(one, other))
    assert changes.loc["Cms", "verdict"] == "changed"
    assert changes.loc["Cms", "change_relative"] == pytest.approx(0.2)


def test_a_curve_as_table_is_an_impedance_table(tmp_path: Path) -> None:
    """What pandas writes, the program reads back the same."""
    curve = bench.curve(bench.WOOFER.impedance(bench.FREQUENCY), np.random.default_rng(4))
    file = tmp_path / "curve.csv"
    fit.to_frame(curve).to_csv(file)
    back = meas.load_curve(file)
    assert isinstance(back, meas.ImpedanceCurve)
    assert back.impedance_ohm == pytest.approx(curve.impedance_ohm, rel=1e-12)
    assert back.standard_uncertainty_ohm == pytest.approx(curve.standard_uncertainty_ohm, rel=1e-9)
    size = meas.MagnitudeCurve(curve.frequency_hz, curve.magnitude_ohm)
    assert list(fit.to_frame(size)) == ["magnitude_ohm"]
    fitted = fit.to_frame(made_fits.fit_of(AUERHAHN).curves[0])
    assert isinstance(fitted, pandas.DataFrame)
    assert {"resistance_ohm", "model_reactance_ohm", "motional_resistance_ohm"} <= set(fitted)


def test_without_pandas_it_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(ImportError, match="extra 'tables'"):
        fit.to_frame(made_fits.fit_of(AUERHAHN))


def test_no_table_of_anything_else() -> None:
    with pytest.raises(TypeError, match="no table of a str"):
        fit.to_frame("fs")  # type: ignore[arg-type]


# Saved fits.


def test_a_fit_is_kept_and_comes_back(tmp_path: Path) -> None:
    one, file = made_fits.fit_of(AUERHAHN), tmp_path / "auerhahn.json"
    cli.save_fit(one, file, unit="Auerhahn 1")
    back = cli.load_fit(file)
    assert back.parameters == dict(one.parameters)
    with pytest.raises(UsageError, match="not overwritten"):
        cli.save_fit(one, file, unit="Auerhahn 1")
    with pytest.raises(UsageError, match="does not exist"):
        cli.load_fit(tmp_path / "none.json")


def test_importing_the_names_warns_of_nothing() -> None:
    code = "; ".join(
        f"from {package} import {', '.join(names)}" for package, names in PUBLIC.items()
    )
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert not done.stderr


def test_warnings_are_the_only_noise(capsys: pytest.CaptureFixture[str]) -> None:
    """A library prints nothing."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit.of_take(Said(Finding("uncalibrated", "the inputs may differ")), half_width=1e-4)
    fit.session(pressure=PRESSURE)
    assert capsys.readouterr() == ("", "")

"""What is saved is what was fitted, and nothing else is read as a fit."""

import copy
import json

import numpy as np
import pytest
from made_fits import Physical, curve, fit_of

from fit.results.judge import Target, judge
from fit.results.result import DriverFit, Estimate
from fit.results.store import covariance, from_json, to_json
from meas.errors import Finding, UnreadableInput

# The contract of the JSON that outside checks rely upon.
UNITS = {"ohm", "H", "Hz", "kg", "m/N", "kg/s", "T m", "m3", "m2", "dB", "1"}


def _document():
    fit = fit_of(Physical())
    verdicts = judge(
        fit.parameters,
        [Target("fs", 50.0, lower=45.0), Target("Sd_from_takes", 1e-2, 9e-3, 1.1e-2)],
    )
    findings = (Finding("stiff-suspension", "in words"),)
    document = to_json(fit, unit="Auerhahn 1", verdicts=verdicts, findings=findings)
    return fit, json.loads(json.dumps(document, allow_nan=False))


def test_round_trip_is_exact():
    fit, document = _document()
    back = from_json(document)
    assert dict(back.parameters) == dict(fit.parameters)
    assert (back.model, dict(back.sources)) == (fit.model, dict(fit.sources))
    assert dict(back.model_choice) == dict(fit.model_choice)
    for was, now in zip(fit.curves, back.curves, strict=True):
        assert (was.source, was.condition, was.condition_value) == (
            now.source,
            now.condition,
            now.condition_value,
        )
        for name in ("frequency_hz", "measured_ohm", "model_ohm", "motional_ohm"):
            np.testing.assert_array_equal(getattr(was, name), getattr(now, name))
    assert json.dumps(to_json(back, unit="Auerhahn 1")) == json.dumps(
        to_json(fit, unit="Auerhahn 1")
    )


def test_shape_of_the_contract():
    fit, document = _document()
    assert document["format"] == "freeair-fit/1"
    assert document["unit"] == "Auerhahn 1"
    for name, saved in document["parameters"].items():
        assert saved["unit"] in UNITS
        assert saved["standard_uncertainty"] == fit.parameters[name].standard_uncertainty
        low, high = saved["interval_95"]
        assert low < saved["value"] < high
    assert document["parameters"]["Le"]["frequency_hz"] == 1000.0
    assert document["curves"][0]["points"] == 300
    assert set(document["curves"][0]) >= {"source", "condition", "points", "residual_rms_relative"}
    assert [v["verdict"] for v in document["verdicts"]] == ["inside", "undecided"]
    assert document["verdicts"][0]["upper"] is None
    assert document["findings"] == [{"code": "stiff-suspension", "text": "in words"}]
    assert document["warnings"] == []


def test_covariance_is_the_sum_over_sources():
    # JCGM 102:2011, 6.2.1.3: U_y = C_x U_x C_x', here with unit variances.
    parameters = {
        "Re": Estimate(6.0, "ohm", {"resistor:a": 0.03, "random:1": 0.004}),
        "Zmax": Estimate(40.0, "ohm", {"resistor:a": 0.2, "random:2": 0.05}),
    }
    saved = covariance(parameters)
    assert saved["parameters"] == ["Re", "Zmax"]
    expected = [[0.03**2 + 0.004**2, 0.03 * 0.2], [0.03 * 0.2, 0.2**2 + 0.05**2]]
    np.testing.assert_allclose(saved["matrix"], expected, rtol=1e-12)


def test_magnitude_curve_round_trip():
    made = curve(Physical())
    magnitude = type(made)(
        "table.csv", "added-mass", 7.5e-3, made.frequency_hz, np.abs(made.measured_ohm),
        made.model_ohm, made.motional_ohm, 0.01,
    )  # fmt: skip
    fit = DriverFit("plain", fit_of(Physical()).parameters, (magnitude,))
    (back,) = from_json(json.loads(json.dumps(to_json(fit, unit="x")))).curves
    assert back.condition_value == 7.5e-3
    assert back.measured_ohm.dtype == np.float64
    np.testing.assert_array_equal(back.measured_ohm, magnitude.measured_ohm)


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_a_value_that_is_not_finite_is_never_saved(bad):
    fit = DriverFit("plain", {"Re": Estimate(bad, "ohm", {}, logarithmic=False)}, ())
    with pytest.raises(ValueError, match=r"parameters\.Re\.value"):
        to_json(fit, unit="x")


def _without(key):
    def spoil(document):
        del document[key]

    return spoil


def _with(path, value):
    def spoil(document):
        node = document
        for step in path[:-1]:
            node = node[step]
        node[path[-1]] = value

    return spoil


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (_with(["format"], "freeair-fit/2"), "newer freeair"),
        (_with(["format"], "freeair-rig/1"), "no saved fit"),
        (_with(["format"], None), "no saved fit"),
        (_without("model"), "model"),
        (_without("curves"), "curves"),
        (_with(["parameters"], {}), "parameters"),
        (_with(["parameters", "Re", "value"], "6.2"), r"parameters\.Re\.value"),
        (_with(["parameters", "Re", "value"], float("nan")), r"parameters\.Re\.value"),
        (_with(["parameters", "Re", "value"], -6.2), r"parameters\.Re: .*not positive"),
        (_with(["parameters", "Re", "unit"], "mohm"), r"parameters\.Re\.unit"),
        (_with(["parameters", "fs", "contributions"], None), r"parameters\.fs\.contributions"),
        (_with(["parameters", "fs", "widening"], 0.5), r"parameters\.fs\.widening"),
        (_with(["curves", 0, "condition"], "vented"), r"curves\.0\.condition"),
        (_with(["curves", 0, "frequency_hz"], [10.0]), r"curves\.0: .*not as long"),
        (_with(["curves", 0, "measured_ohm"], {"real": [1.0]}), r"curves\.0\.measured_ohm"),
    ],
)
def test_a_spoilt_file_names_the_key(spoil, said):
    _, document = _document()
    spoilt = copy.deepcopy(document)
    spoil(spoilt)
    with pytest.raises(UnreadableInput, match=said) as error:
        from_json(spoilt, where="auerhahn.json")
    assert error.value.where == "auerhahn.json"
    assert error.value.remedy


@pytest.mark.parametrize("document", [None, [], "text", 3.0])
def test_what_is_no_object_is_no_fit(document):
    with pytest.raises(UnreadableInput, match="no saved fit"):
        from_json(document)


def test_keys_added_later_in_this_version_are_ignored():
    _, document = _document()
    document["mood"] = "fine"
    assert from_json(document).model == "plain"

"""The targets file: aims as people write them, in base units for the judge."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.sources import targets_file
from cli.sources.targets_file import Winding
from fit.results.judge import Target
from fit.results.quantities import QUANTITIES
from meas.errors import FreeairError, UnreadableInput, UsageError


def put(tmp_path, text):
    path = tmp_path / "t.toml"
    path.write_text(text)
    return path


def one(tmp_path, line):
    (target,) = targets_file.read(put(tmp_path, f"[targets]\n{line}\n")).targets
    return target


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ('fs = "42Hz ± 10%"', ("fs", 42.0, 37.8, 46.2)),
        ('fs = "42Hz+-10%"', ("fs", 42.0, 37.8, 46.2)),
        ('fs = "42 ± 4 Hz"', ("fs", 42.0, 38.0, 46.0)),
        ('Re = "5.8ohm ± 0.4ohm"', ("Re", 5.8, 5.4, 6.2)),
        ('Re = "5R8±0R4"', ("Re", 5.8, 5.4, 6.2)),
        ('Qts = "0.38 ± 0.05"', ("Qts", 0.38, 0.33, 0.43)),
        ('Qts = "0.38 ± 10%"', ("Qts", 0.38, 0.342, 0.418)),
        ('Le = "0.5mH ± 20%"', ("Le", 0.5e-3, 0.4e-3, 0.6e-3)),
        ('Mms = "13g ± 1.5g"', ("Mms", 0.013, 0.0115, 0.0145)),
        ('Cms = "0.85mm/N ± 20%"', ("Cms", 0.85e-3, 0.68e-3, 1.02e-3)),
        ('Rms = "1.2kg/s ± 0.2kg/s"', ("Rms", 1.2, 1.0, 1.4)),
        ('Rms = "1.2Ns/m ± 0.2Ns/m"', ("Rms", 1.2, 1.0, 1.4)),
        ('Bl = "5.2Tm ± 10%"', ("Bl", 5.2, 4.68, 5.72)),
        ('Bl = "5.2N/A ± 10%"', ("Bl", 5.2, 4.68, 5.72)),
        ('Vas = "14L ± 20%"', ("Vas", 0.014, 0.0112, 0.0168)),
        ('Sd = "109cm2 ± 5%"', ("Sd", 0.0109, 0.010355, 0.011445)),
        ('sensitivity_2v83 = "86dB ± 1.5dB"', ("sensitivity_2v83", 86.0, 84.5, 87.5)),
        ('eta0 = "0.004 ± 25%"', ("eta0", 0.004, 0.003, 0.005)),
        ('fs = {target="42Hz", lower="40Hz", upper="50Hz"}', ("fs", 42.0, 40.0, 50.0)),
        ('fs = {lower="40Hz", upper="50Hz"}', ("fs", 45.0, 40.0, 50.0)),
        ('fs = {upper="50Hz"}', ("fs", 50.0, None, 50.0)),
        ('fs = {target="45Hz", upper="50Hz"}', ("fs", 45.0, None, 50.0)),
        ("Qms = {lower=3}", ("Qms", 3.0, 3.0, None)),
        ('Qms = {lower="3"}', ("Qms", 3.0, 3.0, None)),
    ],
)
def test_aims_as_people_write_them(tmp_path, line, expected):
    target = one(tmp_path, line)
    assert target.parameter == expected[0]
    for found, meant in zip((target.target, target.lower, target.upper), expected[1:], strict=True):
        assert found == (None if meant is None else pytest.approx(meant, rel=1e-12))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[targets]\nFs = "42Hz ± 10%"', "did you mean fs?"),
        ('[targets]\nQtc = "0.7 ± 10%"', "Qtc: unknown parameter (did you mean Qts?)"),
        ('[targets]\nfs = "42 ± 10%"', "fs: '42 ± 10%' has no unit"),
        ('[targets]\nfs = "42,5Hz ± 10%"', "comma"),
        ('[targets]\nfs = "42mm ± 10%"', "it is one of length"),
        ('[targets]\nfs = "42Hz"', "has no limits"),
        ("[targets]\nfs = 42", "should be text in double quotes"),
        ("[targets]\nQts = 0.4", "should be text in double quotes"),
        ("[targets]\nfs = nan", "should be text in double quotes"),
        ("[targets]\nfs = true", "should be text in double quotes"),
        ('[targets]\nfs = ["42Hz"]', "should be text in double quotes"),
        ("[targets]\nfs = {}", "neither a lower nor an upper"),
        ('[targets]\nfs = {target="42Hz"}', "neither a lower nor an upper"),
        ("[targets]\nfs = {lower=42}", "fs.lower: 42 should be text"),
        ("[targets]\nQts = {lower=true}", "Qts.lower"),
        ("[targets]\nQts = {lower=inf}", "Qts.lower"),
        ('[targets]\nfs = {lower="42Hz±1Hz"}', "limits of its own"),
        ('[targets]\nfs = {min="42Hz"}', "fs.min: is none of"),
        ('[targets]\nfs = {target="60Hz", lower="40Hz", upper="50Hz"}', "does not lie between"),
        ('[targets]\nfs = {lower="50Hz", upper="40Hz"}', "does not lie between"),
        ('[targets]\nsensitivity_1w = "86dB ± 2%"', "per cent"),
        ('fs = "42Hz ± 10%"', "forget the line [targets]"),
        ('[target]\nfs = "42Hz ± 10%"', "did you mean targets?"),
        ("targets = 3", "should be a table"),
        ('format = "freeair-targets/2"', "newer freeair"),
        ('format = "else"', "its format is 'else'"),
        ("[targets]\nfs = 42Hz", "line 2"),
        ("[winding]\nturn = 100", "did you mean turns?"),
        ('[winding]\nwire = "gold"', "copper"),
        ('[winding]\nturns = "100"', "winding.turns"),
        ("[winding]\nlayers = 2.5", "winding.layers"),
        ("[winding]\nlayers = 0", "winding.layers"),
        ("[winding]\nturns = nan", "winding.turns"),
        ("[winding]\nwire_diameter = 0.16", "winding.wire_diameter: 0.16 should be text"),
        ('[winding]\nwire_diameter = "0.16"', "has no unit"),
        ("[winding]\nwire = [1]", "copper"),
    ],
)
def test_wrong_files(tmp_path, text, said):
    path = put(tmp_path, text)
    with pytest.raises(UnreadableInput) as caught:
        targets_file.read(path)
    assert said in str(caught.value)
    assert str(path) in caught.value.where
    assert caught.value.remedy


def test_all_faults_are_told_at_once(tmp_path):
    path = put(tmp_path, '[targets]\nfs = "42Hz"\nRe = "x"\nfoo = 1\n[winding]\nbar = 1\n')
    with pytest.raises(UnreadableInput) as caught:
        targets_file.read(path)
    for part in ("'42Hz' has no limits", "'x' is no resistance", "foo: unknown", "winding.bar"):
        assert part in str(caught.value)


def test_the_new_file_reads_as_it_stands(tmp_path):
    path = tmp_path / "t.toml"
    targets_file.write_new(path)
    plan = targets_file.read(path)
    assert [target.parameter for target in plan.targets] == ["Re", "fs", "Qts"]
    assert plan.winding == Winding()
    with pytest.raises(UsageError, match="not overwritten"):
        targets_file.write_new(path)


def test_every_example_in_the_new_file_is_right(tmp_path):
    """All commented lines with a value, uncommented."""
    head, _, body = targets_file.new_text().partition("[targets]")
    lines = [line.removeprefix("# ") if " = " in line else line for line in body.splitlines()]
    plan = targets_file.read(put(tmp_path, "[targets]" + "\n".join(lines)))
    named = {target.parameter for target in plan.targets}
    assert named == set(QUANTITIES) - {"Sd_from_takes"}  # a cross-check, not an aim
    winding = plan.winding
    assert (winding.wire, winding.turns, winding.layers) == ("copper", 110, 2)
    lengths = (winding.wire_diameter, winding.former_diameter, winding.gap_height)
    assert [length.value for length in lengths] == [0.16e-3, 25.4e-3, 5e-3]
    examples = [
        line.removeprefix("#").strip()
        for line in head.splitlines()
        if line.startswith("#") and " = " in line
    ]
    for example in examples:
        text = example.split("     ")[0]
        assert isinstance(one(tmp_path, text), Target)


def test_a_file_for_given_targets(tmp_path):
    path = tmp_path / "t.toml"
    targets_file.write_new(path, {"fs": "42Hz ± 10%", "Bl": "6Tm ± 5%"})
    assert [(t.parameter, t.target) for t in targets_file.read(path).targets] == [
        ("fs", 42.0),
        ("Bl", 6.0),
    ]


def test_nothing_aimed_at_is_no_error(tmp_path):
    assert targets_file.read(put(tmp_path, "")).targets == ()


def test_every_reported_quantity_can_be_a_target(tmp_path):
    for symbol, quantity in QUANTITIES.items():
        notation = targets_file.NOTATION[quantity.unit]
        unit = next(iter(notation.units))
        number = 80 if quantity.unit == "dB" else notation.smallest * 100 / notation.units[unit]
        assert one(tmp_path, f'{symbol} = {{lower = "{number:g}{unit}"}}').parameter == symbol


pieces = ["[targets]", "[winding]", "fs", "Qts", "turns", "42Hz", "±", "10%", "lower", "format"]
words = st.sampled_from([*pieces, *"={}[],'#.\"\n 3", "nan", "1979-01-01"])


@given(st.lists(words, max_size=25).map("".join))
@settings(max_examples=300, deadline=None)
def test_only_our_errors_escape(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "fuzz.toml"
    path.write_text(text)
    try:
        targets_file.read(path)
    except FreeairError as error:
        assert str(path) in error.where

"""Impedance tables: what spreadsheets write is read, what is doubtful is refused by line."""

import codecs

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from meas.curve import ImpedanceCurve, MagnitudeCurve
from meas.errors import FreeairError, UnreadableInput, UsageError
from meas.passivity.bode import phase_of_magnitude
from meas.tables import csv_table
from meas.tables.wrong_units import plausibility


def put(tmp_path, content, name="z.csv"):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


COMPLEX = "frequency_hz,resistance_ohm,reactance_ohm\n20,6.5,0.25\n40,7,-1e-1\n"


@pytest.mark.parametrize(
    "content",
    [
        COMPLEX,
        COMPLEX.replace(",", ";"),
        COMPLEX.replace(",", "\t"),
        COMPLEX.replace("\n", "\r\n"),
        COMPLEX.replace("\n", "\r"),
        COMPLEX.replace("\n", "\n\n"),
        COMPLEX.replace(",", ";").replace(".", ","),
        COMPLEX.replace(",", "\t").replace(".", ","),
        COMPLEX.replace(",", " , "),
        COMPLEX.upper(),
        "# µ measured at home\n\n" + COMPLEX + "#end",
        '"# quoted, as spreadsheets do"\n' + COMPLEX,
        "sep=;\n" + COMPLEX.replace(",", ";"),
        COMPLEX.replace("20", '"20"').replace("frequency_hz", '"frequency_hz"'),
        COMPLEX.replace("\n", ",,\n"),
        codecs.BOM_UTF8 + COMPLEX.encode(),
        COMPLEX.encode("utf-16"),
        codecs.BOM_UTF16_BE + COMPLEX.encode("utf-16-be"),
        ("# Gehäuse 20 µ\n" + COMPLEX).encode("latin-1"),
        "reactance_ohm;note;frequency_hz;resistance_ohm\n0,25;a, b;20;6,5\n-1e-1;;40;7\n",
        "frequency_hz,resistance_ohm,reactance_ohm\n40,7,-1e-1\n20,6.5,0.25\n",
    ],
)
def test_one_curve_in_every_notation(tmp_path, content):
    curve = csv_table.read(put(tmp_path, content))
    assert isinstance(curve, ImpedanceCurve)
    assert curve.frequency_hz.tolist() == [20.0, 40.0]
    assert curve.impedance_ohm.tolist() == [6.5 + 0.25j, 7.0 - 0.1j]
    assert curve.standard_uncertainty_ohm is None


def test_magnitude_with_and_without_phase(tmp_path):
    head = "frequency_hz,magnitude_ohm,phase_deg,standard_uncertainty_ohm\n"
    curve = csv_table.read(put(tmp_path, head + "20,8,30,0.01\n40,6,-90,0.02\n"))
    assert isinstance(curve, ImpedanceCurve)
    # 8 ohm at 30 degrees by hand: 8 cos 30 = 6.9282, 8 sin 30 = 4.
    assert curve.impedance_ohm == pytest.approx([6.9282032 + 4j, -6j], abs=1e-6)
    assert curve.standard_uncertainty_ohm.tolist() == [0.01, 0.02]
    bare = csv_table.read(put(tmp_path, "magnitude_ohm,frequency_hz\n8,20\n6,40\n"))
    assert isinstance(bare, MagnitudeCurve)
    assert bare.magnitude_ohm.tolist() == [8.0, 6.0]


def test_a_table_that_says_the_same_twice(tmp_path):
    head = "frequency_hz,resistance_ohm,reactance_ohm,magnitude_ohm,phase_deg\n"
    curve = csv_table.read(put(tmp_path, head + "20,6.928,4.0,8.0,30.0\n"))
    assert curve.impedance_ohm.tolist() == [6.928 + 4j]
    with pytest.raises(UnreadableInput, match="contradict") as caught:
        csv_table.read(put(tmp_path, head + "20,6.928,4.0,8.0,30.0\n40,6,1,8.0,30.0"))
    assert "line 3" in caught.value.where


HEAD = "frequency_hz,magnitude_ohm\n"
WRONG = [
    ("", "", "is empty"),
    ("# nothing\n\n", "", "is empty"),
    (HEAD, "", "no rows"),
    ("20,8\n40,6\n", "", "no column frequency_hz"),
    ("frequency,magnitude_ohm\n20,8\n", "", "'frequency' is meant"),
    ("freq_hz,magnitude_ohm\n20,8\n", "", "'freq_hz' is meant"),
    ("frequency_hz,magnitude\n20,8\n", "", "'magnitude' is meant"),
    ("frequency_hz,resistance_ohm\n20,8\n", "", "no column reactance_ohm"),
    ("frequency_hz,reactance_ohm\n20,8\n", "", "no column resistance_ohm"),
    ("frequency_hz,phase_deg\n20,8\n", "", "no column magnitude_ohm"),
    ("frequency_hz\n20\n", "", "no column magnitude_ohm"),
    ("frequency_hz,frequency_hz,magnitude_ohm\n20,20,8\n", "", "two columns are called"),
    (HEAD + "20,8\n40,nan\n", "line 3, column magnitude_ohm", "'nan' is no number"),
    (HEAD + "20,8\ninf,8\n", "line 3, column frequency_hz", "'inf' is no number"),
    (HEAD + "20,8\n40,1e999\n", "line 3, column magnitude_ohm", "absurdly large"),
    (HEAD + "20,8\n-40,8\n", "line 3, column frequency_hz", "not greater than zero"),
    (HEAD + "0,8\n", "line 2, column frequency_hz", "not greater than zero"),
    (HEAD + "20,-8\n", "line 2, column magnitude_ohm", "not greater than zero"),
    (HEAD + "20,0\n", "line 2, column magnitude_ohm", "not greater than zero"),
    (HEAD + "20,8\n40,6\n20.0,7\n", "line 4, column frequency_hz", "in line 2 already"),
    (HEAD + "20,\n", "line 2, column magnitude_ohm", "empty"),
    (HEAD + "20\n", "line 2, column magnitude_ohm", "empty"),
    (HEAD + "Hz,ohm\n20,8\n", "line 2, column frequency_hz", "'Hz' is no number"),
    (HEAD + "20,8 ohm\n", "line 2, column magnitude_ohm", "'8 ohm' is no number"),
    (HEAD + "20,1_0\n", "line 2, column magnitude_ohm", "is no number"),
    (HEAD + "20,5,8,2\n", "line 2", "more cells"),
    ("frequency_hz,magnitude_ohm,,\n20,5,8,2\n", "line 2", "more cells"),
    (HEAD + '20,"8,5"\n', "line 2, column magnitude_ohm", "decimal comma"),
    (HEAD + '20,"8\n', "line 2", "told apart"),
    (HEAD.replace(",", ";") + "20;1.234,5\n", "line 2, column magnitude_ohm", "is no number"),
    (HEAD.replace(",", ";") + "20,5;8\n1.000;8\n", "line 3, column frequency_hz", "decimal point"),
    (HEAD.replace(",", ";") + "20.5;8,1\n", "line 2, column magnitude_ohm", "decimal comma"),
    ("frequency_hz,magnitude_ohm,phase_deg\n20,8,400\n", "line 2, column phase_deg", "no phase"),
    ("frequency_hz,magnitude_ohm,phase_deg\n20,8,\n", "line 2, column phase_deg", "empty"),
    (
        "frequency_hz,magnitude_ohm,standard_uncertainty_ohm\n20,8,0\n",
        "line 2, column standard_uncertainty_ohm",
        "not greater than zero",
    ),
    (b"RIFF\x00\x00\x00\x00WAVE", "", "no text file"),
    (codecs.BOM_UTF16_LE + b"a", "", "damaged"),
    ('{"format": "freeair-fit/1"}', "", "no column frequency_hz"),
]


@pytest.mark.parametrize(("content", "where", "what"), WRONG)
def test_wrong_tables_name_line_and_column(tmp_path, content, where, what):
    path = put(tmp_path, content)
    with pytest.raises(UnreadableInput) as caught:
        csv_table.read(path)
    assert what in caught.value.what
    assert caught.value.where == (f"{path}, {where}" if where else str(path))
    assert caught.value.remedy


def test_no_file_and_a_folder(tmp_path):
    with pytest.raises(UnreadableInput, match="does not exist"):
        csv_table.read(tmp_path / "none.csv")
    with pytest.raises(UnreadableInput, match="folder"):
        csv_table.read(tmp_path)


rows = st.integers(1, 30)
numbers = st.floats(-1e9, 1e9, allow_subnormal=False)


@given(st.data(), rows, st.booleans())
@settings(max_examples=60, deadline=None)
def test_written_tables_read_back_exactly(tmp_path_factory, data, n, with_uncertainty):
    frequency = np.unique(data.draw(hnp.arrays(float, n, elements=st.floats(1e-3, 1e6))))
    n = len(frequency)
    parts = data.draw(hnp.arrays(float, (2, n), elements=numbers))
    positive = st.floats(1e-9, 1e9)
    uncertainty = data.draw(hnp.arrays(float, n, elements=positive)) if with_uncertainty else None
    folder = tmp_path_factory.mktemp("t")
    curve = ImpedanceCurve(frequency, parts[0] + 1j * parts[1], uncertainty)
    csv_table.write(folder / "z.csv", curve, comments=["anything, really; even this"])
    back = csv_table.read(folder / "z.csv")
    assert np.array_equal(back.frequency_hz, frequency)
    assert np.array_equal(back.impedance_ohm, curve.impedance_ohm)
    assert (back.standard_uncertainty_ohm is None) == (uncertainty is None)
    if uncertainty is not None:
        assert np.array_equal(back.standard_uncertainty_ohm, uncertainty)
    flat = MagnitudeCurve(frequency, data.draw(hnp.arrays(float, n, elements=positive)))
    csv_table.write(folder / "m.csv", flat)
    assert np.array_equal(csv_table.read(folder / "m.csv").magnitude_ohm, flat.magnitude_ohm)


def test_nothing_is_overwritten(tmp_path):
    curve = MagnitudeCurve(np.array([20.0]), np.array([8.0]))
    path = put(tmp_path, "mine")
    with pytest.raises(UsageError, match="not overwritten"):
        csv_table.write(path, curve)
    assert path.read_text() == "mine"


names = ["frequency_hz", "magnitude_ohm", "phase_deg", "resistance_ohm", "reactance_ohm"]
bits = [*",;\t\n\r\"'#", "sep=", "20", "8,5", "-1e3", "nan", "\ufeff", "\0", "é", " ", "1e400"]
fragments = st.sampled_from([*names, *bits])


@given(st.one_of(st.binary(max_size=80), st.lists(fragments, max_size=30).map("".join)))
@settings(max_examples=400, deadline=None)
def test_only_our_errors_escape(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "fuzz.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    try:
        curve = csv_table.read(path)
    except FreeairError as error:
        assert str(path) in error.where
    else:
        plausibility(curve)


def driver(frequency_hz, scale=1.0):
    """A woofer of Re 6 ohm, fs 50 Hz, Qms 4, peak 48 ohm, Le 0.5 mH, from the definition."""
    s = 2j * np.pi * frequency_hz
    ws, res, qms = 2 * np.pi * 50.0, 42.0, 4.0
    motional = res * (s * ws / qms) / (s**2 + s * ws / qms + ws**2)
    return (6.0 + s * 0.5e-3 + motional) * scale


F = np.geomspace(10.0, 20000.0, 300)


def test_bode_relation_gives_the_phase_of_the_magnitude():
    """The model is minimum phase, so the relation must return the phase that it has.

    Left out is what lies beyond the band: there ln|Z| rises with at most the slope 1 of an
    inductor, and ln coth(u/2) < 2.1 exp(-u), which integrates to 2.1/pi * f/20 kHz. At the lower
    end the slope is below 0.1, so 0.1 of the like at 10 Hz/f. One degree for the finite steps.
    """
    f = np.geomspace(10.0, 20000.0, 1000)
    z = driver(f)
    left_out = np.degrees(2.1 / np.pi * (f / 20000.0 + 0.1 * 10.0 / f))
    error = np.abs(np.degrees(phase_of_magnitude(f, np.log(np.abs(z)))) - np.angle(z, deg=True))
    inner = (f > 20) & (f < 2000)
    assert np.all(error[inner] < left_out[inner] + 1.0)


@pytest.mark.parametrize("seen", [driver(F), np.full(300, 8.0 + 0j), driver(F, 300 / 6)])
def test_right_units_are_left_alone(seen):
    assert plausibility(ImpedanceCurve(F, seen)) == ()
    assert plausibility(MagnitudeCurve(F, np.abs(seen))) == ()


@pytest.mark.parametrize(
    ("curve", "said"),
    [
        (ImpedanceCurve(F, driver(F, 1e-3)), "kilohm"),
        (MagnitudeCurve(F, np.abs(driver(F, 1e-3))), "kilohm"),
        (MagnitudeCurve(F, np.abs(driver(F, 1e3))), "milliohm"),
        (MagnitudeCurve(F / 1e3, np.abs(driver(F))), "kilohertz"),
        (
            ImpedanceCurve(F, np.abs(driver(F)) * np.exp(1j * np.angle(driver(F)) * np.pi / 180)),
            "radians",
        ),
        (ImpedanceCurve(F, np.abs(driver(F)) + 0j), "radians"),
    ],
)
def test_wrong_units_are_refused(curve, said):
    (finding,) = plausibility(curve)
    assert finding.code == "wrong-unit"
    assert finding.refuses
    assert said in finding.text


BARE = ((20.0, 8.25, 12.5), (40.0, 31.5, -40.0))


@pytest.mark.parametrize("between", [",", ";", "\t", "  ", " \t "])
@pytest.mark.parametrize("head", ["", "# by hand\n"])
def test_bare_columns_are_frequency_ohm_and_degrees(tmp_path, between, head):
    rows = "".join(between.join(map(str, row)) + "\n" for row in BARE)
    path = put(tmp_path, head + rows)
    curve = csv_table.read(path)
    assert csv_table.has_no_header(path)
    assert curve.frequency_hz.tolist() == [20.0, 40.0]
    polar = [ohm * np.exp(1j * np.radians(degrees)) for _, ohm, degrees in BARE]
    assert curve.impedance_ohm == pytest.approx(polar, rel=1e-12)
    again = csv_table.read(put(tmp_path, csv_table.as_bare_columns(curve), "again.txt"))
    assert again.impedance_ohm == pytest.approx(polar, rel=1e-12)


@pytest.mark.parametrize("header", ["Hz,ohm", "Hz;Ω", "hz\tOhms", "ohm,Hz"])
def test_columns_may_be_named_by_their_units(tmp_path, header):
    between = next(sign for sign in ",;\t" if sign in header)
    row = ("8.25", "20") if header.startswith("ohm") else ("20", "8.25")
    path = put(tmp_path, header + "\n" + between.join(row) + "\n")
    curve = csv_table.read(path)
    assert isinstance(curve, MagnitudeCurve) and not csv_table.has_no_header(path)
    assert (curve.frequency_hz[0], curve.magnitude_ohm[0]) == (20.0, 8.25)


def test_columns_by_units_with_degrees(tmp_path):
    curve = csv_table.read(put(tmp_path, "Hz,ohm,deg\n20,2,90\n"))
    assert curve.impedance_ohm[0] == pytest.approx(2j)


@pytest.mark.parametrize("content", ["20\n40\n", "20,6,1,3\n", "20,six\n", "20,6,1 ohm\n"])
def test_other_bare_rows_are_no_table(tmp_path, content):
    with pytest.raises(UnreadableInput, match="frequency_hz"):
        csv_table.read(put(tmp_path, content))

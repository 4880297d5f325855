"""Touchstone files, read and written by a network-analysis library as the judge."""

import numpy as np
import pytest
import skrf

from meas.curve import ImpedanceCurve
from meas.errors import UnreadableInput, UsageError
from meas.tables.touchstone import as_text, from_text, read, write

FREQUENCY = np.geomspace(20, 20000, 31)
CURVE = ImpedanceCurve(FREQUENCY, 6.0 + 2j * np.pi * FREQUENCY * 0.4e-3 + 3 / (1 + 1j))


@pytest.mark.parametrize("version", [1, 2])
def test_scikit_rf_reads_what_is_written(tmp_path, version):
    path = tmp_path / "unit.s1p"
    write(path, CURVE, version, comments=("made in a test",))
    network = skrf.Network(path)
    assert network.f == pytest.approx(FREQUENCY, rel=1e-12)
    # Through S parameters and back: a few roundings.
    assert network.z[:, 0, 0] == pytest.approx(CURVE.impedance_ohm, rel=1e-9)


@pytest.mark.parametrize("form", ["ri", "ma", "db"])
def test_what_scikit_rf_writes_is_read(tmp_path, form):
    network = skrf.Network(f=FREQUENCY, f_unit="Hz", z=CURVE.impedance_ohm[:, None, None], z0=50)
    network.write_touchstone("from_library", dir=tmp_path, form=form)
    curve = read(tmp_path / "from_library.s1p")
    assert curve.frequency_hz == pytest.approx(FREQUENCY, rel=1e-9)
    # The library writes about twelve digits of S; (1+S)/(1-S) at 50 ohm loses one or two.
    assert curve.impedance_ohm == pytest.approx(CURVE.impedance_ohm, rel=1e-8)


@pytest.mark.parametrize(
    "text",
    # scikit-rf 2.2 reads all three as 8 + 4j ohm; specification 1.1 and 2.0.
    [
        "# HZ Z RI R 8\n100 1.0 0.5\n",
        "# HZ Z RI R 1\n100 8 4\n",
        "[Version] 2.0\n# HZ Z RI R 50\n[Number of Ports] 1\n[Reference] 8.0\n"
        "[Network Data]\n100 8 4\n[End]\n",
    ],
)
def test_normalisation_of_both_versions(text):
    assert from_text(text, "x").impedance_ohm[0] == pytest.approx(8 + 4j)


@pytest.mark.parametrize("version", [1, 2])
def test_round_trip_is_exact(version):
    curve = from_text(as_text(CURVE, version), "x")
    assert np.array_equal(curve.impedance_ohm, CURVE.impedance_ohm)
    assert np.array_equal(curve.frequency_hz, CURVE.frequency_hz)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "no network data"),
        ("# HZ Z RI R 1\n100 8\n", "line 2"),
        ("# HZ Z RI R 1\n100 8 x\n", "'x' is not a finite number"),
        ("# HZ Z RI R 1\n100 8 nan\n", "finite"),
        ("# HZ H RI R 1\n100 8 4\n", "option line"),
        ("# HZ Z RI R\n100 8 4\n", "finite"),
        ("# HZ Z RI R 1\n100 8 4\n50 8 4\n", "strictly increasing"),
        ("[Version] 9\n", "version '9'"),
        ("[Version] 2.0\n[Number of Ports] 2\n", "2 ports"),
    ],
)
def test_wrong_files_name_the_line(text, message):
    with pytest.raises(UnreadableInput, match=message):
        from_text(text, "unit.s1p")


def test_an_ideal_open_is_not_a_number():
    with pytest.raises(UnreadableInput, match="finite"):
        from_text("# HZ S RI R 50\n100 1 0\n", "open.s1p")


def test_nothing_is_overwritten(tmp_path):
    path = tmp_path / "unit.s1p"
    path.write_text("mine")
    with pytest.raises(UsageError):
        write(path, CURVE)
    assert path.read_text() == "mine"


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(UnreadableInput, match=r"gone\.s1p"):
        read(tmp_path / "gone.s1p")

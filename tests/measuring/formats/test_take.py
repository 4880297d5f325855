"""Takes on disk: whole or absent, never overwritten, read back as they were."""

import errno
import json
import os
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from meas.audio.protocol import StreamEvent
from meas.bench.rig import Calibration, Rig, Wiring
from meas.correction.systematics import bench_systematics
from meas.curve import ImpedanceCurve
from meas.errors import Finding, FreeairError, UnreadableInput, UsageError
from meas.takes import take as takes
from meas.takes.take import Take, TakeCondition

F = np.geomspace(10.0, 20000.0, 50)
Z = 6.0 + 2j * np.pi * F * 0.5e-3
CALIBRATION = Calibration(
    taken_at="2026-03-01T10:00:00+01:00",
    sample_rate_hz=48000,
    device="bench card",
    source_input=1,
    driver_input=2,
    points=((10.0, 1.01, 0.0, 1e-5), (20000.0, 1.01, -0.1, 1e-5)),
)
RIG = Rig(name="attic-1a2b", wiring=Wiring(series_resistor_ohm=10.0), calibration=CALIBRATION)
SAMPLES = np.random.default_rng(2).normal(0, 0.1, (4800, 2)).astype(np.float32)


def a_take(**changes):
    made = Take(
        unit="Kiebitz no. 3",
        kind="driver",
        condition=TakeCondition("added-mass", 0.0075, 0.0001, "7.5g±0.1g"),
        label="after 10 h",
        taken_at="2026-03-01T10:05:00+01:00",
        rig=RIG,
        sample_rate_hz=48000,
        peak=(0.5, 0.25),
        excitation={"kind": "sweep", "start_hz": 10.0, "pairs": 1},
        software="freeair 0.1.0",
        findings=(Finding("hum", "some hum at 50 Hz"),),
        curve=ImpedanceCurve(F, Z, np.full(50, 1e-3)),
        stream={"device": "bench card", "latency_s": 0.03},
        events=(StreamEvent(480, "input-overflow"),),
        environment={"air_temperature_k": 294.15},
    )
    return replace(made, **changes)


REFUSED = {"findings": (Finding("clipped", "the driver input clips", refuses=True),)}


def test_what_is_saved_is_read_back(tmp_path):
    take = a_take()
    path = takes.save(take, SAMPLES, tmp_path)
    assert sorted(p.name for p in path.iterdir()) == ["capture.wav", "impedance.csv", "take.json"]
    for given_path in (path, path / "take.json", path / "impedance.csv"):
        assert takes.is_take(given_path)
        back = takes.load(given_path)
        for name in vars(take):
            if name not in ("curve", "path"):
                assert getattr(back, name) == getattr(take, name), name
        assert back.path == path
        assert np.array_equal(back.curve.impedance_ohm, Z)
        assert np.array_equal(back.curve.frequency_hz, F)
        assert np.array_equal(back.curve.standard_uncertainty_ohm, np.full(50, 1e-3))
    capture = takes.read_capture(path)
    assert capture.sample_rate_hz == 48000
    assert np.array_equal(capture.samples, SAMPLES)


@pytest.mark.parametrize("calibration", [CALIBRATION, None])
def test_common_errors_follow_from_the_rig(tmp_path, calibration):
    rig = RIG.model_copy(update={"calibration": calibration})
    back = takes.load(takes.save(a_take(rig=rig), SAMPLES, tmp_path))
    expected = bench_systematics(F, Z, rig, calibration=calibration, sample_rate_hz=48000)
    assert [s.source for s in back.curve.systematics] == [s.source for s in expected]
    assert "resistor:attic-1a2b" in [s.source for s in expected]
    for found, meant in zip(back.curve.systematics, expected, strict=True):
        assert np.array_equal(found.derivative_ohm, meant.derivative_ohm)
        assert found.text == meant.text


def test_float64_captures_stay_exact(tmp_path):
    samples = np.random.default_rng(3).normal(0, 0.1, (100, 2))
    back = takes.read_capture(takes.save(a_take(), samples, tmp_path))
    assert back.samples.dtype == np.float64
    assert np.array_equal(back.samples, samples)


def test_a_refused_take_keeps_its_capture_and_shows_no_number(tmp_path):
    path = takes.save(a_take(**REFUSED), SAMPLES, tmp_path)
    assert sorted(p.name for p in path.iterdir()) == ["capture.wav", "take.json"]
    back = takes.load(path)
    assert back.refused
    assert [finding.code for finding in back.reasons] == ["clipped"]
    assert back.curve is None
    assert np.array_equal(takes.read_capture(path).samples, SAMPLES)
    assert json.loads((path / "take.json").read_text())["refused"] is True


def test_a_bad_capture_is_kept_with_whatever_it_holds(tmp_path):
    """No samples, no resistor, numbers that are none: what was recorded must not be lost."""
    rig = RIG.model_copy(update={"wiring": Wiring()})
    take = a_take(
        rig=rig, curve=None, peak=(np.nan, np.inf), stream={"latency_s": np.float32(np.nan)},
        **REFUSED,
    )  # fmt: skip
    samples = np.full((3, 2), np.nan, dtype=np.float32)
    path = takes.save(take, samples, tmp_path)
    assert takes.load(path).refused
    kept, _ = soundfile.read(path / "capture.wav")
    assert kept.shape == (3, 2)
    assert takes.load(takes.save(take, samples[:0], tmp_path)).refused


def test_nothing_is_overwritten(tmp_path):
    paths = [takes.save(a_take(label=str(k)), SAMPLES, tmp_path) for k in range(3)]
    assert len(set(paths)) == 3
    assert [takes.load(path).label for path in paths] == ["0", "1", "2"]


@pytest.mark.parametrize(
    "unit",
    [
        *("../../x", "/etc/x", "CON", "con.txt", "NUL", ".hidden", "..", ".", "-rf", "", " "),
        *("x" * 300, "\u00e4" * 300, "Süß µ 3", "木工", "a/b\\c:d*e?", "a\nb"),
        *("\udc80\udcff", "\0", "_", "e\u0301"),
    ],
)
def test_hostile_unit_names_stay_inside(tmp_path, unit):
    out = tmp_path / "out"
    path = takes.save(a_take(unit=unit), SAMPLES, out)
    assert path.parent == out
    assert path.resolve().parent == out.resolve()
    assert [p.name for p in tmp_path.iterdir()] == ["out"]
    assert not path.name.startswith((".", "-"))
    assert "." not in path.name
    assert len(path.name.encode()) < 150
    back = takes.load(path)
    if unit.isprintable():
        assert back.unit == unit


@given(st.text(max_size=200), st.text(max_size=60))
@settings(max_examples=60, deadline=None)
def test_any_unit_and_label_can_be_saved(tmp_path_factory, unit, label):
    out = tmp_path_factory.mktemp("takes") / "out"
    path = takes.save(a_take(unit=unit, label=label, taken_at=label or "x"), SAMPLES[:10], out)
    assert path.parent == out
    assert list(out.parent.iterdir()) == [out]


def test_the_name_tells_unit_condition_and_time(tmp_path):
    path = takes.save(a_take(), SAMPLES, tmp_path)
    assert path.name == "Kiebitz-no-3_added-mass_20260301-100500"


def test_full_disk_leaves_nothing(tmp_path, monkeypatch):
    def write(*_, **__):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(soundfile, "write", write)
    with pytest.raises(UsageError, match="disk is full"):
        takes.save(a_take(), SAMPLES, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_capture_written_short_leaves_nothing(tmp_path, monkeypatch):
    """A library that swallows the error of a full disk must not pass."""
    whole = soundfile.write
    monkeypatch.setattr(soundfile, "write", lambda p, s, r, **o: whole(p, s[:10], r, **o))
    with pytest.raises(UsageError, match="incomplete"):
        takes.save(a_take(), SAMPLES, tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_out_is_a_file(tmp_path):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(UsageError, match="another place") as caught:
        takes.save(a_take(), SAMPLES, tmp_path / "out")
    assert str(tmp_path / "out") in caught.value.where
    assert (tmp_path / "out").read_text() == "mine"


def edited(path, **changes):
    content = json.loads((path / "take.json").read_text())
    for key, value in changes.items():
        *parents, last = key.split("__")
        place = content
        for parent in parents:
            place = place[parent]
        place[last] = value
    (path / "take.json").write_text(json.dumps(content))


def unreadable(path):
    with pytest.raises(UnreadableInput) as caught:
        takes.load(path)
    assert caught.value.where.startswith(str(path))
    assert caught.value.remedy
    return str(caught.value)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"format": "freeair-take/2"}, "newer freeair"),
        ({"format": "something/1"}, "format = 'something/1'"),
        ({"unit": 5}, "unit = 5"),
        ({"kind": "woofer"}, "kind = 'woofer'"),
        ({"condition__name": "vacuum"}, "condition.name = 'vacuum'"),
        ({"condition__value": None}, "condition.value"),
        ({"condition__value": -0.0075}, "condition.value"),
        ({"condition__value": "7.5g"}, "condition.value = '7.5g'"),
        ({"condition__value": float("nan")}, "NaN"),
        ({"condition__name": "free-air"}, "free air has no value"),
        ({"condition__half_width": 0}, "condition.half_width"),
        ({"refused": True}, "refused contradicts"),
        ({"findings": [{"code": "clipped", "text": "", "refuses": True}]}, "refused contradicts"),
        ({"findings": [{"code": "clipped"}]}, "findings[1].text is missing"),
        ({"points": 49}, "has 50 rows, take.json says 49"),
        ({"points": -1}, "points = -1"),
        ({"taken_at": "yesterday"}, "taken_at"),
        ({"taken_at": "2026-03-01T10:05:00"}, "with offset"),
        ({"sample_rate_hz": 0}, "sample_rate_hz = 0"),
        ({"peak": [0.1]}, "peak"),
        ({"rig__wiring__series_resistor_ohm": -10}, "rig.wiring.series_resistor_ohm = -10"),
        ({"rig__wiring__series_resistor_ohm": None}, "series_resistor_ohm is missing"),
        ({"rig__wiring__resistor": 10}, "unknown key rig.wiring.resistor"),
        ({"unti": "x"}, "did you mean unit?"),
    ],
)
def test_edited_records_are_named_by_key(tmp_path, change, said):
    path = takes.save(a_take(), SAMPLES, tmp_path)
    edited(path, **change)
    assert said in unreadable(path)


@pytest.mark.parametrize("name", ["capture.wav", "impedance.csv", "take.json"])
def test_a_missing_piece_is_named(tmp_path, name):
    path = takes.save(a_take(), SAMPLES, tmp_path)
    (path / name).unlink()
    assert name in unreadable(path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no JSON"),
        (b"{", "no JSON"),
        (b"[]", "should be an object"),
        (b"null", "should be an object"),
        (b"\xff\xfe", "cannot be read"),
        (b"[" * 100_000, "no JSON"),
        (b"{}", "format is missing; unit is missing"),
    ],
)
def test_a_record_that_is_none(tmp_path, content, said):
    path = takes.save(a_take(), SAMPLES, tmp_path)
    (path / "take.json").write_bytes(content)
    assert said in unreadable(path)


def test_a_table_that_does_not_belong(tmp_path):
    path = takes.save(a_take(), SAMPLES, tmp_path)
    (path / "impedance.csv").write_text("frequency_hz,magnitude_ohm\n20,8\n")
    assert "impedance.csv" in unreadable(path)
    (path / "impedance.csv").write_text("frequency_hz,resistance_ohm,reactance_ohm\n20,8,nan\n")
    assert "line 2, column reactance_ohm" in unreadable(path)


def test_folders_that_are_no_take(tmp_path):
    assert "no take.json" in unreadable(tmp_path)
    assert "does not exist" in unreadable(tmp_path / "none")
    assert takes.is_take(tmp_path)
    for name in ("table.csv", "impedance.csv"):
        (tmp_path / name).write_text("")
        assert not takes.is_take(tmp_path / name)
    with pytest.raises(UnreadableInput, match="does not exist"):
        takes.read_capture(tmp_path)


@pytest.fixture(scope="module")
def record_text(tmp_path_factory):
    return (takes.save(a_take(), SAMPLES, tmp_path_factory.mktemp("t")) / "take.json").read_text()


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_only_our_errors_escape(record_text, tmp_path_factory, data):
    out = tmp_path_factory.getbasetemp() / "fuzzed"
    out.mkdir(exist_ok=True)
    (out / "capture.wav").write_bytes(b"")
    (out / "impedance.csv").write_text("frequency_hz,resistance_ohm,reactance_ohm\n20,8,1\n")
    text = record_text
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        end = at + data.draw(st.integers(0, 20))
        piece = data.draw(st.sampled_from(["", "null", "-1", '"x"', "{}", ",", "1e999"]))
        text = text[:at] + piece + text[end:]
    (out / "take.json").write_text(text)
    with pytest.raises(FreeairError):
        takes.load(out)

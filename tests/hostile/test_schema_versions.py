"""Files of every format of the first version keep loading; newer ones are refused with advice.

The files stand in fixtures/formats and are never made anew: they are what programs of the first
versions have left on people's disks. A format that grows gets further files beside these.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from cli.box import plan_file
from cli.filter import network_file, stock_file
from cli.guide import state
from cli.series import limits_file
from cli.sources import opened, targets_file
from fit.results import store
from fit.results.judge import Target
from meas.audio import recording
from meas.bench import rig_file
from meas.curve import ImpedanceCurve
from meas.errors import FreeairError, UnreadableInput
from meas.takes import take as takes

HERE = Path(__file__).resolve().parents[2] / "fixtures" / "formats"


def guide_of(path: Path) -> object:
    """The guided session is read out of the working folder, under its own name."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(state, "FILE", path)
        return state.read()


# Every format with a version that something reads: the file, how it is read.
READERS: dict[str, tuple[str, Callable[[Path], object]]] = {
    "freeair-take": ("take-free-air/take.json", takes.load),
    "freeair-fit": ("fit.json", opened.fit),
    "freeair-part": ("part.json", opened.part),
    "freeair-box": ("box.json", plan_file.read),
    "freeair-guide": ("guide.json", guide_of),
    "freeair-rig": ("rig.toml", rig_file.read),
    "freeair-targets": ("targets.toml", targets_file.read),
    "freeair-stock": ("stock.toml", lambda path: stock_file.read([path])),
    "freeair-network": ("network.toml", network_file.read),
    "freeair-series": ("series.toml", limits_file.read),
}


@pytest.mark.parametrize(
    ("name", "points", "hertz", "ohm", "uncertainty"),
    [
        ("free-air", 476, 62.96296296296296, 14.179364387990738 - 18.988124781771553j,
         0.0027388769154254346),
        ("added-mass", 477, 62.96296296296296, 7.5423425348667035 - 9.083974947755804j,
         0.0009399576908783662),
    ],
)  # fmt: skip
def test_takes_give_the_numbers_they_gave(name, points, hertz, ohm, uncertainty):
    take = takes.load(HERE / f"take-{name}")
    curve = take.curve
    assert isinstance(curve, ImpedanceCurve)
    assert curve.frequency_hz.size == points
    assert curve.frequency_hz[200] == hertz
    assert curve.impedance_ohm[200] == ohm
    assert curve.standard_uncertainty_ohm is not None
    assert curve.standard_uncertainty_ohm[200] == uncertainty
    # A resistor of 1 % (rectangular limits) under a driver of |Z|, plus what its leads leave open;
    # the sum over all causes may be told more closely one day, but never as nothing.
    resistor = next(e for e in curve.systematics if e.source.startswith("resistor:"))
    assert abs(resistor.derivative_ohm[200]) == pytest.approx(0.01 / 3**0.5 * abs(ohm), rel=0.02)
    assert (take.unit, take.kind, take.refused) == ("linnet-2", "driver", False)
    assert take.condition.name == name
    assert take.rig.calibration is not None
    assert take.rig.calibration.words == "same-node on 2026-11-25 16:50, short on 2026-11-25 16:50"


def test_conditions_and_captures_of_takes():
    take = takes.load(HERE / "take-added-mass")
    assert (take.condition.value, take.condition.half_width) == (0.0075, 0.0001)
    assert take.condition.written == "7.5g±0.1g"
    capture = takes.read_capture(HERE / "take-free-air")
    assert capture.samples.shape == (400, 2)
    assert capture.sample_rate_hz == 8000
    assert capture.findings == ()


def test_a_refused_take_stays_refused():
    take = takes.load(HERE / "take-refused")
    assert take.refused
    assert take.curve is None
    assert [reason.code for reason in take.reasons] == ["unknown-resistor"]


def test_a_fit_gives_the_numbers_it_gave():
    unit, fit = opened.fit(HERE / "fit.json")
    assert (unit, fit.model, len(fit.curves)) == ("linnet-2", "ladder", 2)
    got = {n: (e.value, e.standard_uncertainty) for n, e in fit.parameters.items()}
    for name, value, uncertainty in (
        ("Re", 5.8000771989523905, 0.03359927197896344),
        ("fs", 47.99987364869159, 0.001886942617510403),
        ("Qts", 0.41460072226600825, 9.740183445169096e-06),
        ("Mms", 0.013199944504632575, 0.00010161587950843058),
        ("Vas", 0.014135539956982433, 0.00038343035752672424),
    ):
        # Sums over sources may run in another order: the last digits of a float.
        assert got[name] == pytest.approx((value, uncertainty), rel=1e-12)
    assert store.from_json(store.to_json(fit, unit=unit)).parameters == fit.parameters


def test_rigs_of_both_forms_of_calibration():
    rig = rig_file.read(HERE / "rig.toml")
    assert rig.name == "bench-0ca0"
    assert rig.calibration is not None
    assert [one.kind for one in rig.calibration.standards] == ["same-node", "short"]
    assert rig.calibration.standards[0].points[10] == (
        4.32098765, 0.999877181, 2.9635066e-05, 0.000127397128,
    )  # fmt: skip
    first = rig_file.read(HERE / "rig-first-calibration.toml")
    assert first.calibration is not None
    assert [one.kind for one in first.calibration.standards] == ["same-node"]
    assert first.calibration.standards[0].points[3] == (
        426.895443, 0.999993333, -1.13942688e-05, 1.38406441e-05,
    )  # fmt: skip


def test_targets_stock_network_part_plan_and_session():
    assert targets_file.read(HERE / "targets.toml").targets == (
        Target("Re", 5.8, 5.51, 6.09),
        Target("fs", 48.0, 43.2, 52.8),
        Target("Qts", 0.42, 0.42 - 0.08, 0.5),
    )
    stock = stock_file.read([HERE / "stock.toml"]).by_kind
    assert stock["capacitor"] == {
        "4.7uF": pytest.approx(4.7e-6), "3.3uF": pytest.approx(3.3e-6),
        "2 x 22uF back to back": pytest.approx(11e-6),
    }  # fmt: skip
    assert stock["inductor"] == {"coil": pytest.approx(0.83e-3)}
    network = network_file.read(HERE / "network.toml")
    values = [(p.part.kind, p.part.value, p.part.series_ohm) for arm in network["woofer"]
              for p in arm.parts]  # fmt: skip
    assert values == [
        ("inductor", pytest.approx(0.82e-3), 0.4), ("capacitor", pytest.approx(12e-6), 0.0),
    ]  # fmt: skip
    (tweeter,) = network["tweeter"][0].parts
    assert tweeter.part.core_ohm == pytest.approx(480, rel=1e-3)
    saved = opened.part(HERE / "part.json")
    assert saved.values["L"].standard_uncertainty == pytest.approx(6.050594932998531e-08)
    assert plan_file.read(HERE / "box.json").volume_m3 == 0.005190725702875944
    session = guide_of(HERE / "guide.json")
    assert isinstance(session, state.GuidedSession)
    assert session.files("rig", "free-air") == ("rig.toml", "take-free-air")


def test_limits_of_a_series():
    limits = limits_file.read(HERE / "series.toml")
    by_symbol = {limit.parameter: limit for limit in limits.limits if limit.judged}
    assert list(by_symbol) == ["Re", "Le", "fs", "Qms", "Cmes"]
    resonance = by_symbol["fs"]
    assert (resonance.lower, resonance.upper) == pytest.approx((41.095, 44.344), rel=1e-4)
    assert limits.mask is not None


@pytest.mark.parametrize("family", READERS)
@pytest.mark.parametrize("version", [2, 17])
def test_newer_ones_are_refused_with_advice(family, version, tmp_path):
    name, read = READERS[family]
    shutil.copytree(HERE, tmp_path / "copy")
    path = tmp_path / "copy" / name
    text = path.read_text(encoding="utf-8")
    assert f"{family}/1" in text
    # A newer file holds what this version does not know: that is not what it is told off for.
    text = text.replace(f"{family}/1", f"{family}/{version}", 1)
    extra = '\n[novelty]\nx = "y"\n' if path.suffix == ".toml" else ""
    if not extra:
        text = json.dumps({**json.loads(text), "novelty": {"x": "y"}})
    path.write_text(text + extra, encoding="utf-8")
    with pytest.raises(UnreadableInput) as caught:
        read(path)
    told = str(caught.value)
    assert "newer" in told
    assert f"{family}/{version}" in told
    assert "Update freeair" in told
    assert "novelty" not in told
    assert str(path) in told


@pytest.mark.parametrize("family", READERS)
@pytest.mark.parametrize("odd", ["freeair-cake/1", "x", "", "/2", "99999999999999999999"])
def test_odd_versions_are_refused(family, odd, tmp_path):
    name, read = READERS[family]
    shutil.copytree(HERE, tmp_path / "copy")
    path = tmp_path / "copy" / name
    text = path.read_text(encoding="utf-8")
    named = odd if not odd.isdigit() else f"{family}/{odd}"
    path.write_text(text.replace(f"{family}/1", named, 1), encoding="utf-8")
    with pytest.raises(FreeairError) as caught:
        read(path)
    assert caught.value.exit_status == 2


def test_every_family_whose_version_is_looked_at_is_here():
    """A new format that is read belongs into this test and into the fixtures."""
    root = Path(__file__).resolve().parents[2]
    looked_at = {
        match
        for package in ("meas", "cli")
        for file in (root / package).rglob("*.py")
        for match in re.findall(
            r'(?:check_version|read_document|read_settings)\([^()]*"(freeair-[a-z-]+)"',
            file.read_text(encoding="utf-8"),
        )
    }
    assert {"freeair-take", "freeair-rig"} <= looked_at  # the search finds some
    assert looked_at <= {*READERS, "freeair-series"}


def test_a_newer_limits_file_is_refused_with_advice(tmp_path):
    path = tmp_path / "limits.toml"
    path.write_text('format = "freeair-series/2"\nnovelty = 1\n')
    with pytest.raises(UnreadableInput, match=r"newer.*freeair-series/2.*Update freeair"):
        limits_file.read(path)


def test_captures_are_told_by_what_they_hold():
    """A recording has no version of ours; any of them reads as the format it is."""
    read = recording.read(HERE / "take-added-mass" / "capture.wav")
    assert np.all(np.isfinite(read.samples))
    assert read.description["subtype"] == "FLOAT"

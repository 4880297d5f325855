"""Cautions are said in full when they first matter; what was acknowledged is not asked again."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from invoked import Invoke

from cli.terminal import cautions
from meas.bench import rig_file
from meas.bench.rig import Rig, Wiring
from meas.errors import UsageError


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def bench(invoke: Invoke, folder: Path, *words: str) -> Path:
    path = folder / "bench.toml"
    said = ("--series-resistor", "10ohm", "--device", "simulated", "--sweep-seconds", "1")
    assert invoke("rig", "new", path, *said, "--woofer", *words).status == 0
    return path


def test_acknowledgement_is_that_of_one_kind_of_amplifier() -> None:
    """A rig file in which somebody turns grounded into bridged has to be asked again."""
    known = Wiring(amplifier="grounded", amplifier_acknowledged="grounded 2026-02-03")
    assert known.amplifier_known
    assert not known.model_copy(update={"amplifier": "bridged"}).amplifier_known
    assert not Wiring(amplifier="grounded").amplifier_known


def test_what_was_acknowledged_needs_no_yes(invoke: Invoke, tmp_path: Path) -> None:
    path = bench(invoke, tmp_path, "--amplifier", "bridged")
    take = ("take", "wren", "--rig", path, "--out", tmp_path / "takes")
    assert invoke(*take).status == 2
    asked = invoke(*take, "--yes")
    assert asked.status == 0, asked.told
    assert invoke(*take).status == 2, "--yes counts for one time"
    rig = rig_file.read(path)
    kept = {"amplifier_acknowledged": "bridged 2026-02-03"}
    wiring = rig.wiring.model_copy(update=kept)
    rig_file.update(path, rig.model_copy(update={"wiring": wiring}))
    done = invoke(*take)
    assert done.status == 0, done.told
    assert f"warns here. {cautions.BRIDGED.title}" in done.told
    assert "shorts half of the amplifier" not in done.told


def test_a_typed_yes_is_all_that_is_kept(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rig at hand may be another than the file's, for one run; that must not be stored."""
    path = bench(invoke, tmp_path, "--amplifier", "grounded")
    before = rig_file.read(path)
    changed = before.model_copy(update={"drive": before.drive.model_copy(update={"level": 0.9})})
    monkeypatch.setattr(cautions, "acknowledge", lambda *_, **__: True)
    now = cautions.before_playing(path, changed, yes=False)
    stored = rig_file.read(path)
    assert now.wiring.amplifier_known and stored.wiring.amplifier_known
    assert (now.drive.level, stored.drive.level) == (0.9, before.drive.level)


def test_no_answer_is_no(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    rig = Rig(name="a", wiring=Wiring(amplifier="bridged"))
    rig_file.write_new(path, rig)
    with pytest.raises(UsageError, match="has not been acknowledged"):
        cautions.before_playing(path, rig, yes=False)
    assert rig_file.read(path) == rig


def test_caution_of_the_mass_is_short_the_second_time(invoke: Invoke, tmp_path: Path) -> None:
    path = bench(invoke, tmp_path)
    take = ("take", "wren", "--rig", path, "--out", tmp_path / "takes", "--added-mass", "7.5g")
    assert "must not be magnetic" in invoke(*take).told
    later = invoke(*take)
    assert "must not be magnetic" not in later.told
    assert f"warns here. {cautions.MAGNET.title}" in later.told


def test_a_real_bench_hears_each_caution_in_full_and_a_simulated_one_in_a_line(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for amplifier in ("none", "grounded", "bridged"):
        rig = Rig(name="a", wiring=Wiring(amplifier=amplifier))
        found = cautions.for_rig(rig)
        cautions.acknowledge(found, yes=True)
        real = " ".join(capsys.readouterr().err.split())
        cautions.acknowledge(found, yes=True, simulated=True)
        simulated = " ".join(capsys.readouterr().err.split())
        for caution in found:
            assert " ".join(caution.text.split()) in real
            assert caution.title in simulated and caution.text not in simulated
        # A bridged output has no terminal that is ground: nobody is asked to make sure of one.
        assert ("minus terminal" in real) == (amplifier == "grounded")


def test_doubt_that_takes_share_is_said_once(invoke: Invoke, tmp_path: Path) -> None:
    path = bench(invoke, tmp_path)
    take = ("take", "wren", "--rig", path, "--out", tmp_path / "takes")
    made = [invoke(*take).stdout.splitlines()[-1] for _ in range(2)]
    warnings = json.loads(invoke("fit", *made, "--json").stdout)["warnings"]
    assert [one["code"] for one in warnings].count("uncalibrated") == 1

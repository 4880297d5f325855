"""The power goes at every step of everything that writes: whole or absent, old or new."""

from __future__ import annotations

import ast
import shutil
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from made_fits import Physical, fit_of
from power_cut import mains

from cli.guide import state
from cli.report import fit_page, forms
from cli.report.page import Page
from cli.sources import for_python, opened, targets_file
from cli.targets import edit
from fit.results.judge import Target
from meas.bench import rig_file
from meas.bench.rig import Calibration, Rig, Standard, Wiring
from meas.curve import ImpedanceCurve
from meas.errors import Finding
from meas.files import writing as whole_file
from meas.tables import csv_table, touchstone
from meas.takes import take as takes

ROOT = Path(__file__).resolve().parents[2]
FREQUENCY = np.geomspace(10.0, 20000.0, 12)
CURVE = ImpedanceCurve(FREQUENCY, 6.0 + 2j * np.pi * FREQUENCY * 0.5e-3, np.full(12, 1e-3))
SAMPLES = np.random.default_rng(5).normal(0, 0.1, (500, 2)).astype(np.float32)
RIG = Rig(name="attic-1a2b", wiring=Wiring(series_resistor_ohm=10.0))
STANDARD = Standard(
    kind="same-node", taken_at="2026-03-01T10:00:00+01:00", sample_rate_hz=48000, device="bench",
    source_input=1, driver_input=2,
    points=((10.0, 1.01, 0.0, 1e-5), (20000.0, 1.01, -0.1, 1e-5)),
)  # fmt: skip
TAKE = takes.Take(
    unit="Kiebitz no. 3", kind="driver", condition=takes.TakeCondition(), label="after 10 h",
    taken_at="2026-03-01T10:05:00+01:00", rig=RIG, sample_rate_hz=48000, peak=(0.5, 0.25),
    excitation={"kind": "sweep"}, software="freeair 0.1.0", curve=CURVE,
)  # fmt: skip


@dataclass(frozen=True)
class Writing:
    """Something that writes.

    Attributes:
        before: Makes what is there before.
        write: The writing itself.
        read: What a reader finds, as something that can be compared; None: nothing.
    """

    before: Callable[[Path], object]
    write: Callable[[Path], object]
    read: Callable[[Path], object]


def _take_found(folder: Path) -> object:
    """All takes that somebody who looks into the folder finds, each read whole."""
    found = []
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            continue
        take = takes.load(path)
        assert take.curve is not None
        assert np.array_equal(takes.read_capture(path).samples, SAMPLES)
        found.append((path.name, take.unit, take.label, len(take.curve.frequency_hz)))
    return found


def _file_found(name: str, read: Callable[[Path], object]) -> Callable[[Path], object]:
    return lambda folder: read(folder / name) if (folder / name).exists() else None


def _stored(folder: Path) -> object:
    calibration = Calibration(standards=(STANDARD,))
    return rig_file.store_calibration(folder / "rig.toml", RIG, calibration, since=RIG)


@cache
def _page() -> Page:
    """Drawn once: what is on it is not the matter here."""
    return fit_page.content(
        fit_of(Physical()), unit="auerhahn", verdicts=(),
        findings=(Finding("a-code", "some text"),), warnings=(),
        origin=fit_page.Origin(None, ()),
    )  # fmt: skip


def _report(folder: Path) -> None:
    forms.write_page(folder / "report.html", _page())


def _session(folder: Path, **answers: str) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(state, "FILE", folder / "guide.json")
        state.write(state.GuidedSession().answered(**answers))


def _session_read(path: Path) -> object:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(state, "FILE", path)
        return state.read()


def nothing(_: Path) -> None:
    """Nothing is there before."""


LOUDER = RIG.model_copy(update={"drive": RIG.drive.model_copy(update={"level": 0.5})})
WRITINGS = {
    "take": Writing(nothing, lambda f: takes.save(TAKE, SAMPLES, f), _take_found),
    "take beside another": Writing(
        lambda f: takes.save(TAKE, SAMPLES, f),
        lambda f: takes.save(replace(TAKE, label="after 20 h"), SAMPLES, f),
        _take_found,
    ),
    "new rig": Writing(
        nothing,
        lambda f: rig_file.write_new(f / "rig.toml", RIG),
        _file_found("rig.toml", rig_file.read),
    ),
    "rig edited": Writing(
        lambda f: rig_file.write_new(f / "rig.toml", RIG),
        lambda f: rig_file.update(f / "rig.toml", LOUDER, since=RIG),
        _file_found("rig.toml", rig_file.read),
    ),
    "calibration": Writing(
        lambda f: rig_file.write_new(f / "rig.toml", RIG), _stored,
        _file_found("rig.toml", rig_file.read),
    ),
    "targets edited": Writing(
        lambda f: targets_file.write_new(f / "t.toml", {"fs": "42Hz ± 10%"}),
        lambda f: edit.put(f / "t.toml", {"Re": "5.8ohm ± 5%"}),
        _file_found("t.toml", lambda path: targets_file.read(path).targets),
    ),
    "fit": Writing(
        nothing,
        lambda f: for_python.save_fit(fit_of(Physical()), f / "fit.json", unit="auerhahn"),
        _file_found("fit.json", lambda path: opened.fit(path)[1].parameters),
    ),
    "report": Writing(
        lambda _: _page(), _report, _file_found("report.html", Path.read_bytes)
    ),
    "table": Writing(
        nothing,
        lambda f: csv_table.write(f / "a.csv", CURVE),
        _file_found("a.csv", lambda path: csv_table.read(path).magnitude_ohm.tolist()),
    ),
    "touchstone": Writing(
        nothing,
        lambda f: touchstone.write(f / "a.s1p", CURVE),
        _file_found("a.s1p", lambda path: touchstone.read(path).magnitude_ohm.tolist()),
    ),
    "guided session": Writing(
        lambda f: _session(f, unit="wren"),
        lambda f: _session(f, unit="lark"),
        _file_found("guide.json", _session_read),
    ),
    "picture over an old one": Writing(
        lambda f: whole_file.write_bytes(f / "p.png", b"old" * 1000),
        lambda f: whole_file.write_bytes(f / "p.png", b"new" * 2000, overwrite=True),
        _file_found("p.png", Path.read_bytes),
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", WRITINGS)
def test_old_or_new_at_every_step(what, tmp_path):
    writing = WRITINGS[what]
    whole = _fresh(tmp_path / "whole", writing)
    old = writing.read(whole)
    with mains(whole) as power:
        writing.write(whole)
    new = writing.read(whole)
    assert new != old
    assert not power.unflushed, "something was never flushed to the medium"
    assert [path for path in whole.iterdir() if path.name.startswith(".")] == []

    seen = []
    for step in range(len(power.steps)):
        folder = _fresh(tmp_path / f"step-{step}", writing)
        with mains(folder, off_at=step) as cut:
            writing.write(folder)
        assert cut.off, "the power did not go"
        found = writing.read(folder)
        assert found in (old, new), f"neither old nor new after {power.steps[step]}, step {step}"
        seen.append(found)
        # What the cut left behind is hidden, disturbs nobody, and the same can be done again.
        left = [path.name for path in folder.iterdir() if path.name.startswith(".")]
        assert all(name.startswith(".unfinished-") for name in left)
        if found == old:
            writing.write(folder)
            assert writing.read(folder) == new
    assert seen[0] == old
    assert seen[-1] == new
    assert seen == sorted(seen, key=lambda found: found == new)  # once new, it stays new


def test_the_switch_works(tmp_path):
    """A writer without care is caught, at whichever of its faults."""

    def in_place(folder: Path) -> None:
        (folder / "p").write_bytes(b"new" * 2000)

    def unflushed(folder: Path) -> None:
        (folder / ".q").write_bytes(b"new" * 2000)
        (folder / ".q").replace(folder / "p")

    for careless in (in_place, unflushed):
        found = set()
        for step in range(4):
            folder = tmp_path / f"{careless.__name__}-{step}"
            folder.mkdir()
            (folder / "p").write_bytes(b"old" * 1000)
            with mains(folder, off_at=step):
                careless(folder)
            found.add((folder / "p").read_bytes())
        assert found - {b"old" * 1000, b"new" * 2000}


def test_nothing_else_writes():
    """Every file is written through `meas.files.writing`; what a take is filled with stands inside.

    Walks the syntax trees for calls that write a file by themselves.
    """
    allowed = {
        "meas/files/writing.py",
        "meas/takes/take.py",  # fills the hidden folder
        # The log of a defect goes to the system's folder of temporary files; the ledger of many
        # fits is appended to, and has tests of its own.
        "cli/terminal/boundary.py",
        "cli/archive/ledger.py",
    }
    writers = {"write_text", "write_bytes", "touch", "rename"}
    found = []
    for package in ("meas", "fit", "cli"):
        for file in (ROOT / package).rglob("*.py"):
            name = file.relative_to(ROOT).as_posix()
            for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
                if not isinstance(node, ast.Call):
                    continue
                method = isinstance(node.func, ast.Attribute)
                called = node.func.attr if isinstance(node.func, ast.Attribute) else ""
                plain = node.func.id if isinstance(node.func, ast.Name) else ""
                mode = [a.value for a in (*node.args, *(k.value for k in node.keywords))
                        if isinstance(a, ast.Constant) and isinstance(a.value, str)]  # fmt: skip
                opens = (called == "open" or plain == "open") and any(
                    set(m) <= set("rwxabt+") and set(m) & set("wxa+") for m in mode
                )
                module = isinstance(getattr(node.func, "value", None), ast.Name) and (
                    node.func.value.id == "whole_file"  # type: ignore[attr-defined]
                )
                if (method and called in writers and not module) or opens:
                    found.append((name, called or plain, node.lineno))
    assert [one for one in found if one[0] not in allowed] == []


def _fresh(folder: Path, writing: Writing) -> Path:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    writing.before(folder)
    return folder


def test_a_target_that_is_read(tmp_path):
    """The readers of this file do read: a target put in is there."""
    targets_file.write_new(tmp_path / "t.toml", {"fs": "42Hz ± 10%"})
    (found,) = targets_file.read(tmp_path / "t.toml").targets
    assert isinstance(found, Target)
    assert found.lower == pytest.approx(37.8)

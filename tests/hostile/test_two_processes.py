"""Two programs at the same files at the same time: nothing lost, nothing half."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from made_fits import Physical, fit_of

from cli.main import run
from cli.sources import for_python, opened, targets_file
from meas.bench import rig_file
from meas.bench.rig import Rig, Wiring
from meas.errors import UsageError
from meas.files import unfinished, writing
from meas.files.lock import one_writer
from meas.takes import take as takes

ROOT = Path(__file__).resolve().parents[2]
RIG = Rig(name="attic-1a2b", wiring=Wiring(series_resistor_ohm=10.0))

# Each program says that it is ready, and starts when it is told to: at the same time as the other.
_START = """
import sys
from pathlib import Path
sys.path.insert(0, {root!r})
homes = "support", "support/running", "hostile"
sys.path[:0] = [{root!r} + "/tests/" + home for home in homes]
me, folder = int(sys.argv[1]), Path(sys.argv[2])
"""
_WAIT = """
print("ready", flush=True)
sys.stdin.readline()
"""


def together(folder: Path, prepare: str, act: str, count: int = 2) -> None:
    """Run the same program several times at once; each knows its number as ``me``."""
    text = _START.format(root=str(ROOT)) + prepare + _WAIT + act
    running = [
        subprocess.Popen(
            [sys.executable, "-c", text, str(number), str(folder)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for number in range(count)
    ]  # fmt: skip
    for one in running:
        assert one.stdout is not None
        if one.stdout.readline() != "ready\n":
            raise AssertionError(one.communicate()[1])
    for one in running:
        assert one.stdin is not None
        one.stdin.write("go\n")
        one.stdin.flush()
    for one in running:
        _, told = one.communicate(timeout=120)
        assert one.returncode == 0, told


def test_takes_of_one_name_into_one_folder(tmp_path):
    """Same unit, same second: the names collide every time, and no take is lost or mixed up."""
    prepare = """
import numpy as np
from test_power_cut import SAMPLES, TAKE
from dataclasses import replace
from meas.takes import take as takes
"""
    act = """
for k in range(15):
    mark = 100 * me + k
    takes.save(replace(TAKE, label=str(mark)), SAMPLES * 0 + mark / 1000, folder / "out")
"""
    together(tmp_path, prepare, act, count=3)
    made = sorted((tmp_path / "out").iterdir())
    assert len(made) == 45
    labels = set()
    for path in made:
        take = takes.load(path)
        samples = takes.read_capture(path).samples
        assert np.all(samples == np.float32(int(take.label) / 1000))
        labels.add(int(take.label))
    assert labels == {100 * me + k for me in range(3) for k in range(15)}


@pytest.mark.parametrize("lock", ["of the folder", "as on Windows"])
def test_different_values_of_one_rig(tmp_path, lock, monkeypatch):
    """Each program raises a number of its own twenty times; no edit of the other undoes one."""
    monkeypatch.setenv("TMPDIR", str(tmp_path.parent))
    path = tmp_path / "rig.toml"
    rig_file.write_new(path, RIG)
    act = """
from meas.bench import rig_file
for k in range(20):
    rig = rig_file.read(folder / "rig.toml")
    if me == 0:
        part = {"drive": rig.drive.model_copy(update={"periods": rig.drive.periods + 1})}
    else:
        days = rig.assumptions.calibration_days + 1
        part = {"assumptions": rig.assumptions.model_copy(update={"calibration_days": days})}
    rig_file.update(folder / "rig.toml", rig.model_copy(update=part), since=rig)
"""
    no_folders = "" if lock == "of the folder" else "import filelock\nsys.modules['fcntl'] = None\n"
    together(tmp_path, f"from meas.bench import rig_file\n{no_folders}", act)
    rig = rig_file.read(path)
    assert rig.drive.periods == RIG.drive.periods + 20
    assert rig.assumptions.calibration_days == RIG.assumptions.calibration_days + 20
    assert [p.name for p in tmp_path.iterdir()] == ["rig.toml"]


def test_the_same_value_of_one_rig(tmp_path):
    """Both count one number up: an update that would be lost is refused, and done again."""
    path = tmp_path / "rig.toml"
    rig_file.write_new(path, RIG)
    act = """
from meas.bench import rig_file
from meas.errors import UsageError
done = 0
while done < 12:
    rig = rig_file.read(folder / "rig.toml")
    drive = rig.drive.model_copy(update={"periods": rig.drive.periods + 1})
    try:
        rig_file.update(folder / "rig.toml", rig.model_copy(update={"drive": drive}), since=rig)
    except UsageError as error:
        assert "drive.periods" in str(error) and "meanwhile" in str(error), error
    else:
        done += 1
"""
    together(tmp_path, "from meas.bench import rig_file\n", act)
    assert rig_file.read(path).drive.periods == RIG.drive.periods + 24


def test_an_edit_by_hand_while_a_command_measures(tmp_path, monkeypatch):
    """What somebody writes into the rig while the bench plays is not undone by the command."""
    path = tmp_path / "rig.toml"
    words = ["--series-resistor", "10ohm", "--device", "simulated", "--woofer", "--sweep-seconds",
             "0.5", "--sample-rate", "8000"]  # fmt: skip
    assert run(["rig", "new", str(path), *words]) == 0
    from cli.bench import audio_path

    real = audio_path.play

    def slow(*given: object, **named: object) -> object:
        text = path.read_text(encoding="utf-8")
        assert "repeats = 1" in text
        path.write_text(text.replace("repeats = 1", "repeats = 3  # mine"), encoding="utf-8")
        return real(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(audio_path, "play", slow)
    assert run(["rig", "calibrate", str(path), "--standard", "same-node", "--yes"]) == 0
    rig = rig_file.read(path)
    assert rig.calibration is not None
    assert rig.drive.repeats == 3
    assert "# mine" in path.read_text(encoding="utf-8")


def test_the_same_value_changed_meanwhile_is_told(tmp_path):
    path = tmp_path / "rig.toml"
    rig_file.write_new(path, RIG)
    mine = RIG.model_copy(update={"drive": RIG.drive.model_copy(update={"level": 0.5})})
    theirs = RIG.model_copy(update={"drive": RIG.drive.model_copy(update={"level": 0.125})})
    rig_file.update(path, theirs, since=RIG)
    before = path.read_bytes()
    with pytest.raises(UsageError, match=r"drive\.level was changed.*run this again"):
        rig_file.update(path, mine, since=RIG)
    assert path.read_bytes() == before
    rig_file.update(path, theirs, since=RIG)  # what is there already is no clash
    assert rig_file.read(path) == theirs


def test_aims_of_two_programs_in_one_targets_file(tmp_path):
    targets_file.write_new(tmp_path / "t.toml", {"fs": "42Hz ± 10%"})
    act = """
from cli.targets import edit as targets_edit
for symbol, aim in (("Re", "5.8ohm ± 5%"), ("Qms", "4 ± 1")) if me else (
    ("Qts", "0.4 ± 0.05"), ("Le", "0.6mH ± 10%")
):
    targets_edit.put(folder / "t.toml", {symbol: aim})
"""
    together(tmp_path, "from cli.targets import edit as targets_edit\n", act)
    found = {target.parameter for target in targets_file.read(tmp_path / "t.toml").targets}
    assert found == {"fs", "Re", "Qms", "Qts", "Le"}


def test_one_new_file_of_two_programs(tmp_path):
    """One of them gets the name, whole; the other is told that it is taken."""
    prepare = """
from cli.sources import for_python as fit_file
from made_fits import Physical, fit_of
from meas.errors import UsageError
fit = fit_of(Physical(Re=5.0 + me))
"""
    act = """
for k in range(20):
    try:
        fit_file.save_fit(fit, folder / f"fit-{k}.json", unit=str(me))
        print("mine", k)
    except UsageError as error:
        assert "exists already" in str(error) or "in the way" in str(error), error
"""
    together(tmp_path, prepare, act)
    for k in range(20):
        unit, fit = opened.fit(tmp_path / f"fit-{k}.json")
        assert fit.parameters["Re"].value == 5.0 + int(unit)
    assert len(list(tmp_path.iterdir())) == 20


def test_a_program_that_does_not_let_go(tmp_path, monkeypatch):
    """Nobody waits without end, and a lock ends with the program that holds it."""
    fcntl = pytest.importorskip("fcntl", reason="locks of folders are POSIX")
    from meas.files import lock

    monkeypatch.setattr(lock, "_LONGEST_WAIT_S", 0.1)
    held = os.open(tmp_path, os.O_RDONLY)
    fcntl.flock(held, fcntl.LOCK_EX)
    with (
        pytest.raises(UsageError, match="another freeair keeps writing"),
        one_writer(tmp_path / "rig.toml"),
    ):
        raise AssertionError("got in")
    os.close(held)
    with one_writer(tmp_path / "rig.toml"):
        pass


def test_a_lock_as_on_windows_is_waited_for_and_let_go(tmp_path, monkeypatch):
    from meas.files import lock

    folder = tmp_path / "bench"
    folder.mkdir()
    importlib.import_module("filelock")  # with the locks that this system has
    monkeypatch.setattr(lock.tempfile, "gettempdir", lambda: str(tmp_path))
    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setattr(lock, "_LONGEST_WAIT_S", 0.1)
    path = folder / "rig.toml"
    with (
        one_writer(path),
        pytest.raises(UsageError, match="another freeair keeps writing"),
        one_writer(path),
    ):
        raise AssertionError("got in")
    with one_writer(path):
        assert list(folder.iterdir()) == []


def test_a_system_without_locks_still_compares(tmp_path, monkeypatch):
    """Nothing is locked, and a change made meanwhile is still seen."""
    from meas.files import lock

    monkeypatch.setitem(sys.modules, "fcntl", None)
    monkeypatch.setattr(lock, "_lock_beside", lambda *_: None)
    path = tmp_path / "rig.toml"
    rig_file.write_new(path, RIG)
    theirs = RIG.model_copy(update={"mains_hz": 60})
    rig_file.update(path, theirs, since=RIG)
    mine = RIG.model_copy(update={"drive": RIG.drive.model_copy(update={"level": 0.5})})
    rig_file.update(path, mine, since=RIG)
    assert rig_file.read(path).mains_hz == 60
    assert rig_file.read(path).drive.level == 0.5


@pytest.mark.skipif(os.name != "posix", reason="locks and signals of POSIX")
@pytest.mark.parametrize("kind", ["file", "folder"])
def test_what_a_killed_program_left_is_removed_and_never_what_a_living_one_writes(kind, tmp_path):
    """The other writes, for two hours by the clock of the files, then is killed."""
    act = {
        "file": "writing.write_with(folder / 'a', lambda file: wait())",
        "folder": "writing.write_folder(folder, 'b', lambda new: ((new / 'x').touch(), wait()))",
    }[kind]
    text = (
        _START.format(root=str(ROOT))
        + "from meas.files import writing\n"
        + f"""
def wait():
    print("ready", flush=True)
    sys.stdin.readline()
{act}
"""
    )
    stranger = tmp_path / ".unfinished-notes"
    stranger.write_text("mine")
    with subprocess.Popen(
        [sys.executable, "-c", text, "0", str(tmp_path)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as other:  # fmt: skip
        assert other.stdout is not None and other.stdout.readline() == "ready\n"
        (half,) = set(tmp_path.iterdir()) - {stranger}
        long_ago = time.time() - 7200
        for path in (*half.glob("*"), half, stranger):
            os.utime(path, (long_ago, long_ago))
        writing.write_text(tmp_path / "mine.txt", "x")
        assert half.exists()
        other.kill()
        other.wait()
        writing.write_text(tmp_path / "mine.txt", "x", overwrite=True)
    assert {path.name for path in tmp_path.iterdir()} == {"mine.txt", stranger.name}


def test_where_nobody_can_tell_who_lives_a_day_is_waited(tmp_path, monkeypatch):
    """Windows, and drives without locks; what was touched a moment ago stays in any case."""
    monkeypatch.setattr(unfinished, "is_held", lambda _: None)
    left = [tmp_path / unfinished.new_name() for _ in range(3)]
    for path, hours in zip(left, (0, 2, 25), strict=True):
        path.mkdir()
        os.utime(path, (time.time() - 3600 * hours,) * 2)
    writing.write_folder(tmp_path, "lantern", lambda new: (new / "x").touch())
    assert [path.exists() for path in left] == [True, True, False]


def test_a_fit_over_a_link_is_not_written_elsewhere(tmp_path):
    """A link in the way counts as something in the way, wherever it leads."""
    (tmp_path / "fit.json").symlink_to(tmp_path / "elsewhere" / "x.json")
    (tmp_path / "elsewhere").mkdir()
    with pytest.raises(UsageError, match="not overwritten"):
        for_python.save_fit(fit_of(Physical()), tmp_path / "fit.json", unit="x")
    assert list((tmp_path / "elsewhere").iterdir()) == []

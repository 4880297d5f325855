"""However a refit ends: no process of it lives on, nothing stays in shared memory."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import driver_bench
import pytest
from made_archive import unit_of, write_table
from program import ROOT, begun, kept, wait_for

pytestmark = pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks in /proc")

WITHIN_SECONDS = 2.0
"""After the end of the command, so says the promise."""


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("archive")
    for number in range(8):
        unit = unit_of(driver_bench.WOOFER, number)
        write_table(folder / f"lantern-{number}.csv", unit, number, points=200)
    return folder


def family_of(process: int) -> set[int]:
    """A process and all that descend from it, whatever session they are in."""
    found, more = {process}, [process]
    while more:
        for task in Path(f"/proc/{more.pop()}/task").glob("*/children"):
            new = {int(child) for child in task.read_text().split()} - found
            found |= new
            more += new
    return found


def alive(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in "ZX"


def shared() -> set[str]:
    return {path.name for path in Path("/dev/shm").iterdir()}


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
@pytest.mark.parametrize("moment", ["loading", "fitting"])
def test_workers_end_with_their_command(how, moment, archive, tmp_path):
    before = shared()
    with begun("refit", archive, "--out", tmp_path / "out", "--workers", "3") as process:
        if moment == "fitting":
            wait_for(lambda: kept(tmp_path / "out") >= 1)
        wait_for(lambda: len(family_of(process.pid)) == 4)
        family = family_of(process.pid)
        os.kill(process.pid, how)
        process.wait(timeout=20)
        end = time.monotonic() + WITHIN_SECONDS
        while (left := [one for one in family if alive(one)]) and time.monotonic() < end:
            time.sleep(0.02)
        assert not left
    assert shared() <= before


def test_ctrl_c_reaches_the_command_alone_also_after_a_worker_died(archive, tmp_path):
    """A terminal signals its foreground group: workers have sessions of their own."""
    with begun("refit", archive, "--out", tmp_path / "out", "--workers", "2") as process:
        wait_for(lambda: kept(tmp_path / "out") >= 1)
        first = family_of(process.pid) - {process.pid}
        os.kill(min(first), signal.SIGKILL)
        wait_for(lambda: len(family_of(process.pid) - {process.pid} - {min(first)}) == 2)
        family = family_of(process.pid)
        # A worker makes its session itself, a moment after it was started.
        wait_for(lambda: all(os.getsid(one) == one for one in family - {process.pid}))
        os.killpg(process.pid, signal.SIGINT)
        _, said = process.communicate(timeout=20)
        assert process.returncode == 130
        assert "Traceback" not in said
        assert not [one for one in family if alive(one)]


STRANGE = ("joblib", "pickle", "multiprocessing", "numpy", "scipy", "lmfit", "queue", "cli", "fit")


def test_no_code_of_strangers_runs(archive, tmp_path):
    """In the current folder, which is the archive; an empty entry in PYTHONPATH names it too
    (Python's documentation, PYTHONPATH).
    """
    folder = tmp_path / "download"
    folder.mkdir()
    for number in range(2):
        (folder / f"u{number}.csv").write_bytes((archive / f"lantern-{number}.csv").read_bytes())
    for name in STRANGE:
        code = f"open({str(tmp_path / 'ran')!r}, 'a').write({name + chr(10)!r})\n"
        (folder / f"{name}.py").write_text(code)
        (folder / name).mkdir()
        (folder / name / "__init__.py").write_text(code)
    for path in (str(ROOT), f"{ROOT}{os.pathsep}"):
        with begun("refit", ".", "--workers", "2", "--out", tmp_path / f"o{len(path)}",
                   cwd=folder, environment={"PYTHONPATH": path}) as process:  # fmt: skip
            _, said = process.communicate(timeout=60)
            assert process.returncode == 0, said
        assert not (tmp_path / "ran").exists(), (tmp_path / "ran").read_text()


def test_killed_at_random_moments(tmp_path):
    """A reduced form of the campaign: nothing is lost, done twice, or left at work."""
    from campaign_kills import campaign

    found = campaign(tmp_path, 6, seed=1)
    assert found.kills == 6
    assert (found.lost, found.twice, found.outlived) == (0, 0, 0), found


@pytest.fixture(scope="module")
def killed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from campaign_kills import bench

    folder = tmp_path_factory.mktemp("killed")
    bench(folder)
    return folder


@pytest.mark.parametrize("name", ["take", "calibrate", "fit", "compare", "series", "window"])
def test_what_a_killed_command_leaves(name, killed):
    """Killed once, as it begins to write: the campaign's first moment."""
    from campaign_kills import attack

    found = attack(name, killed, 1, seed=2)
    assert found.kills + found.ended >= 1
    assert found.faults == 0, found

"""Refits in several processes: the same digits however many, whatever is killed on the way."""

from __future__ import annotations

import json
import os
import re
import signal
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import driver_bench
import pytest
from made_archive import MASS_KG, unit_of, write_table
from program import dask, freeair, kept, started, wait_for

FITS = 6


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("archive")
    for number in range(FITS):
        unit = unit_of(driver_bench.WOOFER, number)
        about = (f"unit: lantern-{number}",)
        write_table(folder / f"{number}.csv", unit, number, comments=about)
        if number % 4 == 1:
            loaded = (*about, f"added-mass: {1e3 * MASS_KG:g}g±0.1g")
            write_table(folder / f"{number}m.csv", unit, number, mass=MASS_KG, comments=loaded)
    return folder


@pytest.fixture(scope="module")
def whole(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> Result:
    """What a single process makes of the archive, never interrupted."""
    out = tmp_path_factory.mktemp("whole") / "out"
    done = freeair("refit", archive, "--workers", "1", "--json", "--out", out)
    assert done.returncode == 0, done.stderr
    return Result(done.stdout, out)


class Result:
    """Everything that must not depend on how it was computed."""

    def __init__(self, stdout: str, out: Path) -> None:
        *self.lines, last = stdout.splitlines()
        self.last = {k: v for k, v in json.loads(last).items() if k != "files"}
        self.table = (out / "results.csv").read_bytes()

    def __eq__(self, other: object) -> bool:
        return vars(self) == vars(other)


def words(archive: Path, out: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "cli.main", "refit", str(archive), "--out", str(out), "--json",
            *more]  # fmt: skip


def made_anew(stderr: str) -> int:
    found = re.search(r"(\d+) to make", " ".join(stderr.split()))
    return int(found[1]) if found else 0


@pytest.mark.parametrize("way", ["killed", "interrupted"])
def test_goes_on_where_it_was_stopped(
    way: str, archive: Path, whole: Result, tmp_path: Path
) -> None:
    """Kill -9 of the command in mid-run, and Ctrl-C, both with two workers at work."""
    with started(words(archive, tmp_path, "--workers", "2")) as process:
        wait_for(lambda: kept(tmp_path) >= 2)
        if way == "killed":
            process.kill()
            process.wait()
        else:
            os.killpg(process.pid, signal.SIGINT)  # as a terminal does
            _, said = process.communicate(timeout=30)
            assert process.returncode == 130
            assert "fits are kept; the same command goes on" in " ".join(said.split())
            assert "Traceback" not in said
    before = kept(tmp_path)
    assert 2 <= before < FITS
    done = freeair("refit", archive, "--out", tmp_path, "--json", "--workers", "1")
    assert done.returncode == 0, done.stderr
    assert made_anew(done.stderr) == FITS - before
    assert kept(tmp_path) == FITS  # nothing twice, nothing lost
    assert Result(done.stdout, tmp_path) == whole


@pytest.mark.parametrize("later", [0.05, 0.2, 0.4, 0.8])
def test_ctrl_c_while_workers_load(later: float, archive: Path, tmp_path: Path) -> None:
    """At whatever moment after the start: nobody wants to see where a worker was in loading."""
    with started(words(archive, tmp_path, "--workers", "2")) as process:
        assert process.stderr is not None
        assert any("to make" in line for line in process.stderr)
        time.sleep(later)
        os.killpg(process.pid, signal.SIGINT)
        _, said = process.communicate(timeout=30)
    assert process.returncode == 130
    assert "the same command goes on" in " ".join(said.split())
    assert "Traceback" not in said


def test_two_at_once_on_one_archive(archive: Path, whole: Result, tmp_path: Path) -> None:
    with (
        started(words(archive, tmp_path, "--workers", "1")) as one,
        started(words(archive, tmp_path, "--workers", "2")) as other,
    ):
        with ThreadPoolExecutor(2) as threads:  # read both, for neither may wait to be read
            found = list(
                threads.map(lambda process: process.communicate(timeout=120), (one, other))
            )
        for process, (stdout, said) in zip((one, other), found, strict=True):
            assert process.returncode == 0, said
            assert Result(stdout, tmp_path) == whole
    assert kept(tmp_path) == FITS  # each made once between them
    assert "Another refit is at this archive" in " ".join(f"{found[0][1]} {found[1][1]}".split())
    done = freeair("refit", archive, "--out", tmp_path, "--json")
    assert made_anew(done.stderr) == 0
    assert Result(done.stdout, tmp_path) == whole


def children(pid: int) -> list[int]:
    listed = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(child) for child in listed]


def workers_of(pid: int) -> list[int]:
    """Processes that fit."""
    return [
        child
        for child in children(pid)
        if b"cli.refit.worker" in Path(f"/proc/{child}/cmdline").read_bytes()
    ]


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs Linux's list of children")
def test_a_worker_that_dies_costs_nothing(archive: Path, whole: Result, tmp_path: Path) -> None:
    with started(words(archive, tmp_path, "--workers", "2")) as process:
        wait_for(lambda: kept(tmp_path) >= 2)
        os.kill(workers_of(process.pid)[0], signal.SIGKILL)
        stdout, said = process.communicate(timeout=120)
        assert process.returncode == 0, said
    assert Result(stdout, tmp_path) == whole


def test_on_a_dask_scheduler_whose_worker_is_killed(
    archive: Path, whole: Result, tmp_path: Path
) -> None:
    """A real scheduler and two worker processes; one of them gets SIGKILL in mid-run."""
    pytest.importorskip("distributed")
    out = tmp_path / "out"
    with (
        dask(tmp_path, 2) as there,
        started(words(archive, out, "--scheduler", there.address)) as process,
    ):
        wait_for(lambda: kept(out) >= 2)
        os.kill(there.workers[0], signal.SIGKILL)
        stdout, said = process.communicate(timeout=120)
        assert process.returncode == 0, said
        assert there.answering() == 1
    assert "2 at once" in said
    assert Result(stdout, out) == whole


def test_one_that_stands_still_is_not_waited_for(
    archive: Path, whole: Result, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A refit that was stopped (Ctrl-Z) keeps its claims; the other makes those fits itself."""
    from cli.archive.ledger import Ledger
    from cli.refit import run

    monkeypatch.setattr(run, "_PATIENCE_SECONDS", 1.0)
    with started(words(archive, tmp_path, "--workers", "2")) as stopped:
        wait_for(lambda: kept(tmp_path) >= 1)
        os.killpg(stopped.pid, signal.SIGSTOP)
        from cli.main import run as freeair_here

        assert freeair_here(words(archive, tmp_path, "--workers", "1")[3:]) == 0
    ledger = Ledger(tmp_path)
    assert len(ledger.before) == FITS
    ledger.close()

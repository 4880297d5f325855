"""A scheduler that says nothing, or something else, is given up with a word."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Thread

import driver_bench
import pytest
from made_archive import unit_of, write_table
from program import dask, kept, started, wait_for

pytest.importorskip("distributed")

# The command with less patience; what it waits for is the same.
_IMPATIENT = (
    "from cli.refit import cluster; cluster._ANSWER_SECONDS = {answer};"
    "cluster._ASKED_EVERY_SECONDS = 2.0; from cli.main import main; raise SystemExit(main())"
)


def refit(archive: Path, out: Path, address: str, answer: float) -> list[str]:
    return [sys.executable, "-c", _IMPATIENT.format(answer=answer), "refit", str(archive),
            "--out", str(out), "--scheduler", address]  # fmt: skip


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("archive")
    for number in range(6):
        unit = unit_of(driver_bench.WOOFER, number)
        write_table(folder / f"lantern-{number}.csv", unit, number)
    return folder


@contextmanager
def server(says: bytes, again: int) -> Iterator[str]:
    """The address of something that answers every caller so many times, and stays connected."""
    listening = socket.create_server(("127.0.0.1", 0))
    callers: list[socket.socket] = []

    def serve() -> None:
        with suppress(OSError):
            while True:
                caller, _ = listening.accept()
                callers.append(caller)
                Thread(target=answer, args=(caller,), daemon=True).start()

    def answer(caller: socket.socket) -> None:
        with suppress(OSError):
            for _ in range(again):
                caller.sendall(says)

    Thread(target=serve, daemon=True).start()
    try:
        yield f"tcp://127.0.0.1:{listening.getsockname()[1]}"
    finally:
        for one in (listening, *callers):
            one.close()


SERVERS = {
    "silent": (b"", 0),
    "floods": (b"A" * 65536, 10**6),
    "of the web": (b"HTTP/1.1 400 Bad Request\r\n\r\n", 1),
}


@pytest.mark.parametrize("kind", SERVERS)
def test_what_is_no_scheduler(kind, archive, tmp_path):
    with (
        server(*SERVERS[kind]) as address,
        started(refit(archive, tmp_path / "out", address, answer=3)) as process,
    ):
        told = given_up(process)
    assert f"no dask scheduler answers at '{address}'" in told
    assert "Start one with 'dask scheduler'" in told


def given_up(process: subprocess.Popen[str]) -> str:
    _, said = process.communicate(timeout=60)
    told = " ".join(said.split())
    assert process.returncode == 2, told
    assert "Traceback" not in told and "mistake" not in told
    return told


def test_who_falls_silent_in_mid_run(archive, tmp_path):
    """A stopped scheduler keeps its connections open; one may also have lost all workers."""
    out = tmp_path / "out"
    with dask(tmp_path, 1) as there:
        command = refit(archive, out, there.address, answer=5)
        with started(command) as process:
            wait_for(lambda: kept(out) >= 1)
            os.kill(there.scheduler, signal.SIGSTOP)
            told = given_up(process)
        assert "says nothing any more" in told and "What was fitted is kept" in told
        before = kept(out)
        os.kill(there.scheduler, signal.SIGCONT)
        with started(command) as process:
            wait_for(lambda: kept(out) > before)
            os.kill(there.workers[0], signal.SIGKILL)
            told = given_up(process)
        assert "has no workers" in told and "dask worker ADDRESS" in told

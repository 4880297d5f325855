"""Running ``freeair`` as its users do: as a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[3]


def freeair(
    *words: str | Path,
    environment: Mapping[str, str] | None = None,
    timeout: float = 120,
    cwd: Path | None = None,
) -> subprocess.CompletedProcess[str]:
    """Run one command without a terminal, standard input closed.

    Args:
        words: Command and arguments.
        environment: Variables on top of those of the tests.
        timeout: Seconds after which waiting fails.
        cwd: Folder to run in.
    """
    path = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH")]))
    return subprocess.run(
        [sys.executable, "-m", "cli.main", *map(str, words)],
        env={**os.environ, "PYTHONPATH": path, "NO_COLOR": "1", **(environment or {})},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=timeout,
        cwd=cwd,
        check=False,
    )


# Whoever calls the program by its name has no folder of ours in front of the import path, as
# `python -m` would put it there.
_PROGRAM = "from cli.main import main; raise SystemExit(main())"


def begun(
    *words: str | Path, environment: Mapping[str, str] | None = None, cwd: Path | None = None
) -> AbstractContextManager[subprocess.Popen[str]]:
    """A command in a group of its own, still running; nothing of its group is left behind."""
    command = [sys.executable, "-P", "-c", _PROGRAM, *map(str, words)]
    return started(command, environment={"NO_COLOR": "1", **(environment or {})}, cwd=cwd)


@contextmanager
def started(
    command: Sequence[str], environment: Mapping[str, str] | None = None, cwd: Path | None = ROOT
) -> Iterator[subprocess.Popen[str]]:
    """A process with a group of its own, of which nothing is left behind."""
    process = subprocess.Popen(
        command, env={**os.environ, "PYTHONPATH": str(ROOT), **(environment or {})},
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, encoding="utf-8", cwd=cwd, start_new_session=True,
    )  # fmt: skip
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


@contextmanager
def dask(folder: Path, workers: int) -> Iterator[Dask]:
    """A scheduler and workers of one thread each, without anybody who starts them anew."""
    command = [sys.executable, "-m", "dask"]
    where = folder / "scheduler.json"
    scheduler = [*command, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
                 "--scheduler-file", str(where)]  # fmt: skip
    worker = [*command, "worker", "--scheduler-file", str(where), "--nthreads", "1", "--no-nanny",
              "--no-dashboard", "--local-directory", str(folder)]  # fmt: skip
    with ExitStack() as stack:
        ran = stack.enter_context(started(scheduler))
        at_work = [stack.enter_context(started(worker)) for _ in range(workers)]
        wait_for(where.is_file)
        made = Dask(json.loads(where.read_text())["address"], ran.pid, [w.pid for w in at_work])
        wait_for(lambda: made.answering() == workers)
        yield made


@dataclass(frozen=True)
class Dask:
    """Where the scheduler is, and the processes."""

    address: str
    scheduler: int
    workers: list[int]

    def answering(self) -> int:
        """How many workers there are, asked from a process of its own: clients leave threads."""
        code = (
            "import sys, distributed; c = distributed.Client(sys.argv[1], timeout=10);"
            "print(len(c.ncores())); c.close()"
        )
        done = subprocess.run(
            [sys.executable, "-c", code, self.address], capture_output=True, text=True, check=True
        )
        return int(done.stdout)


def wait_for(condition: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait until something is so; fail when it takes too long."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.02)


def kept(out: Path) -> int:
    """Results in the ledger of a refit."""
    return sum(f.read_bytes().count(b'"kind": "result"') for f in (out / "ledger").glob("*.lines"))


def succeed(
    *words: str | Path, environment: Mapping[str, str] | None = None, timeout: float = 120
) -> str:
    """Run one command that must end with status 0; its standard output."""
    done = freeair(*words, environment=environment, timeout=timeout)
    said = f"{' '.join(map(str, words))}\n{done.stdout}\n{done.stderr}"
    assert done.returncode == 0, said
    assert "Traceback" not in done.stderr, said
    return done.stdout


def take_path(output: str) -> Path:
    """The take's folder, which `take` and `import` print last."""
    path = Path(output.splitlines()[-1])
    assert (path / "take.json").is_file(), output
    return path


def fit_json(*words: str | Path) -> dict[str, Any]:
    """What ``fit --json`` says; standard output holds that one object and nothing else."""
    report: dict[str, Any] = json.loads(succeed("fit", *words, "--json"))
    assert report["format"] == "freeair-fit/1"
    return report

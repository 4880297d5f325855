"""Running ``freeair`` as its users do: as a process of its own."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
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


@contextmanager
def begun(
    *words: str | Path, environment: Mapping[str, str] | None = None, cwd: Path | None = None
) -> Iterator[subprocess.Popen[str]]:
    """A command in a group of its own, still running; nothing of its group is left behind."""
    process = subprocess.Popen(
        [sys.executable, "-P", "-c", _PROGRAM, *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(ROOT), "NO_COLOR": "1", **(environment or {})},
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True, encoding="utf-8", cwd=cwd, start_new_session=True,
    )  # fmt: skip
    try:
        yield process
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.communicate()


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

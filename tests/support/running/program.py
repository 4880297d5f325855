"""Running ``freeair`` as its users do: as a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping
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

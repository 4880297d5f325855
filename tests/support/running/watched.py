"""Running ``freeair`` and seeing what memory and processor time it took, its workers included.

The peak of a child counts what its parent held when it was split off, so that a small process of
its own stands between a large one of the tests and the program.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from program import ROOT

_WATCH = """
import json, os, sys
command = [sys.executable, "-m", "cli.main", *sys.argv[1:]]
null = os.open(os.devnull, os.O_WRONLY)
child = os.posix_spawn(command[0], command, os.environ,
                       file_actions=[(os.POSIX_SPAWN_DUP2, null, 1)])
_, status, usage = os.wait4(child, 0)
unit = 1 if sys.platform == "darwin" else 1024
used = [usage.ru_maxrss * unit, usage.ru_utime + usage.ru_stime]
print(json.dumps([os.waitstatus_to_exitcode(status), *used]))
"""


@dataclass(frozen=True)
class Watched:
    status: int
    bytes: float
    seconds: float
    told: str


def watched(*words: str | Path) -> Watched:
    done = subprocess.run(
        [sys.executable, "-c", _WATCH, *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, stdin=subprocess.DEVNULL,
        capture_output=True, text=True, timeout=300, check=True,
    )  # fmt: skip
    told = " ".join(done.stderr.split())
    assert "mistake in freeair" not in told, told
    return Watched(*json.loads(done.stdout), told)

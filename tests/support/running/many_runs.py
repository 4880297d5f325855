"""Runs ``freeair`` many times with streams that are closed or full; imports everything once.

    python many_runs.py < cases.json

Each case is a list of words, a state for standard output and one for standard error (``open``,
``closed`` or ``full``), and a file for what is said where they are open. Prints the exit statuses.
"""

from __future__ import annotations

import json
import os
import sys
from importlib import import_module
from pathlib import Path

from cli import main


def _load(commands: object) -> None:
    for home, _ in commands.values():  # type: ignore[attr-defined]
        if isinstance(home, str):
            import_module(home.partition(":")[0])
        else:
            _load(home)


def _set(descriptor: int, name: str, state: str, said: str) -> None:
    if state == "closed":
        os.close(descriptor)
        setattr(sys, name, None)  # as Python itself begins then
        return
    path = "/dev/full" if state == "full" else said
    opened = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    os.dup2(opened, descriptor)
    os.close(opened)


_load(main.COMMANDS)
statuses = []
for words, out, error, said in json.loads(sys.stdin.read()):
    Path(said).touch()
    child = os.fork()
    if not child:
        _set(1, "stdout", out, said)
        _set(2, "stderr", error, said)
        sys.argv = ["freeair", *words]
        sys.exit(main.main())
    statuses.append(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
print(json.dumps(statuses))

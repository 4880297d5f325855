"""Asking for help costs nothing: no heavy library is loaded.

Looked at in sys.modules rather than on a clock, which a busy machine makes lie.
"""

from __future__ import annotations

import subprocess
import sys

import pytest
from program import ROOT, freeair

# Import cost measured in fresh processes: scipy 0.7 s and more, lmfit 1.7, pyplot 0.9, numpy 0.15;
# sounddevice wakes PortAudio, which grabs hardware.
HEAVY = ("scipy", "matplotlib", "lmfit", "sounddevice", "soundfile", "numpy", "jinja2")

PROBE = """
import sys
from cli.main import run
status = run({words!r})
loaded = sorted(name for name in {heavy!r} if name in sys.modules)
print("LOADED", *loaded, "STATUS", status)
"""


def loaded_by(*words: str) -> str:
    code = PROBE.format(words=list(words), heavy=HEAVY)
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return done.stdout.splitlines()[-1]


@pytest.mark.parametrize(
    "words",
    [
        ["--help"],
        ["--version"],
        ["fit", "--help"],
        ["take", "--help"],
        ["rig", "--help"],
        ["rig", "new", "--help"],
        ["demo", "--help"],
    ],
    ids=" ".join,
)
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    assert loaded_by(*words) == "LOADED STATUS 0"


def test_the_probe_can_fail() -> None:
    """A command that computes does load numpy: the probe sees what is there."""
    assert "numpy" in loaded_by("rig", "wiring")


def test_drawing_a_wire_needs_no_physics_library() -> None:
    last = loaded_by("rig", "wiring").split()
    assert not {"scipy", "matplotlib", "lmfit", "sounddevice"} & set(last)


def test_version_is_one_quiet_line() -> None:
    done = freeair("--version")
    assert done.returncode == 0
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) == 1
    assert done.stdout.startswith("freeair ")

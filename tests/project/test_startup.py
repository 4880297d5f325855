"""Asking for help costs nothing: no heavy library is loaded.

Looked at in sys.modules rather than on a clock, which a busy machine makes lie.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from made_recordings import Bench, write_wav
from program import ROOT, freeair
from typer.testing import CliRunner

from cli.main import COMMANDS, app
from cli.terminal.lazy_commands import Commands

# Import cost measured in fresh processes: scipy 0.7 s and more, lmfit 1.7, pyplot 0.9, numpy 0.15;
# sounddevice wakes PortAudio, which grabs hardware.
# pydantic 0.1 s: as long as typer itself.
HEAVY = (
    *("scipy", "matplotlib", "lmfit", "sounddevice", "soundfile", "numpy", "jinja2"),
    *("pydantic", "rich", "starlette", "uvicorn"),
)

# What these cost beyond numpy, measured in fresh processes: scipy.special or .fft 0.35 s, which a
# fit needs for Student's t; interpolate 0.4 more, optimize 0.3, signal and stats 1.2.
NOT_FOR_A_FIT = (
    *("scipy.signal", "scipy.stats", "scipy.interpolate", "scipy.optimize", "scipy.ndimage"),
    *("lmfit", "matplotlib", "pandas", "joblib", "jinja2", "sounddevice", "soundfile"),
)

PROBE = """
import sys
from cli.main import run
status = run({words!r})
loaded = sorted(name for name in {heavy!r} if name in sys.modules)
print("LOADED", *loaded, "STATUS", status)
"""


def loaded_by(*words: str, of: tuple[str, ...] = HEAVY) -> str:
    code = PROBE.format(words=list(words), heavy=of)
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
        ["open", "--help"],
    ],
    ids=" ".join,
)
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    assert loaded_by(*words) == "LOADED STATUS 0"


def test_the_list_of_commands_loads_none_of_them() -> None:
    of = ("cli.driver.fit", "cli.rig.commands", "cli.rig.level", "cli.refit.command")
    assert loaded_by("--help", of=of) == "LOADED STATUS 0"
    assert loaded_by("rig", "--help", of=of) == "LOADED STATUS 0"
    assert loaded_by("rig", "new", "--help", of=of) == "LOADED cli.rig.commands STATUS 0"


def leaves(commands: Commands, *above: str) -> Iterator[tuple[tuple[str, ...], str]]:
    for name, (home, summary) in commands.items():
        yield (*above, name), summary
        if not isinstance(home, str):
            yield from leaves(home, *above, name)


@pytest.mark.parametrize(("words", "summary"), list(leaves(COMMANDS)), ids=str)
def test_every_command_is_where_the_list_says(words: tuple[str, ...], summary: str) -> None:
    """Its page of help names it, and the list shows what it does in one line of 80 columns."""
    shown = CliRunner().invoke(app, [*words, "--help"], env={"COLUMNS": "80"})
    assert shown.exit_code == 0
    assert shown.stdout.startswith(f"Usage: freeair {' '.join(words)} [OPTIONS]")
    listed = CliRunner().invoke(app, [*words[:-1], "--help"], env={"COLUMNS": "80"}).stdout
    assert f"{words[-1]} " in listed
    assert f"  {summary}\n" in listed


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("freeair re", "refit"),
        ("freeair rig ca", "calibrate"),
        ("freeair fit --measured", "--measured-re"),
        ("freeair series judge --pic", "--picture"),
    ],
)
def test_completion_knows_what_is_not_loaded_yet(typed: str, offered: str) -> None:
    asked = {
        "_FREEAIR_COMPLETE": "complete_bash",
        "COMP_WORDS": typed,
        "COMP_CWORD": str(typed.count(" ")),
    }
    done = subprocess.run(
        [sys.executable, "-c", "from cli.main import main; main()"],
        cwd=ROOT, capture_output=True, text=True, env={**os.environ, **asked}, check=False,
    )  # fmt: skip
    assert done.stdout.split() == [offered], done.stderr


def test_the_probe_can_fail() -> None:
    """A command that computes does load numpy: the probe sees what is there."""
    assert "numpy" in loaded_by("rig", "wiring")


def test_drawing_a_wire_needs_no_physics_library() -> None:
    last = loaded_by("rig", "wiring").split()
    assert not {"scipy", "matplotlib", "lmfit", "sounddevice"} & set(last)


def test_a_fit_loads_what_it_needs(tmp_path: Path) -> None:
    """A table in free air, the shortest way from a file to numbers."""
    f = np.geomspace(10, 2e4, 150)
    s = 2j * np.pi * f
    z = 6.2 + s * 4e-4 + 40 / (1 + 4 * (s / 300 + 300 / s))
    rows = (f"{a},{b.real},{b.imag}\n" for a, b in zip(f.tolist(), z.tolist(), strict=True))
    table = tmp_path / "free.csv"
    table.write_text("frequency_hz,resistance_ohm,reactance_ohm\n" + "".join(rows), "utf-8")
    looked_for = (*NOT_FOR_A_FIT, "scipy.special")
    assert loaded_by("fit", str(table), of=looked_for) == "LOADED scipy.special STATUS 0"


@pytest.mark.parametrize("command", ["part resistor {}", "part capacitor {} --json"])
def test_a_part_loads_neither_statistics_nor_pictures_nor_a_server(
    command: str, tmp_path: Path
) -> None:
    f = np.geomspace(20, 2e4, 60)
    reactance = -1 / (2 * np.pi * f * 1e-5) if "capacitor" in command else 0 * f
    rows = (f"{at},8.2,{x}\n" for at, x in zip(f.tolist(), reactance.tolist(), strict=True))
    table = tmp_path / "part.csv"
    table.write_text("frequency_hz,resistance_ohm,reactance_ohm\n" + "".join(rows), "utf-8")
    looked_for = ("scipy.stats", "scipy.signal", "lmfit", "matplotlib", "starlette", "uvicorn")
    assert loaded_by(*command.format(table).split(), of=looked_for) == "LOADED STATUS 0"


def test_an_import_of_a_recording_draws_nothing(tmp_path: Path) -> None:
    """Nor does it interpolate or optimise: a recording made elsewhere has no harmonics."""
    capture, rig = write_wav(tmp_path / "capture.wav", Bench().record()), str(tmp_path / "rig.toml")
    loaded_by("rig", "new", rig, "--series-resistor", "10ohm")
    words = ("import", str(capture), "--rig", rig, "--unit", "larch", "--out", str(tmp_path / "t"))
    needless = tuple(name for name in NOT_FOR_A_FIT if name not in ("scipy.ndimage", "soundfile"))
    assert loaded_by(*words, of=needless) == "LOADED STATUS 0"


def test_version_is_one_quiet_line() -> None:
    done = freeair("--version")
    assert done.returncode == 0
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) == 1
    assert done.stdout.startswith("freeair ")

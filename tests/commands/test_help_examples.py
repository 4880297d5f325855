"""The examples that each command's ``--help`` ends with do what they say, on a simulated bench."""

from __future__ import annotations

import shlex
import shutil
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import driver_bench
import made_archive
import numpy as np
import pytest
import soundfile
import typer
from made_fits import Physical, fit_of

from cli import save_fit
from cli.main import app, run
from cli.terminal.lazy_commands import Deferred
from meas.bench import rig_file

# What waits for a person: how its example ends here, and the status the README gives for that.
ENDS_BY: dict[str, tuple[tuple[str, ...], int]] = {
    "guide": ((), 2),  # needs a terminal
    "watch": (("--seconds", "1"), 0),
    "polarity reference": (("--recording", "push.wav"), 0),
    "polarity press": (("--recording", "push.wav"), 0),
}
ELSEWHERE = {"demo"}  # test_cli_demo.py runs it whole
RATE_HZ = 48000
UNITS = ("lantern-new", "lantern-12h", "left", "right", "new", "2h", "8h", "24h", "lantern-07",
         *(f"good-{n}" for n in range(6)))  # fmt: skip
DRAWER = """format = "freeair-stock/1"
capacitors = ["4.7uF", "3.3uF"]
"""
MAKES = ("--save", "--save-network", "--picture", "--report", "--csv", "--touchstone", "--spice")


def _commands(command: object, words: tuple[str, ...] = ()) -> Iterator[tuple[str, str]]:
    """Every command's words and the end of its help."""
    command = command.loaded() if isinstance(command, Deferred) else command
    for name, below in getattr(command, "commands", {}).items():
        yield from _commands(below, (*words, name))
    if not hasattr(command, "commands"):
        yield " ".join(words), command.epilog or ""


EPILOGS = dict(_commands(typer.main.get_command(app)))
EXAMPLES = {
    command: [
        line.strip()
        for line in epilog.replace("\\\n", " ").splitlines()
        if line.strip().startswith("freeair ")
    ]
    for command, epilog in EPILOGS.items()
}
SHARED = sorted(
    line
    for command, lines in EXAMPLES.items()
    for line in lines
    if line.startswith("freeair take") and command != "take"
)
"""Examples that come before another command's own: the folder is prepared by them."""


def _done(*words: str) -> None:
    assert run(list(words)) == 0, words


def _bench(name: str, driver: str, **simulated: object) -> None:
    _done("rig", "new", name, "--series-resistor", "10ohm", "--simulate", driver,
          "--sweep-seconds", "0.5")  # fmt: skip
    rig = rig_file.read(Path(name))
    assert rig.simulated is not None
    truth = rig.simulated.model_copy(update={"seed": 5, **simulated})
    rig_file.update(Path(name), rig.model_copy(update={"simulated": truth}))
    _done("rig", "calibrate", name, "--standard", "same-node", "--yes")


def _taken(unit: str, *words: str, rig: str = "bench.toml", named: tuple[str, ...] = ()) -> str:
    before = set(Path("takes").glob("*"))
    _done("take", unit, "--rig", rig, *words)
    (made,) = set(Path("takes").glob("*")) - before
    for name in named:
        shutil.copytree(made, f"takes/{name}")
    return str(made)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All that the examples speak of: rigs, takes, tables, fits, plans, limits, an archive."""
    folder = tmp_path_factory.mktemp("examples")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        _bench("bench.toml", "woofer")
        _bench("spark.toml", "tweeter")
        stamped = ("Lantern_free-air_20260214-101500", "lantern_free-air_20260302-090000")
        free = _taken("Lantern", named=stamped[1:])
        free = shutil.move(free, f"takes/{stamped[0]}")  # under the name that examples have
        heavy = _taken("Lantern", "--added-mass", "7.5g±0.1g")
        for line in SHARED:
            _done(*shlex.split(line)[1:])
        (coil,) = Path("takes").glob("coil-3_*")
        for name in ("coil-3_free-air_20260214-101500", "coil-3_quiet", "coil-3_loud"):
            shutil.copytree(coil, f"takes/{name}")
        spark = _taken("spark", rig="spark.toml")
        _done("export", free, "--csv", "free.csv")
        _done("export", heavy, "--csv", "mass.csv")
        _done("fit", free, heavy, "--diameter", "118mm", "--save", "lantern.json")
        _done("fit", spark, "--diameter", "30mm", "--save", "tweeter.json")
        shutil.copy("lantern.json", "woofer.json")
        _done("box", "lantern.json", "--vented", "--volume", "16L", "--fb", "46Hz", "--bore",
              "50mm", "--save", "porch-plan.json")  # fmt: skip
        _done("targets", "new", "lantern.toml")
        _done("filter", "--woofer", "woofer.json", "--tweeter", "tweeter.json", "--crossover",
              "3kHz", "--save-network", "two-way.toml")  # fmt: skip
        for number, name in enumerate(UNITS):
            softer = Physical().but(Cms=1 + 0.02 * number, Re=1 + 0.003 * number)
            save_fit(fit_of(softer), f"{name}.json", unit="lantern" if name[0] in "n28" else name)
        for number in range(1, 8):
            unit = made_archive.unit_of(driver_bench.WOOFER, number)
            for where, mass in (
                (("takes", 0.0), ("takes", 7.5e-3), ("archive", 0.0))
                if number > 3
                else (("takes", 0.0),)
            ):
                name = f"lantern-{number:02}"
                made_archive.write_take(folder / where, name, unit, number, mass=mass)
        _done("series", "limits", *(f"good-{n}.json" for n in range(6)), "--save",
              "lantern-limits.toml")  # fmt: skip
        Path("drawer.toml").write_text(DRAWER, encoding="utf-8")
        (capture,) = Path(free).glob("*.wav")
        shutil.copy(capture, "sweep.wav")
        _push("push.wav")
        Path("lantern").mkdir()
    return folder


def _push(name: str) -> None:
    """A driver input that is touched, or whose cone is pressed: one slow pulse in noise."""
    wave = np.random.default_rng(0).normal(0, 1e-4, (4 * RATE_HZ, 2))
    time = np.arange(int(0.12 * RATE_HZ)) / RATE_HZ
    wave[2 * RATE_HZ :][: len(time), 1] += 0.05 * np.sin(np.pi * time / 0.12)
    soundfile.write(name, wave.astype(np.float32), RATE_HZ, subtype="FLOAT")


def _prepared(words: list[str]) -> list[str]:
    """Patterns as a shell would write them out; what is made is not there yet."""
    for option, value in pairwise(words):
        if option in MAKES or option in ("new", "from-parts"):
            Path(value).unlink(missing_ok=True)
    return [
        found
        for word in words
        for found in (
            sorted(map(str, Path().glob(word))) if "*" in word and "=" not in word else [word]
        )
    ]


@pytest.mark.parametrize("command", EXAMPLES)
def test_every_command_has_examples_that_work(
    command: str,
    bench: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One after the other, as a user would type them in a folder."""
    assert any(line.startswith(f"freeair {command}") for line in EXAMPLES[command])
    if command in ELSEWHERE:
        return
    monkeypatch.chdir(shutil.copytree(bench, tmp_path / "bench"))
    monkeypatch.setattr("cli.window.serving.run", lambda _server, _desk, bound: bound.close())
    monkeypatch.setattr("webbrowser.open", lambda _: True)
    if command == "polarity press":
        _done("polarity", "reference", "bench.toml", "--recording", "push.wav")
    if command in ("refit", "series pairs"):  # four units are enough, and quick
        for take in set(Path("takes").glob("*")) - set(Path("takes").glob("lantern-0[4-7]*")):
            shutil.rmtree(take)
    more, status = ENDS_BY.get(command, ((), 0))
    for line in EXAMPLES[command]:
        if line in SHARED:
            continue
        monkeypatch.chdir(tmp_path / "bench")
        assert run([*_prepared(shlex.split(line)[1:]), *more]) == status, (
            line, capsys.readouterr().err)  # fmt: skip

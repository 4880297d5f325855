"""The package as people get it: built, looked into, installed into nothing, run from nowhere.

uv does all of it, from a package index (or what it has cached of one).
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from collections.abc import Mapping
from email.parser import Parser
from pathlib import Path

import numpy as np
import pytest
from packaging.version import Version

pytestmark = pytest.mark.install

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("meas", "fit", "cli")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
SOURCE_ONLY = {
    "tests", "fixtures", "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml",
    ".gitignore", "PKG-INFO",
}  # fmt: skip


def ran(
    command: list[str | Path], cwd: Path, environment: Mapping[str, str], timeout: float = 300
) -> str:
    """Run a command that must end with status 0; its standard output."""
    done = subprocess.run(
        [str(word) for word in command], cwd=cwd, env=dict(environment),
        stdin=subprocess.DEVNULL, capture_output=True, text=True, encoding="utf-8",
        timeout=timeout, check=False,
    )  # fmt: skip
    assert done.returncode == 0, f"{command}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr, done.stderr
    return done.stdout


def uv(words: list[str | Path], cwd: Path, **environment: str) -> str:
    """Run uv; messages and colours do not matter."""
    told = {**os.environ, "UV_NO_PROGRESS": "1", "UV_LINK_MODE": "copy", **environment}
    for name in ("VIRTUAL_ENV", "PYTHONPATH", "UV_RESOLUTION", "UV_CONSTRAINT"):
        told.pop(name, None)
    return ran([sys.executable, "-m", "uv", *words], cwd, told)


def bare(home: Path) -> dict[str, str]:
    """An environment that knows nothing of this checkout."""
    kept = {name: os.environ[name] for name in ("PATH", "SYSTEMROOT") if name in os.environ}
    return {**kept, "HOME": str(home), "LC_ALL": "C.UTF-8", "OMP_NUM_THREADS": "1"}


FS_HZ = 300 / (2 * np.pi)


def table(file: Path) -> None:
    """A driver of Re 6.2 ohm, Qms 4 and Res 40 ohm with its resonance at 300 rad/s."""
    f = np.geomspace(10, 2e4, 200)
    s = 2j * np.pi * f
    z = 6.2 + s * 4e-4 + 40 / (1 + 4 * (s / 300 + 300 / s))
    rows = (
        f"{one!r},{ohm.real!r},{ohm.imag!r}\n"
        for one, ohm in zip(f.tolist(), z.tolist(), strict=True)
    )
    file.write_text("frequency_hz,resistance_ohm,reactance_ohm\n" + "".join(rows), encoding="utf-8")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Wheel and source archive; the wheel is made from the archive, as an index would."""
    folder = tmp_path_factory.mktemp("dist")
    uv(["build", "--quiet", "--out-dir", folder, ROOT], folder)
    (wheel,) = folder.glob("*.whl")
    (archive,) = folder.glob("*.tar.gz")
    return wheel, archive


def own_files(*folders: str) -> set[str]:
    """Files of the checkout that belong to the project."""
    return {
        file.relative_to(ROOT).as_posix()
        for folder in folders
        for file in (ROOT / folder).rglob("*")
        if file.is_file() and "__pycache__" not in file.parts
    }


def test_wheel_holds_our_three_packages_whole(built: tuple[Path, Path]) -> None:
    """Every file of the packages (templates, style, scripts, licences of others), nothing else."""
    with zipfile.ZipFile(built[0]) as wheel:
        names = set(wheel.namelist())
    about = f"freeair-{PROJECT['version']}.dist-info"
    assert {name.split("/")[0] for name in names} == {*PACKAGES, about}
    assert {name for name in names if not name.startswith(about)} == own_files(*PACKAGES)
    for licence in PROJECT["license-files"]:
        assert f"{about}/licenses/{licence}" in names
    for needed in ("report/page.html.j2", "report/style.css", "report/explore.js"):
        assert f"cli/{needed}" in names
    assert {"meas/py.typed", "fit/py.typed"} <= names


def test_the_same_bytes_wherever_and_whenever_it_is_built(
    built: tuple[Path, Path], tmp_path: Path
) -> None:
    """In a copy with other times and permissions of files, and another folder's name."""
    copy = tmp_path / "elsewhere"
    copy.mkdir()
    for name in sorted(SOURCE_ONLY - {"PKG-INFO"} | {*PACKAGES}):
        if (ROOT / name).is_dir():
            shutil.copytree(
                ROOT / name, copy / name, copy_function=shutil.copyfile,
                ignore=shutil.ignore_patterns("__pycache__"),
            )  # fmt: skip
        else:
            shutil.copyfile(ROOT / name, copy / name)
    for file in copy.rglob("*"):
        os.utime(file, (1e9, 1e9))
        file.chmod(0o700 if file.is_dir() else 0o600)
    uv(["build", "--quiet", "--out-dir", tmp_path / "dist", copy], tmp_path)
    for first in built:
        assert (tmp_path / "dist" / first.name).read_bytes() == first.read_bytes(), first.name


def test_source_archive_holds_what_the_tests_need(built: tuple[Path, Path]) -> None:
    with tarfile.open(built[1]) as archive:
        names = {
            name.split("/", 1)[1] for name in archive.getnames() if name.count("/")
        }  # below freeair-VERSION/
    assert {name.split("/")[0] for name in names} <= {*PACKAGES, *SOURCE_ONLY}
    assert {*PACKAGES, *SOURCE_ONLY} - {".gitignore"} <= {name.split("/")[0] for name in names}
    assert own_files(*PACKAGES, "tests", "fixtures") <= names
    assert not [name for name in names if "__pycache__" in name or name.endswith(".pyc")]


def test_metadata_say_what_it_runs_on(built: tuple[Path, Path]) -> None:
    about = f"freeair-{PROJECT['version']}.dist-info"
    with zipfile.ZipFile(built[0]) as wheel:
        metadata = Parser().parsestr(wheel.read(f"{about}/METADATA").decode("utf-8"))
        entry = wheel.read(f"{about}/entry_points.txt").decode("utf-8")
    assert metadata["Requires-Python"] == ">=3.11"
    assert metadata["License-Expression"] == "MIT"
    assert metadata.get_all("Provides-Extra") == sorted(PROJECT["optional-dependencies"])
    assert "freeair = cli.main:main" in entry
    told = metadata.get_all("Classifier") or []
    for minor in (11, 12, 13, 14):
        assert f"Programming Language :: Python :: 3.{minor}" in told


def test_every_requirement_has_a_lowest_version() -> None:
    for requirement in PROJECT["dependencies"]:
        assert ">=" in requirement, requirement


@pytest.fixture(scope="module")
def tool(built: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The program installed as the README says, alone, and an empty folder to run it in.

    Home is the folder above: libraries may keep their caches there, and only there.
    """
    folder = tmp_path_factory.mktemp("tool")
    uv(
        ["tool", "install", "--quiet", "--python", sys.executable,
         "--constraints", ROOT / "tests" / "constraints.txt", built[0]],
        folder, UV_TOOL_DIR=str(folder / "tools"), UV_TOOL_BIN_DIR=str(folder / "bin"),
    )  # fmt: skip
    (program,) = (folder / "bin").iterdir()
    assert program.stem == "freeair"
    empty = folder / "empty"
    empty.mkdir()
    return program, empty


def test_installed_program_answers(tool: tuple[Path, Path]) -> None:
    program, empty = tool
    assert (
        ran([program, "--version"], empty, bare(empty.parent)) == f"freeair {PROJECT['version']}\n"
    )
    for command in ("demo", "fit", "take", "compare"):
        assert command in ran([program, "--help"], empty, bare(empty.parent))
    assert not list(empty.iterdir()), "asking for help leaves nothing behind"


def test_installed_program_fits_and_makes_pages(tool: tuple[Path, Path]) -> None:
    """Templates, style, scripts and pictures come out of the wheel."""
    program, empty = tool
    table(empty / "free.csv")
    fitted = json.loads(
        ran([program, "fit", "free.csv", "--json", "--report", "free.html"], empty,
            bare(empty.parent))
    )  # fmt: skip
    low, high = fitted["parameters"]["fs"]["interval_95"]
    assert low < FS_HZ < high
    page = (empty / "free.html").read_text(encoding="utf-8")
    for needed in ("<style>", "<svg", "uPlot", "<script"):
        assert needed in page
    assert str(ROOT) not in page
    assert sorted(path.name for path in empty.iterdir()) == ["free.csv", "free.html", "index.html"]


# The lowest versions that pyproject.toml declares.


@pytest.fixture(scope="module")
def lowest(built: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with the lowest declared versions; its python.

    Only wheels: where the lowest version has none for this Python, the lowest that has one.
    """
    folder = tmp_path_factory.mktemp("lowest")
    uv(["venv", "--quiet", "--python", sys.executable, "env"], folder)
    python = next(
        path for path in (folder / "env/bin/python", folder / "env/Scripts/python.exe")
        if path.exists()
    )  # fmt: skip
    into: list[str | Path] = ["pip", "install", "--quiet", "--python", python]
    uv([*into, "--resolution", "lowest-direct", "--only-binary", ":all:",
        "--requirements", ROOT / "pyproject.toml", "--extra", "tables"], folder)  # fmt: skip
    uv([*into, "--no-deps", built[0]], folder)
    return python


def test_lowest_versions_are_those_declared(lowest: Path) -> None:
    """The resolver did what it was asked; otherwise the tests below say nothing."""
    listed = json.loads(uv(["pip", "list", "--python", lowest, "--format", "json"], lowest.parent))
    found = {one["name"]: Version(one["version"]) for one in listed}
    declared = (requirement.split(">=") for requirement in PROJECT["dependencies"])
    low = [name for name, version in declared if found[name] == Version(version)]
    # Young Pythons have no wheels of the oldest numpy, scipy, matplotlib, pydantic and soundfile.
    assert len(low) >= len(PROJECT["dependencies"]) - 5
    if sys.version_info < (3, 13):
        assert len(low) == len(PROJECT["dependencies"])


def test_lowest_versions_do_the_main_job(lowest: Path, tmp_path: Path) -> None:
    """Simulated takes, a fit, pages in all forms; a warning of any library would be an error."""
    told = {**bare(tmp_path), "PYTHONWARNINGS": "error"}

    def freeair(*words: str) -> str:
        return ran([lowest, "-m", "cli.main", *words], tmp_path, told)

    freeair("rig", "new", "bench.toml", "--device", "simulated", "--series-resistor", "10ohm",
            "--woofer", "--sweep-seconds", "2")  # fmt: skip
    freeair("rig", "calibrate", "bench.toml", "--standard", "same-node", "--yes")
    free = freeair("take", "lantern", "--rig", "bench.toml", "--yes").splitlines()[-1]
    mass = freeair(
        "take", "lantern", "--rig", "bench.toml", "--yes", "--added-mass", "7.5g±0.1g"
    ).splitlines()[-1]
    fitted = json.loads(
        freeair("fit", free, mass, "--diameter", "118mm", "--json", "--save", "lantern.json",
                "--report", "lantern.html")
    )  # fmt: skip
    known = fitted["parameters"]
    # The simulated bench says what it simulates.
    truth = tomllib.loads((tmp_path / "bench.toml").read_text(encoding="utf-8"))["simulated"]
    for key in ("Re_ohm", "fs_hz", "Qms", "Qes", "Mms_kg"):
        low, high = known[key.split("_")[0]]["interval_95"]
        assert low < truth[key] < high, key
    assert {"Bl", "Vas"} <= known.keys()
    freeair("fit", free, "--report", "lantern.pdf")
    for name, start in (("lantern.html", b"<!DOCTYPE html>"), ("lantern.pdf", b"%PDF")):
        assert (tmp_path / name).read_bytes().lower().startswith(start.lower())


def test_lowest_versions_serve_notebooks(lowest: Path, tmp_path: Path) -> None:
    """The public names against the oldest pandas."""
    table(tmp_path / "free.csv")
    script = (
        "from meas import load_curve\n"
        "from fit import derive, fit_driver, in_free_air, session, to_frame\n"
        "from cli import plot_fit\n"
        "one = fit_driver([in_free_air(load_curve('free.csv'))], session(pressure=(1e5, 1e3)))\n"
        "print(derive(lambda p: p.fs, one, unit='Hz'))\n"
        "print(to_frame(one).loc['fs', 'value'])\n"
        "plot_fit(one).save('free.png')\n"
    )
    said = ran([lowest, "-W", "error", "-c", script], tmp_path, bare(tmp_path))
    assert float(said.split()[0]) == pytest.approx(FS_HZ, rel=1e-3)

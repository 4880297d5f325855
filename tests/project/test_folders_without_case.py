"""Folders as macOS and Windows have them: one name, whatever its case and the pieces of letters.

NTFS keeps the case of a name and looks none up by it; APFS likewise, and takes composed and
decomposed letters for the same (Apple File System Guide, FAQ; from memory). Such a file system is
laid here over the real one: whatever Python asks the system for by a name is looked for so.
"""

from __future__ import annotations

import builtins
import io
import os
import shutil
import unicodedata
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path, PureWindowsPath
from typing import Any

import pytest
from driver_bench import WOOFER
from invoked import Invoke
from made_archive import MASS_KG, unit_of, write_table, write_take

from cli.sources import opened
from cli.sources.free_name import free_name
from meas.errors import UsageError
from meas.files import writing
from meas.files.windows_names import refused_by_windows
from meas.takes import take as takes

COMPOSED = "Lärche"
IN_PIECES = unicodedata.normalize("NFD", COMPOSED)
ALIKE = [("lantern", "Lantern"), (COMPOSED, IN_PIECES), ("straße", "STRASSE")]
_ONE_NAME = {
    os: ("stat", "lstat", "open", "mkdir", "unlink", "access"),
    io: ("open",),
    builtins: ("open",),
}
_TWO_NAMES = ("link", "rename", "replace")


def folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The current folder, on a file system that knows no case."""
    names_in = os.listdir

    def found(name: Any) -> Any:
        """The path that is there already, if only its letters differ."""
        if not isinstance(name, str | Path) or not Path(name).absolute().is_relative_to(tmp_path):
            return name
        place = str(tmp_path)
        for part in Path(name).absolute().relative_to(tmp_path).parts:
            there = part
            with suppress(OSError):
                if part not in (inside := names_in(place)):
                    there = next((one for one in inside if folded(one) == folded(part)), part)
            place = f"{place}/{there}"
        return place

    def one_name(real: Callable[..., Any]) -> Callable[..., Any]:
        return lambda name, *more, **how: real(found(name), *more, **how)

    def two_names(real: Callable[..., Any]) -> Callable[..., Any]:
        return lambda name, goal, **how: real(found(name), found(goal), **how)

    monkeypatch.chdir(tmp_path)
    for module, functions in _ONE_NAME.items():
        for function in functions:
            monkeypatch.setattr(module, function, one_name(getattr(module, function)))
    for function in _TWO_NAMES:
        monkeypatch.setattr(os, function, two_names(getattr(os, function)))
    return tmp_path


def test_the_folder_knows_no_case(folder: Path) -> None:
    """Or nothing below would say anything."""
    Path("Lantern.txt").write_text("one", encoding="utf-8")
    assert Path("LANTERN.TXT").read_text(encoding="utf-8") == "one"
    with pytest.raises(FileExistsError):
        Path("lantern.txt").mkdir()
    with pytest.raises(FileExistsError):
        Path("lantern.TXT").open("x", encoding="utf-8").close()


@pytest.mark.parametrize(("first", "second"), ALIKE)
def test_nothing_is_written_over_a_name_that_looks_alike(
    first: str, second: str, folder: Path
) -> None:
    writing.write_text(folder / f"{first}.json", "one")
    with pytest.raises(UsageError, match="exists already"):
        writing.write_text(folder / f"{second}.json", "two")
    assert [one.name for one in folder.iterdir()] == [f"{first}.json"]
    assert (folder / f"{first}.json").read_text(encoding="utf-8") == "one"
    assert free_name(folder, second, ".json").stem.endswith("-2")


@pytest.mark.parametrize(("first", "second"), ALIKE)
def test_takes_of_names_that_look_alike_stand_beside_each_other(
    first: str, second: str, folder: Path
) -> None:
    made = [write_take(folder / "takes", name, unit_of(WOOFER, n), n)
            for n, name in enumerate((first, second))]  # fmt: skip
    assert len(list((folder / "takes").iterdir())) == 2
    assert [takes.load(one).unit for one in made] == [first, second]


def test_commands_keep_what_another_unit_of_nearly_that_name_left(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    invoke = Invoke(capsys)
    for number, unit in enumerate(("lantern-1", "Lantern-1")):
        write_table(folder / f"{number}.csv", unit_of(WOOFER, number), number)
        page = ("--report", "a.html") if number == 0 else ()
        ran = invoke("fit", f"{number}.csv", "--unit", unit, "--model", "lossy", *page)
        assert ran.status == 0, ran.told
    kept = {opened.fit(one)[0] for one in (folder / "fits").iterdir()}
    assert kept == {"lantern-1", "Lantern-1"}
    shutil.copy("fits/lantern-1-fit.json", "a.json")
    before = {one: one.read_bytes() for one in folder.iterdir() if one.is_file()}
    for words in (
        ("fit", "1.csv", "--model", "lossy", "--save", "A.json"),
        ("fit", "1.csv", "--model", "lossy", "--report", "A.HTML"),
        ("export", "a.json", "--csv", "A.JSON"),
        ("rig", "new", "A.json", "--series-resistor", "10ohm"),
        ("targets", "new", "A.html"),
    ):
        ran = invoke(*words)
        assert ran.status == 2, words
        assert "exists already" in ran.told
    after = {one: one.read_bytes() for one in folder.iterdir() if one.is_file()}
    assert after == before


@pytest.mark.parametrize("other", ["Takes/LANTERN", "linked", "copied"])
def test_a_take_by_another_name_is_given_twice(
    other: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One measurement that counts twice would narrow the intervals."""
    write_take(folder / "takes", "lantern", WOOFER).rename(folder / "takes" / "lantern")
    (folder / "linked").symlink_to("takes/lantern", target_is_directory=True)
    shutil.copytree("takes/lantern", "copied")
    ran = Invoke(capsys)("fit", "takes/lantern", other)
    assert ran.status == 2, ran.told
    assert "is given twice, as takes/lantern" in ran.told


def test_both_spellings_of_a_name_are_one_unit(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Folders copied from a Mac hold names in pieces; what was typed elsewhere is composed."""
    free = write_take(tmp_path / "takes", COMPOSED, WOOFER)
    mass = write_take(tmp_path / "takes", IN_PIECES, WOOFER, mass=MASS_KG)
    write_table(tmp_path / "tables" / f"{IN_PIECES}.csv", WOOFER, 3)
    invoke = Invoke(capsys)
    ran = invoke("fit", free, mass, tmp_path / "tables" / f"{IN_PIECES}.csv", "--model", "lossy",
                 "--no-keep")  # fmt: skip
    assert ran.status == 0, ran.told
    assert COMPOSED in ran.told
    assert IN_PIECES not in ran.stdout
    ran = invoke("refit", tmp_path, "--json")
    assert ran.status == 0, ran.told
    assert "1 unit" in ran.told


@pytest.mark.parametrize("stem", ["CON", "nul", "aux.", "COM1 ", "LPT¹"])
def test_free_names_are_no_devices_of_windows(stem: str, tmp_path: Path) -> None:
    for ending in (".json", ".html"):
        name = free_name(tmp_path, stem, ending).name
        assert not refused_by_windows(PureWindowsPath(name)), name

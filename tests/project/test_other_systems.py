"""Windows and macOS, as far as code can be held to their rules from elsewhere."""

from __future__ import annotations

import ast
import errno
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path, PureWindowsPath
from typing import Any

import made_fits
import numpy as np
import pytest
from program import ROOT

from cli import save_fit
from meas.audio.devices import Device, find_device, note_for, ranked
from meas.errors import BenchFailure, UsageError
from meas.files import writing
from meas.files.windows_names import refused_by_windows
from meas.takes import take
from meas.transfer.passes import find_passes
from meas.validity import of_record

SOURCES = sorted(
    file for package in ("meas", "fit", "cli") for file in (ROOT / package).rglob("*.py")
)


# Names of files. Microsoft Learn, "Naming Files, Paths, and Namespaces" (from memory).


@pytest.mark.parametrize(
    ("path", "why"),
    [
        ("CON", "device"), ("con.json", "device"), ("nul.tar.gz", "device"), ("aux .csv", "device"),
        ("COM1.toml", "device"), ("lpt¹", "device"), (r"C:\takes\prn\lantern.json", "device"),
        ("lantern:1.json", "':'"), ("what?.html", "'?'"), ('say "x".csv', "'\"'"),
        ("a<b", "'<'"), ("a|b", "'|'"), ("a*", "'*'"), ("a\tb", "'\\t'"),
        ("lantern.", "drops"), ("lantern ", "drops"), (r"takes.\x.csv", "drops"),
        ("x" * 300, "259"), (r"C:\\" + r"deep\\" * 60 + "x.csv", "259"),
    ],
)  # fmt: skip
def test_windows_refuses(path: str, why: str) -> None:
    assert why in refused_by_windows(PureWindowsPath(path))


@pytest.mark.parametrize(
    "path",
    ["lantern.json", "console.json", "COM.csv", "COM10", "nullius.txt", r"C:\takes\lantern 1.json",
     r"..\lantern.html", r".\x.csv", "Lärche-µ.csv", ".unfinished-0a", r"\\server\share\a.csv"],
)  # fmt: skip
def test_windows_accepts(path: str) -> None:
    assert refused_by_windows(PureWindowsPath(path)) == ""


@pytest.mark.parametrize(
    "unit", ["CON", "nul", "a:b", "lantern.", "lantern ", "*?", "..", r"x\y/z", "LPT¹", "µΩ", ""]
)
def test_folders_of_takes_have_names_for_every_system(unit: str) -> None:
    made = take.safe_name(unit)
    name = f"{made}_free-air_20261125-101500"
    assert refused_by_windows(PureWindowsPath(name)) == ""
    assert len(name.encode()) < 120  # two folders above and capture.wav fit into 260 characters


def test_a_name_that_windows_would_lose_is_refused_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a colon NTFS would write into a hidden stream of another file, and say nothing."""
    monkeypatch.setattr(writing, "_WINDOWS", True)
    for name in ("lantern:1.json", "nul", "what?.html"):
        with pytest.raises(UsageError, match="Windows") as refused:
            writing.write_text(tmp_path / name, "x")
        assert refused.value.remedy == "Choose another name."
    with pytest.raises(UsageError, match="device on Windows"):
        writing.write_folder(tmp_path, "aux", lambda _: None)
    with pytest.raises(UsageError, match="Windows"):
        writing.refuse_existing(tmp_path / "a|b")
    assert not list(tmp_path.iterdir())
    writing.write_text(tmp_path / "lantern-1.json", "x")
    monkeypatch.setattr(writing, "_WINDOWS", False)
    writing.write_text(tmp_path / "lantern:1.json", "x")


# Renaming.


class Held(PermissionError):
    """What Windows says while another program has a file open."""

    winerror = 32


def held() -> Held:
    return Held(errno.EACCES, "The process cannot access the file")


@pytest.fixture
def waited(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    seconds: list[float] = []
    monkeypatch.setattr(writing.time, "sleep", seconds.append)
    return seconds


def holding(times: int, real: Any) -> Any:
    """A rename that fails so many times before it works."""
    left = [times]

    def rename(self: Path, goal: Path) -> Path:
        if left[0]:
            left[0] -= 1
            raise held()
        return Path(real(self, goal))

    return rename


@pytest.mark.parametrize("method", ["replace", "rename"])
def test_a_scanner_that_lets_go_is_waited_for(
    method: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, waited: list[float]
) -> None:
    monkeypatch.setattr(Path, method, holding(3, getattr(Path, method)))
    if method == "replace":
        writing.write_text(tmp_path / "a.txt", "one", overwrite=True)
        assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "one"
    else:
        made = writing.write_folder(tmp_path, "a", lambda new: _put(new / "x"))
        assert (made / "x").exists()
    assert len(waited) == 3


def test_a_spreadsheet_that_keeps_the_file_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, waited: list[float]
) -> None:
    file = tmp_path / "a.csv"
    file.write_text("old", encoding="utf-8")
    monkeypatch.setattr(Path, "replace", holding(99, Path.replace))
    with pytest.raises(UsageError) as refused:
        writing.write_text(file, "new", overwrite=True)
    assert "Another program" in refused.value.remedy
    assert 1 < sum(waited) < 5
    assert file.read_text(encoding="utf-8") == "old"
    assert [one.name for one in tmp_path.iterdir()] == ["a.csv"]


def test_what_may_not_be_written_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, waited: list[float]
) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(UsageError, match="Permission"):
        writing.write_text(tmp_path / "a.txt", "one", overwrite=True)
    assert not waited


def _put(file: Path) -> None:
    file.write_text("x", encoding="utf-8")


def test_macos_is_told_to_write_to_the_medium(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fsync(2) of macOS: only F_FULLFSYNC makes the drive write what it was given."""
    fcntl = pytest.importorskip("fcntl")
    asked: list[int] = []
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(fcntl, "F_FULLFSYNC", 51, raising=False)
    monkeypatch.setattr(fcntl, "fcntl", lambda descriptor, command: asked.append(command))
    writing.write_text(tmp_path / "a.txt", "one")
    assert 51 in asked
    assert (tmp_path / "a.txt").read_text(encoding="utf-8") == "one"


# Text.


def calls(tree: ast.AST) -> Iterator[tuple[ast.Call, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            function = node.func
            yield node, getattr(function, "attr", getattr(function, "id", ""))


def names_no_encoding(call: ast.Call, name: str) -> bool:
    words = {keyword.arg for keyword in call.keywords}
    texts = [arg.value for arg in call.args if isinstance(arg, ast.Constant)]
    modes = [text for text in texts if isinstance(text, str) and set(text) <= set("rwaxbt+")]
    if name == "read_text":
        return not (words & {"encoding"} or call.args)
    if name in ("open", "fdopen", "NamedTemporaryFile", "TemporaryFile"):
        if isinstance(call.func, ast.Attribute) and name == "open" and not modes and call.args:
            return False  # os.open, and methods of other things
        binary = any("b" in mode for mode in modes)
        default_binary = name.endswith("TemporaryFile") and not modes
        return not (binary or default_binary or "encoding" in words)
    if name in ("run", "Popen", "check_output"):
        return bool(words & {"text", "universal_newlines"}) and "encoding" not in words
    return False


def test_every_text_names_its_encoding() -> None:
    """Windows would take the code page of the country."""
    wrong = [
        f"{file.relative_to(ROOT)}:{call.lineno} {name}"
        for file in SOURCES
        for call, name in calls(ast.parse(file.read_text(encoding="utf-8")))
        if names_no_encoding(call, name) and not ours(file, call)
    ]
    assert not wrong, "\n".join(wrong)


def ours(file: Path, call: ast.Call) -> bool:
    """Our own functions of such names."""
    source = ast.unparse(call.func)
    return source in ("_open", "show.show_open") or f"def {source}(" in file.read_text(
        encoding="utf-8"
    )


@pytest.mark.parametrize(
    "line",
    ["open('x')", "open('x', 'w')", "Path('x').open()", "Path('x').read_text()",
     "tempfile.NamedTemporaryFile('w')", "subprocess.run(x, text=True)"],
)  # fmt: skip
def test_the_check_of_encodings_can_fail(line: str) -> None:
    ((call, name),) = [(c, n) for c, n in calls(ast.parse(line)) if n != "Path"]
    assert names_no_encoding(call, name)


POSIX_ONLY = {"fcntl", "termios", "tty", "pty", "resource", "pwd", "grp", "curses", "readline"}


def test_what_windows_lacks_is_asked_for_carefully() -> None:
    """Modules of POSIX are imported where their absence is caught, or behind their platform."""
    wrong = []
    for file in SOURCES:
        tree = ast.parse(file.read_text(encoding="utf-8"))
        guarded = {
            id(inner)
            for node in ast.walk(tree)
            if (
                isinstance(node, ast.Try)
                and any("ImportError" in ast.unparse(h.type) for h in node.handlers if h.type)
            )
            or (isinstance(node, ast.If) and "sys.platform" in ast.unparse(node.test))
            for inner in ast.walk(node)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Import | ast.ImportFrom) and id(node) not in guarded:
                names = [getattr(node, "module", None), *(alias.name for alias in node.names)]
                if POSIX_ONLY & set(names):
                    wrong.append(f"{file.relative_to(ROOT)}:{node.lineno}")
    assert not wrong, "\n".join(wrong)


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two saved fits, with every sign that tables and identities of errors use."""
    folder = tmp_path_factory.mktemp("saved")
    woofer = made_fits.Physical()
    save_fit(made_fits.fit_of(woofer), folder / "Lärche.json", unit="Lärche")
    save_fit(made_fits.fit_of(woofer.but(Cms=1.2)), folder / "µ.json", unit="Lärche")
    return folder


def compared(folder: Path, encoding: str, *words: str) -> bytes:
    """What comes out of a pipe where the system's code page is another."""
    done = subprocess.run(
        [sys.executable, "-m", "cli.main", "compare", "Lärche.json", "µ.json", *words],
        cwd=folder, capture_output=True, check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": encoding},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert b"Traceback" not in done.stderr
    return done.stdout


@pytest.mark.parametrize("encoding", ["cp1252", "cp437"])
def test_json_is_utf8_whatever_the_code_page(encoding: str, saved: Path) -> None:
    """RFC 8259, 8.1; `freeair fit --json > fit.json` on Windows gives a file that reads back."""
    document = json.loads(compared(saved, encoding, "--json").decode("utf-8"))
    assert (document["before"], document["after"]) == ("Lärche", "µ")


@pytest.mark.parametrize("encoding", ["cp437", "cp1252", "cp932", "ascii"])
def test_results_print_on_old_consoles(encoding: str, saved: Path) -> None:
    """Code pages of Windows consoles: what they lack is spelt out, nothing fails."""
    said = compared(saved, encoding).decode(encoding)
    assert "degC" in said or "deg C" in said or "°C" in said
    assert said.startswith("\nLärche" if encoding in ("cp437", "cp1252") else "\nLarche")
    assert "?" not in said


# Sound.


def device(host: str, name: str, index: int) -> Device:
    return Device(name, host, 2, 2, 48000.0, note_for(host, name), index)


LONG = "Line In (Workbench Interface 24/96 No. 2)"
WINDOWS = [
    device("MME", LONG[:31], 0),
    device("Windows DirectSound", LONG, 1),
    device("Windows WASAPI", LONG, 2),
    device("Windows WDM-KS", LONG, 3),
]


def test_the_way_that_cuts_names_and_bits_comes_last() -> None:
    """MME is what PortAudio takes on Windows when nobody says otherwise."""
    assert [one.host for one in ranked(WINDOWS)] == [
        "Windows WDM-KS", "Windows WASAPI", "Windows DirectSound", "MME"
    ]  # fmt: skip
    assert "31 characters" in WINDOWS[0].note


def test_a_card_of_windows_is_found_by_its_interface() -> None:
    assert find_device(WINDOWS, f"Windows WASAPI: {LONG}", 2, 2).index == 2
    assert find_device(WINDOWS, "wasapi workbench", 2, 2).index == 2
    assert find_device(WINDOWS, f"MME: {LONG[:31]}", 2, 2).index == 0
    with pytest.raises(BenchFailure, match="fits 3 devices") as refused:
        find_device(WINDOWS, LONG, 2, 2)
    assert "Windows WASAPI" in str(refused.value)


def test_two_cards_that_mme_cannot_tell_apart_are_not_guessed() -> None:
    cut = [device("MME", LONG[:31], 0), device("MME", LONG[:31], 1)]
    with pytest.raises(BenchFailure, match="cannot be told apart"):
        find_device(cut, f"MME: {LONG[:31]}", 2, 2)


def test_silence_without_noise_names_the_permission() -> None:
    """macOS and Windows hand zeros to a program that may not use the microphone."""
    nothing = np.zeros((48000, 2), np.float32)
    (found,) = of_record.silent(nothing, find_passes(nothing, 48000))
    assert found.code == "silent-input"
    assert found.refuses
    assert "macOS" in found.text
    assert "Windows" in found.text
    noise = 1e-6 * np.random.default_rng(1).standard_normal((48000, 2)).astype(np.float32)
    cable = of_record.silent(noise, find_passes(noise, 48000))
    assert len(cable) == 2
    assert all("cable" in one.text and "macOS" not in one.text for one in cable)

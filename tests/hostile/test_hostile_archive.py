"""An archive from somebody else: links, pipes, devices, damaged state, names that are commands.

Every attack is met with a sentence; what is sound in the archive is fitted all the same.
"""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
import zlib
from pathlib import Path

import driver_bench
import pytest
from made_archive import unit_of, write_table, write_take
from program import ROOT, kept
from watched import watched

DRIVER = driver_bench.MIDRANGE
pytestmark = pytest.mark.skipif(os.name != "posix", reason="links, pipes and limits of POSIX")


class Refit:
    """What a refit of a hostile archive did, within a gigabyte and 20 seconds beside its fits."""

    def __init__(self, folder: Path, *words: str) -> None:
        code = (
            "import resource, sys; resource.setrlimit(resource.RLIMIT_AS, (3 << 30, 3 << 30));"
            "from cli.main import main; raise SystemExit(main())"
        )
        command = [sys.executable, "-c", code, "refit", str(folder), "--workers", "1", *words]
        done = subprocess.run(
            command, env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "200"},
            stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        self.status, self.stdout, self.stderr = done.returncode, done.stdout, done.stderr
        self.told = " ".join((done.stdout + done.stderr).split())
        assert "mistake in freeair" not in self.told, self.told
        assert "Traceback" not in self.told, self.told


def sound(folder: Path) -> None:
    write_table(folder / "spark-1.csv", DRIVER)


def fitted(folder: Path) -> int:
    with (folder / "refitted" / "results.csv").open(newline="", encoding="utf-8") as file:
        return sum(not row["not_fitted_because"] for row in csv.DictReader(file))


def test_links_and_pipes(tmp_path):
    folder, outside = tmp_path / "archive", tmp_path / "outside"
    sound(folder)
    write_table(outside / "secret.csv", DRIVER, 1)
    (folder / "self.csv").symlink_to("self.csv")
    (folder / "self").symlink_to("self")
    (folder / "nowhere.csv").symlink_to("gone")
    (folder / "zero.csv").symlink_to("/dev/zero")
    (folder / "away.csv").symlink_to(outside / "secret.csv")
    (folder / "away").symlink_to(outside)
    (folder / "round").symlink_to(folder)
    (folder / "hidden").mkdir()
    os.mkfifo(folder / "pipe.csv")
    for name in ("take.json", "impedance.csv", "capture.wav"):
        take = write_take(folder, f"spark-{name}", DRIVER, 2)
        (take / name).unlink()
        os.mkfifo(take / name)
    done = Refit(folder)
    assert done.status == 1
    assert fitted(folder) == 1
    assert "secret" not in (folder / "refitted" / "results.csv").read_text()
    with (folder / "refitted" / "left-out.csv").open(newline="") as file:
        told = {row["source"]: row["reason"] for row in csv.DictReader(file)}
    assert told["self.csv"] == told["nowhere.csv"] == "is a link that leads nowhere"
    assert told["away"] == told["away.csv"] == told["zero.csv"] == "is a link out of the archive"
    assert "pipe" in told["pipe.csv"]
    assert len([reason for reason in told.values() if "pipe" in reason]) == 4
    assert "round" not in told and "self" not in told


def test_a_link_within_the_archive_is_followed(tmp_path):
    """As programs that keep large files apart lay them out."""
    (tmp_path / ".store").mkdir()
    write_table(tmp_path / ".store" / "x.csv", DRIVER)
    (tmp_path / "spark-1.csv").symlink_to(Path(".store") / "x.csv")
    assert Refit(tmp_path).status == 0
    assert fitted(tmp_path) == 1


@pytest.mark.parametrize("name", ["refitted", "ledger"])
def test_results_stay_in_the_archive(name, tmp_path):
    folder, outside = tmp_path / "archive", tmp_path / "outside"
    sound(folder)
    outside.mkdir()
    link = folder / "refitted"
    if name == "ledger":
        assert Refit(folder).status == 0
        for file in (folder / "refitted" / "ledger").iterdir():
            file.unlink()
        link = folder / "refitted" / "ledger"
        link.rmdir()
    link.symlink_to(outside)
    done = Refit(folder)
    assert done.status == 2
    assert "is a link" in done.told and "--out DIR" in done.told
    assert not list(outside.iterdir())


NAMES = [
    '=HYPERLINK("http://x","y")', "@SUM(1)", "-2+3+cmd|' /C calc'!A0", "+1", "\t=1", "a\r\n=1",
    "\x1b[31mred", "\x1b]0;title\x07", "\x9b2J", "a,=1+1", 'b;"=1', "\u202edrow", "\uff1d1",
]  # fmt: skip


def test_no_cell_is_a_formula_and_none_steers_a_terminal(tmp_path):
    """In both tables; JSON keeps every name as it is."""
    for number, name in enumerate(NAMES):
        write_take(tmp_path, name, unit_of(DRIVER, number), number, label=name, points=20)
        bad = "".join(letter for letter in name if letter not in "/\0") + ".csv"
        (tmp_path / bad).write_text("when,what\n1,2\n")
    done = Refit(tmp_path, "--json")
    *lines, last = [json.loads(line) for line in done.stdout.splitlines()]
    assert {line["unit"] for line in lines} >= set(NAMES)
    assert len(last["left_out"]) >= len(NAMES)
    for table in ("results", "left-out"):
        text = (tmp_path / "refitted" / f"{table}.csv").read_bytes().decode()
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e]", text)
        rows = list(csv.reader(text.splitlines(keepends=True)))
        assert len(rows) > len(NAMES)
        for delimiter in ",;\t":
            for row in csv.reader(text.splitlines(), delimiter=delimiter):
                for cell in row:
                    bare = cell.lstrip("\"' \t") if cell.lstrip()[:1] == '"' else cell.lstrip()
                    number = re.fullmatch(r"-?[0-9.e+-]+(,.*)?", bare)
                    assert number or bare[:1] not in tuple("=+-@＝＋－＠"), (delimiter, cell)
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202e]", done.stderr)


def _line(head: object, row: object = None, body: object = None) -> bytes:
    pieces = (
        json.dumps(piece if piece is not None else {}).encode() for piece in (head, row, body)
    )
    content = b"\t".join(pieces)
    return b"%08x\t%s\n" % (zlib.crc32(content), content)


def wrong_lines(head: dict, row: dict, body: dict) -> list[bytes]:
    """Lines whose checksum is right and whose content is not."""
    lines = [_line(wrong, row, body) for wrong in ([], 1, {}, {"kind": "result"}, {"kind": 3})]
    for key in head:
        lines += [_line({**head, key: wrong}, row, body) for wrong in (None, 1, [1], {"a": []})
                  if type(wrong) is not type(head[key])]  # fmt: skip
    for key in ("unit", "first", "takes", "left_out", "parameters"):
        lines += [_line(head, {**row, key: wrong}, body) for wrong in (None, 1.5, [1], "x")
                  if not (key == "unit" and wrong == "x")]  # fmt: skip
    for wrong in ([], [1], [5, "ohm", 1, 1, 1], ["5", "ohm", 1, 1, 1, 1], [5, "ell", 1, 1, 1, 1]):
        lines.append(_line(head, {**row, "parameters": {"fs": wrong}}, body))
    lines.append(_line(head, {**row, "parameters": {"=fs": [5, "Hz", 1, 1, 1, 1]}}, body))
    lines.append(_line(head, "text", "text"))
    lines.append(_line({"kind": "completed", "time": 3, "keys": "all"}))
    lines.append(_line({"kind": "completed", "time": "9999", "keys": [{}]}))
    lines.append(_line({"kind": "wrote", "digest": []}))
    deep = b"[" * 100_000
    lines.append(b"%08x\t%s\n" % (zlib.crc32(deep + b"\t{}\t{}"), deep + b"\t{}\t{}"))
    return lines


def test_lines_with_a_right_checksum_and_wrong_content(tmp_path):
    sound(tmp_path)
    write_table(tmp_path / "spark-2.csv", unit_of(DRIVER, 2), 2)
    first = Refit(tmp_path, "--json")
    assert first.status == 0
    (segment,) = (tmp_path / "refitted" / "ledger").glob("*.lines")
    lines = [line for line in segment.read_bytes().splitlines() if b'"kind": "result"' in line]
    pieces = [json.loads(piece) for piece in lines[0].split(b"\t")[1:]]
    wrong = wrong_lines(*pieces)
    (segment.parent / "20990101T000000-00000000.lines").write_bytes(
        b"freeair-refit-ledger/1\n" + b"".join(wrong)
    )
    again = Refit(tmp_path, "--json")
    assert again.status == 0
    assert again.stdout == first.stdout
    assert f"passed over: {len(wrong)}" in again.told
    # A body that is no object is found where it is needed, and made again.
    for body in ("text", 3, []):
        with segment.open("ab") as file:
            file.write(_line(pieces[0], pieces[1], body))
    assert Refit(tmp_path, "--json").stdout == first.stdout


@pytest.mark.parametrize("kind", ["pipe", "zero", "folder", "binary", "long line"])
def test_segments_that_are_none(kind, tmp_path):
    sound(tmp_path)
    assert Refit(tmp_path).status == 0
    segment = tmp_path / "refitted" / "ledger" / "x.lines"
    if kind == "pipe":
        os.mkfifo(segment)
    elif kind == "zero":
        segment.symlink_to("/dev/zero")
    elif kind == "folder":
        segment.mkdir()
    elif kind == "binary":
        segment.write_bytes(bytes(range(256)) * 100)
    else:
        with segment.open("wb") as file:
            file.write(b"freeair-refit-ledger/1\n")
            file.truncate(2_000_000_000)  # sparse
    done = Refit(tmp_path)
    assert done.status == 0
    assert "0 to make" in done.told or "made before" in done.told
    assert "passed over: 1" in done.told


@pytest.mark.parametrize("kind", ["pipe", "zero", "deep", "list", "newer", "binary"])
def test_a_mark_that_is_none(kind, tmp_path):
    """In the folder of results: a sentence. Elsewhere: a folder as any other."""
    sound(tmp_path)
    assert Refit(tmp_path).status == 0
    (tmp_path / "sub").mkdir()
    write_table(tmp_path / "sub" / "spark-9.csv", unit_of(DRIVER, 9), 9)
    for mark in (tmp_path / "refitted" / "refit.json", tmp_path / "sub" / "refit.json"):
        mark.unlink(missing_ok=True)
        if kind == "pipe":
            os.mkfifo(mark)
        elif kind == "zero":
            mark.symlink_to("/dev/zero")
        else:
            mark.write_bytes({
                "deep": b"[" * 9_000, "list": b"[]", "binary": b"\xff\x00",
                "newer": b'{"format": "freeair-refit-folder/2"}',
            }[kind])  # fmt: skip
    done = Refit(tmp_path)
    assert done.status == 2
    assert "--out DIR" in done.told
    done = Refit(tmp_path, "--out", str(tmp_path / "new"))
    # The mark of a newer refit is one; else both folders are looked through as any other.
    assert ("1 fitted" if kind == "newer" else "2 fitted") in done.told


def test_names_beyond_what_a_system_takes(tmp_path):
    folder = tmp_path / "archive"
    sound(folder)
    long = "x" * 300
    (folder / "long.csv").write_text(
        f"# unit: {long}\n# label: {long}\n" + (folder / "spark-1.csv").read_text()
    )
    done = Refit(folder)
    assert done.status == 0
    assert fitted(folder) == 2
    for words in ([str(folder / long)], [str(folder), "--out", str(folder / long)]):
        done = Refit(Path(words[0]), *words[1:])
        assert done.status == 2
        assert "too long" in done.told


def test_a_clock_of_2099_is_not_for_ever_the_last(tmp_path):
    """What is compared with is the refit that ended last, whatever its clock said."""
    sound(tmp_path)
    assert Refit(tmp_path).status == 0
    (segment,) = (tmp_path / "refitted" / "ledger").glob("*.lines")
    out = [b"freeair-refit-ledger/1\n"]
    for line in segment.read_bytes().splitlines()[1:]:
        head, row, body = (json.loads(piece) for piece in line.split(b"\t")[1:])
        if "time" in head:
            head["time"] = "2099" + head["time"][4:]
        out.append(_line(head, row, body))
    segment.rename(segment.with_name("20990101T000000-00000000.lines"))
    segment.with_name("20990101T000000-00000000.lines").write_bytes(b"".join(out))
    write_table(tmp_path / "spark-2.csv", unit_of(DRIVER, 2), 2)
    assert Refit(tmp_path).status == 0
    write_table(tmp_path / "spark-3.csv", unit_of(DRIVER, 3), 3)
    assert Refit(tmp_path).status == 0
    page = (tmp_path / "refitted" / "summary.html").read_text()
    since = page[page.index("Since the refit of") :][:400]
    assert "2099" not in since
    assert "1 fit were" in since or "1 fit" in since


def test_many_short_lines_take_no_memory(tmp_path):
    """90 MB of a comment a line; peak memory of the command."""
    sound(tmp_path)
    (tmp_path / "short.csv").write_bytes(b"1\n" * 45_000_000)
    (tmp_path / "blank.csv").write_bytes(b"# a\n" + b"\n" * 45_000_000)
    done = watched("refit", tmp_path, "--workers", "1")
    assert done.status == 1, done.told
    assert done.bytes < 1e9
    assert kept(tmp_path / "refitted") >= 1


@pytest.mark.parametrize(
    "how", ["stdout closed", "stderr closed", "both closed", "stdout full", "stdout full, JSON"]
)
def test_streams_that_take_nothing(how, tmp_path):
    """The work is done and kept; status 0 only where all was said."""
    if how == "stdout full" and not Path("/dev/full").exists():
        pytest.skip("no /dev/full")
    sound(tmp_path)
    as_json = "--json" if "JSON" in how else ""
    how = how.split(",")[0]
    redirect = {"stdout closed": ">&-", "stderr closed": "2>&-", "both closed": ">&- 2>&-",
                "stdout full": ">/dev/full"}[how]  # fmt: skip
    words = f'"{sys.executable}" -m cli.main refit "{tmp_path}" --workers 2 {as_json} {redirect}'
    done = subprocess.run(
        ["bash", "-c", words], cwd=ROOT, stdin=subprocess.DEVNULL, capture_output=True, text=True,
        timeout=60, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    assert "mistake" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert kept(tmp_path / "refitted") == 1
    assert (tmp_path / "refitted" / "summary.html").is_file()
    assert done.returncode == (2 if how == "stdout full" else 0), done.stderr

"""Files appear whole or not at all, and nothing is overwritten unasked."""

import errno
import os
from pathlib import Path

import pytest

from meas.errors import UsageError
from meas.files import writing


def test_writes_and_refuses_to_overwrite(tmp_path):
    path = tmp_path / "a.txt"
    writing.write_text(path, "one")
    with pytest.raises(UsageError, match="not overwritten"):
        writing.write_text(path, "two")
    assert path.read_text() == "one"
    writing.write_text(path, "two", overwrite=True)
    assert path.read_text() == "two"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_overwriting_keeps_the_permissions(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("one")
    path.chmod(0o640)
    writing.write_text(path, "two", overwrite=True)
    assert path.stat().st_mode & 0o777 == 0o640


def test_never_overwrites_what_appears_meanwhile(tmp_path, monkeypatch):
    path = tmp_path / "a.txt"
    monkeypatch.setattr(writing, "refuse_existing", lambda path, **_: None)
    path.write_text("theirs")
    with pytest.raises(UsageError, match="in the way"):
        writing.write_text(path, "ours")
    assert path.read_text() == "theirs"


def test_a_file_system_without_hard_links(tmp_path, monkeypatch):
    def link(*_):
        raise PermissionError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", link)
    writing.write_text(tmp_path / "a.txt", "one")
    assert (tmp_path / "a.txt").read_text() == "one"
    with pytest.raises(UsageError, match="not overwritten"):
        writing.write_text(tmp_path / "a.txt", "two")


def test_full_disk_leaves_nothing(tmp_path, monkeypatch):
    def fsync(_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(UsageError, match="disk is full"):
        writing.write_text(tmp_path / "a.txt", "one")
    with pytest.raises(UsageError, match="disk is full"):
        writing.write_folder(tmp_path, "f", lambda folder: _put(folder / "x"))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("missing/a.txt", "does not exist"),
        ("file/a.txt", "not a folder"),
        ("folder", "is a folder"),
        ("x" * 300, "too long"),
        ("a\0b", "null"),
    ],
)
def test_places_that_cannot_be_written(tmp_path, name, said):
    (tmp_path / "file").write_text("")
    (tmp_path / "folder").mkdir()
    with pytest.raises(UsageError, match=said) as caught:
        writing.write_text(tmp_path / name, "one")
    assert caught.value.where.startswith(str(tmp_path))
    assert caught.value.remedy


def test_folder_names_are_counted_up(tmp_path):
    (tmp_path / "f-2").write_text("a file in the way")
    made = [
        writing.write_folder(tmp_path / "new" / "..", "f", lambda f: _put(f / "x"))
        for _ in range(2)
    ]
    assert [path.name for path in made] == ["f", "f-3"]
    assert all((path / "x").read_text() == "x" for path in made)


def test_an_interrupted_folder_is_absent(tmp_path):
    def interrupted(folder: Path) -> None:
        _put(folder / "x")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        writing.write_folder(tmp_path, "f", interrupted)
    assert list(tmp_path.iterdir()) == []


def test_folder_is_checked_before_measuring(tmp_path):
    writing.check_folder(tmp_path / "a" / "b")
    assert list((tmp_path / "a" / "b").iterdir()) == []
    (tmp_path / "file").write_text("")
    with pytest.raises(UsageError, match="choose another place"):
        writing.check_folder(tmp_path / "file")
    with pytest.raises(UsageError, match="null"):
        writing.check_folder(tmp_path / "a\0b")
    with pytest.raises(UsageError, match="make room"):
        writing.check_folder(tmp_path, bytes_needed=10**18)


def test_read_only_folder(tmp_path, monkeypatch):
    """Root may write anywhere, so the operating system's answer is played."""

    def mkdir(self, *_, **options):
        if not options.get("exist_ok"):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    monkeypatch.setattr(Path, "mkdir", mkdir)
    with pytest.raises(UsageError, match="read-only"):
        writing.write_folder(tmp_path, "f", lambda _: None)


def _put(path: Path) -> None:
    path.write_text("x")

"""Files and folders that appear whole or not at all, and never replace anything unasked.

Everything is written under a hidden name beside its goal, flushed to the medium, then renamed:
renaming within one folder is atomic (POSIX.1-2017, rename()), so that a crash, a full disk or a
pulled plug leaves either nothing or all of it under the real name. What a killed program left
under a hidden name is removed by the next one that writes there.
"""

from __future__ import annotations

import errno
import os
import shutil
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import BinaryIO, TypeVar

from meas.errors import UsageError
from meas.files.lock import held, hold
from meas.files.unfinished import clear, new_name
from meas.files.windows_names import refused_by_windows

T = TypeVar("T")

_WINDOWS = os.name == "nt"
_HELD_BY_OTHERS = (5, 32)  # ERROR_ACCESS_DENIED, ERROR_SHARING_VIOLATION of Windows
_WAITS_S = (0.05, 0.1, 0.2, 0.4, 0.8)

_REMEDIES = {
    errno.ENOSPC: "The disk is full: make room, or choose another place.",
    errno.EDQUOT: "The disk quota is used up: make room, or choose another place.",
    errno.EACCES: "You may not write there: choose another place.",
    errno.EPERM: "You may not write there: choose another place.",
    errno.EROFS: "That file system is read-only: choose another place.",
    errno.ENOTDIR: "Part of that path is a file, not a folder: choose another place.",
    errno.EEXIST: "A file of that name is in the way: choose another place.",
    errno.EISDIR: "That is a folder: give the name of a file.",
    errno.ENOENT: "The folder does not exist: make it, or choose another place.",
    errno.ENAMETOOLONG: "The name is too long: choose a shorter one.",
}


def write_text(path: Path, text: str, *, overwrite: bool = False) -> None:
    """Write a text file (UTF-8) whole or not at all.

    Raises:
        UsageError: If it exists and may not be overwritten, or cannot be written.
    """
    write_bytes(path, text.encode("utf-8", "replace"), overwrite=overwrite)


def write_bytes(path: Path, content: bytes, *, overwrite: bool = False) -> None:
    """Write a file whole or not at all.

    Raises:
        UsageError: If it exists and may not be overwritten, or cannot be written.
    """
    write_with(path, lambda file: file.write(content), overwrite=overwrite)


def write_with(path: Path, fill: Callable[[BinaryIO], object], *, overwrite: bool = False) -> None:
    """Write a file whole or not at all that is too long to be held in memory.

    Args:
        fill: Writes the content, piece by piece, into the binary file that it is given.

    Raises:
        UsageError: If it exists and may not be overwritten, or cannot be written.
    """
    refuse_existing(path, overwrite=overwrite)
    clear(path.parent)
    beside = path.with_name(new_name())
    try:
        with beside.open("xb") as file:
            hold(file.fileno())
            fill(file)
            file.flush()
            _flush(file.fileno())
        if overwrite:
            with suppress(FileNotFoundError):
                shutil.copymode(path, beside)
            _patiently(partial(beside.replace, path))
        else:
            _rename_new(beside, path)
    except (OSError, ValueError) as error:
        raise unwritable(path, error) from error
    finally:
        with suppress(OSError, ValueError):
            beside.unlink(missing_ok=True)
    _flush_folder(path.parent)


def refuse_existing(path: Path, *, overwrite: bool = False) -> None:
    """Raise `UsageError` if something is there that may not be overwritten, or nothing can be."""
    _refuse_impossible(path)
    try:
        taken = path.is_dir() or (not overwrite and (path.exists() or path.is_symlink()))
    except (OSError, ValueError) as error:
        raise unwritable(path, error) from error
    if taken:
        what = "exists already and is not overwritten"
        remedy = "Give another name, or move the old one away."
        if path.is_dir():
            what, remedy = "is a folder", "Name a file in it."
        raise UsageError(what, where=str(path), remedy=remedy)


def write_folder(parent: Path, name: str, fill: Callable[[Path], None]) -> Path:
    """Make ``parent/name`` whole or not at all; a number is added when the name is taken.

    Args:
        fill: Writes the files into the hidden folder that it is given.

    Returns:
        The folder made.

    Raises:
        UsageError: If the folder cannot be made or filled. Nothing is left behind then.
    """
    _refuse_impossible(parent / name)
    clear(parent)
    hidden = parent / new_name()
    _make_folder(hidden)
    try:
        with held(hidden):
            fill(hidden)
            for file in hidden.iterdir():
                with file.open("rb+") as opened:
                    _flush(opened.fileno())
            _flush_folder(hidden)
        made = _rename_folder(hidden, parent, name)
    except OSError as error:
        raise unwritable(parent, error) from error
    finally:
        shutil.rmtree(hidden, ignore_errors=True)
    _flush_folder(parent)
    return made


def check_folder(parent: Path, bytes_needed: int = 0) -> None:
    """Find out before the measurement whether its result can be stored.

    Raises:
        UsageError: If a folder cannot be made in ``parent``, or the disk has too little room.
    """
    hidden = parent / new_name()
    _make_folder(hidden)
    try:
        hidden.rmdir()
        free = shutil.disk_usage(parent).free
    except OSError as error:
        raise unwritable(parent, error) from error
    if free < bytes_needed:
        raise UsageError(
            f"{bytes_needed / 1e6:.0f} MB are needed and {free / 1e6:.0f} MB are free",
            where=str(parent),
            remedy=_REMEDIES[errno.ENOSPC],
        )


def unwritable(path: Path, error: OSError | ValueError) -> UsageError:
    """The error of the operating system in terms of the user's."""
    number = error.errno if isinstance(error, OSError) else None
    remedy = _REMEDIES.get(number or 0, "Choose another place.")
    if getattr(error, "winerror", None) in _HELD_BY_OTHERS:
        remedy = (
            "Another program may have it open (a spreadsheet, a viewer, a virus scanner): close "
            "that, or choose another place."
        )
    reason = (error.strerror if isinstance(error, OSError) else None) or str(error) or "unknown"
    return UsageError(f"cannot be written ({reason})", where=str(path), remedy=remedy)


def _make_folder(hidden: Path) -> None:
    parent = hidden.parent
    try:
        parent.mkdir(parents=True, exist_ok=True)
        hidden.mkdir()
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        raise unwritable(parent, error) from error


def _rename_folder(hidden: Path, parent: Path, name: str) -> Path:
    for count in range(1, 1000):
        goal = parent / (name if count == 1 else f"{name}-{count}")
        if goal.exists() or goal.is_symlink():
            continue
        try:
            return _patiently(partial(hidden.rename, goal))
        except OSError as error:  # somebody took the name since
            if error.errno not in (errno.EEXIST, errno.ENOTEMPTY, errno.ENOTDIR):
                raise
    raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))


def _rename_new(beside: Path, path: Path) -> None:
    """Rename unless the goal exists; by a hard link, since POSIX rename would replace it."""
    try:
        os.link(beside, path)
    except FileExistsError:
        raise
    except OSError:  # file systems without hard links, such as FAT on a memory stick
        refuse_existing(path)
        _patiently(partial(beside.rename, path))


def _refuse_impossible(path: Path) -> None:
    if _WINDOWS and (why := refused_by_windows(path.absolute())):
        raise UsageError(
            f"cannot be written: {why}", where=str(path), remedy="Choose another name."
        )


def _patiently(rename: Callable[[], T]) -> T:
    """Rename, on Windows again and again while a scanner or an indexer holds the new file open."""
    for seconds in _WAITS_S:
        try:
            return rename()
        except PermissionError as error:
            if getattr(error, "winerror", None) not in _HELD_BY_OTHERS:
                raise
        time.sleep(seconds)
    return rename()


def _flush(descriptor: int) -> None:
    """Write to the medium; macOS leaves it in the drive's own memory unless told (fsync(2))."""
    os.fsync(descriptor)
    if sys.platform == "darwin":
        import fcntl

        with suppress(OSError):  # network drives cannot
            fcntl.fcntl(descriptor, fcntl.F_FULLFSYNC)


def _flush_folder(folder: Path) -> None:
    """Make a rename survive a power cut; some systems cannot open folders, and need not."""
    with suppress(OSError):
        opened = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)

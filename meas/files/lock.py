"""Read, change, write without another program in between."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from hashlib import sha256
from pathlib import Path

from meas.errors import UsageError

_LONGEST_WAIT_S = 20.0  # what is done under the lock takes milliseconds
_STEP_S = 0.02


@contextmanager
def one_writer(path: Path) -> Iterator[None]:
    """Keep other programs of ours out of a file's folder until its new content is written.

    An advisory lock on the folder itself (flock), since the file is replaced by renaming: it leaves
    nothing beside the user's files, counts for every user and on network drives that know locks,
    and ends with the program. Windows opens no folders: there filelock (which needs a file, and
    half as long as our start to import) locks one among the temporary files, for this user. Where
    nothing can be locked, whoever writes must compare with what was read before.

    Raises:
        UsageError: If another program does not let go.
    """
    folder = path.resolve().parent
    with ExitStack() as stack:
        _lock(folder, path, stack)
        yield


def _lock(folder: Path, path: Path, stack: ExitStack) -> None:
    try:
        import fcntl
    except ImportError:
        return _lock_beside(folder, path, stack)
    try:
        opened = os.open(folder, os.O_RDONLY)
    except OSError:
        return None  # a missing one is complained about by the writer
    stack.callback(os.close, opened)  # and with it goes the lock
    end = time.monotonic() + _LONGEST_WAIT_S
    while True:
        try:
            fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > end:
                raise _busy(path) from None
            time.sleep(_STEP_S)
        except OSError:
            return None  # a drive without locks
        else:
            return None


def _lock_beside(folder: Path, path: Path, stack: ExitStack) -> None:
    """Lock a file that stands for the folder, among the temporary files."""
    from filelock import FileLock, Timeout

    name = sha256(str(folder).casefold().encode("utf-8", "replace")).hexdigest()[:32]
    try:
        file = Path(tempfile.gettempdir(), f"freeair-{name}.lock")
        stack.enter_context(FileLock(file, timeout=_LONGEST_WAIT_S, poll_interval=_STEP_S))
    except Timeout:
        raise _busy(path) from None
    except (OSError, NotImplementedError):
        return  # nowhere to put it, or no locks there


def _busy(path: Path) -> UsageError:
    return UsageError(
        "another freeair keeps writing into this folder",
        where=str(path),
        remedy="Wait for it to end, or end it, and run this again.",
    )


def hold(opened: int) -> None:
    """Lock a file or folder for as long as it is open: until the process ends at the latest."""
    try:
        import fcntl

        fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (ImportError, OSError):
        return  # no such locks here


@contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold a folder, where folders can be opened."""
    with ExitStack() as stack:
        with suppress(OSError):
            opened = os.open(folder, os.O_RDONLY)
            stack.callback(os.close, opened)
            hold(opened)
        yield


def is_held(path: Path) -> bool | None:
    """Tell whether another process holds a file or folder; None where nobody can tell."""
    try:
        import fcntl

        opened = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except (ImportError, OSError):
        return None
    try:
        fcntl.flock(opened, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(opened)
    return False

"""Read, change, write without another program in between."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from meas.errors import UsageError

_LONGEST_WAIT_S = 20.0  # what is done under the lock takes milliseconds
_STEP_S = 0.02


@contextmanager
def one_writer(path: Path) -> Iterator[None]:
    """Keep other programs of ours out of a file's folder until its new content is written.

    An advisory lock on the folder (flock), since the file itself is replaced by renaming; the
    system lets go of it when a program dies. Where there is no such lock (Windows, some network
    drives) nothing is kept out, and whoever writes must compare with what was read before.

    Args:
        path: The file.

    Raises:
        UsageError: If another program does not let go.
    """
    with ExitStack() as stack:
        try:
            folder = os.open(path.resolve().parent, os.O_RDONLY)
        except OSError:
            pass  # Windows opens no folders; a missing one is complained about by the writer
        else:
            stack.callback(os.close, folder)  # and with it goes the lock
            _lock(folder, path)
        yield


def _lock(folder: int, path: Path) -> None:
    try:
        import fcntl
    except ImportError:
        return
    end = time.monotonic() + _LONGEST_WAIT_S
    while True:
        try:
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > end:
                raise UsageError(
                    "another freeair keeps writing into this folder",
                    where=str(path),
                    remedy="Wait for it to end, or end it, and run this again.",
                ) from None
            time.sleep(_STEP_S)
        except OSError:
            return  # a drive without locks
        else:
            return


def hold(opened: int) -> None:
    """Lock a file for as long as it is open, which ends with the process at the latest."""
    try:
        import fcntl

        fcntl.flock(opened, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (ImportError, OSError):
        return  # no such locks here


def is_held(path: Path) -> bool:
    """Whether another process holds a file; False where there are no locks."""
    try:
        import fcntl

        opened = os.open(path, os.O_RDONLY)
    except (ImportError, OSError):
        return False
    try:
        fcntl.flock(opened, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(opened)
    return False

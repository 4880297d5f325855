"""Show a page that was made in the browser of the desktop, where there is one."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from cli.terminal import show


def has_desktop() -> bool:
    """Tell whether this machine has a desktop here: not by ssh, not at a bare console."""
    if os.environ.get("SSH_CONNECTION") or os.environ.get("SSH_TTY"):
        return False
    if sys.platform in ("win32", "darwin"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def open_page(path: Path) -> None:
    """Show a page in the browser, or say that it waits to be opened."""
    import webbrowser

    if has_desktop() and webbrowser.open(path.resolve().as_uri()):
        show.note("The page is in your browser.", "dim")
    else:
        show.note(f"No desktop here to show it on: open {path} in a browser yourself.", "dim")

"""Names that Windows refuses for a file, or takes for something else than a file.

Source: Microsoft Learn, Windows App Development, "Naming Files, Paths, and Namespaces" (from
memory): reserved characters and device names, names that end in a blank or a point, and the limit
of 260 characters for a whole path.
"""

from __future__ import annotations

from pathlib import PurePath

_CHARACTERS = '<>:"/\\|?*'
_DEVICES = {
    *("CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"),
    *(f"{port}{number}" for port in ("COM", "LPT") for number in "0123456789¹²³"),
}
_LONGEST_PATH = 259  # and a zero


def refused_by_windows(path: PurePath) -> str:
    """Say why no file can have this path on Windows; empty where it can.

    A colon is the worst of them: ``lantern:1.json`` would be written, without an error, into a
    hidden stream of a file ``lantern``.
    """
    for part in path.parts[1:] if path.anchor else path.parts:
        if part in (".", ".."):
            continue
        bad = next((letter for letter in part if letter in _CHARACTERS or letter < " "), None)
        if bad is not None:
            return f"'{part}' has a {bad!r}, which names of files cannot have on Windows"
        if part[-1] in " .":
            return f"'{part}' ends in a blank or a point, which Windows drops"
        if part.split(".")[0].rstrip(" ").upper() in _DEVICES:
            return f"'{part}' is the name of a device on Windows"
    if len(str(path)) > _LONGEST_PATH:
        return f"the path has {len(str(path))} characters, and Windows takes {_LONGEST_PATH}"
    return ""

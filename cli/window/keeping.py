"""Files that a window brings into the folder: dropped ones, targets and networks set by hand.

Files are kept whole, and looked at as their command would.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cli.window import folder, what_if
from cli.window.desk import in_words
from meas.errors import FreeairError, UsageError
from meas.files.writing import write_text, write_with
from meas.tables.any_file import SUFFIXES

if TYPE_CHECKING:
    from cli.window.views import Unit

_PLACES = {
    **dict.fromkeys(SUFFIXES, "tables"),
    **dict.fromkeys(folder.RECORDINGS, "recordings"),
}
BANDED = ("fs", "Qts", "Re", "Mms", "Bl", "Vas", "sensitivity_2v83")


def bands(unit: Unit, path: str) -> list[dict[str, Any]]:
    """Make a band to drag for each parameter: the limits of a targets file, or wide open.

    Args:
        unit: Whose latest fit gives the range.
        path: Targets file; empty for none.
    """
    from cli.sources import opened
    from fit.results.quantities import shown

    plan = opened.targets(folder.inside(path)).targets if path else ()
    aims = {one.parameter: one for one in plan}
    known = unit.latest.fit.parameters if unit.latest else {}
    rows = []
    for symbol in BANDED:
        if symbol not in known:
            continue
        estimate, aim = known[symbol], aims.get(symbol)
        how = shown(symbol, estimate.unit)
        value = estimate.value / how.scale
        room = 6.0 if estimate.unit == "dB" else 0.5 * value
        limits = (aim.lower, aim.upper) if aim else (None, None)
        low, high = (None if end is None else end / how.scale for end in limits)
        ends = [value, *(end for end in (low, high) if end is not None)]
        first, last = min(ends) - room, max(ends) + room
        rows.append({
            "symbol": symbol, "name": how.symbol, "words": how.words, "unit": how.unit,
            "first": first, "last": last, "step": (last - first) / 1000, "set": aim is not None,
            "low": value - room / 5 if low is None else low,
            "high": value + room / 5 if high is None else high,
            "from": estimate.interval_95[0] / how.scale, "to": estimate.interval_95[1] / how.scale,
            "value": value,
        })  # fmt: skip
    return rows


def targets(said: Mapping[str, object]) -> dict[str, Any]:
    """Put dragged bands into a targets file; every other line of it stays.

    Args:
        said: ``file`` (empty for a new one), ``unit`` and ``bands``: symbol to its two limits in
            the unit that the page shows.

    Raises:
        UsageError: If a band is none, or the file cannot be edited.
    """
    from markupsafe import Markup

    from cli.targets import edit
    from fit.results.numbers import rounded
    from fit.results.quantities import QUANTITIES, shown

    asked = what_if.Asked(said)
    wanted = said.get("bands")
    if not isinstance(wanted, dict) or not wanted or not set(wanted) <= set(BANDED):
        raise UsageError("no band was ticked", where="targets")
    aims = {}
    for symbol, ends in wanted.items():
        held = what_if.Asked(dict(zip(("low", "high"), ends, strict=False)))
        low, high = (held.number(end, -1e6, 1e6) for end in ("low", "high"))
        if not low < high:
            raise UsageError("the lower limit is not below the upper", where=symbol)
        unit = Markup(shown(symbol, QUANTITIES[symbol].unit).unit).striptags()
        unit = {"Ω": "ohm", "T m": "Tm"}.get(unit, unit)
        aims[symbol] = {"lower": f"{rounded(low, 4)}{unit}", "upper": f"{rounded(high, 4)}{unit}"}
    path = asked.name("file")
    if path:
        folder.inside(path)
    else:
        path = folder.free_name("", f"{asked.name('unit') or 'driver'} targets", ".toml")
    edit.put(folder.inside(path), aims, replace=True)
    return {"kept": path, "command": in_words(["fit", "TAKE...", "--targets", path])}


def network(said: Mapping[str, object]) -> dict[str, Any]:
    """Keep a network with the values that its sliders have.

    Args:
        said: As for `cli.window.what_if.network`.
    """
    from cli.filter import network_file

    asked = what_if.Asked(said)
    branches, _, files = what_if.branches(asked)
    path = folder.free_name("", "network", ".toml")
    write_text(folder.inside(path), network_file.as_text({b.name: b.arms for b in branches}))
    return {"kept": path, "command": in_words(what_if.filter_words(asked, files, path))}


async def receive(name: str, pieces: AsyncIterator[bytes]) -> str:
    """Write what arrives into the folder, whole or not at all.

    Args:
        name: As the file was called; only its last part and its ending count.
        pieces: Its content; whoever sends too much is stopped by the guard.

    Returns:
        The path below the folder.

    Raises:
        UsageError: If it is of no kind that can be imported.
    """
    bare = Path(name.replace("\\", "/").rsplit("/", 1)[-1][:200])
    ending = bare.suffix.lower()
    place = _PLACES.get(ending)
    if place is None:
        raise UsageError(
            "is of no kind that can be imported",
            where=bare.name,
            remedy="Recordings end in .wav or .flac, tables in .csv or .tsv, Touchstone in .s1p.",
        )
    folder.inside(f"{place}/x")
    Path(place).mkdir(exist_ok=True)
    with tempfile.TemporaryFile() as arrived:
        async for piece in pieces:
            arrived.write(piece)
        arrived.seek(0)
        kept = folder.free_name(place, bare.stem, ending)
        write_with(Path(kept), lambda file: shutil.copyfileobj(arrived, file))
    return kept


def look(kept: str) -> dict[str, Any]:
    """Tell what a kept file is; one that its command would refuse is not kept.

    Raises:
        UsageError: What the command would say.
    """
    path = Path(kept)
    try:
        if path.suffix.lower() in folder.RECORDINGS:
            from meas.audio import recording

            found = recording.read(path)
            seconds = len(found.samples) / found.sample_rate_hz
            return {"kept": kept, "kind": "recording",
                    "words": f"{seconds:.1f} s at {found.sample_rate_hz} Hz"}  # fmt: skip
        curve = folder.curve(kept)
    except FreeairError:
        path.unlink(missing_ok=True)
        raise
    low, high = curve.frequency_hz[[0, -1]]
    words = f"{curve.frequency_hz.size} points, {low:.3g} Hz to {high:.3g} Hz"
    return {"kept": kept, "kind": "table",
            "words": f"{words}. As a command: {in_words(['fit', kept])}"}  # fmt: skip

"""Cautions to read before the bench sounds, and remedies for a take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from cli.window import folder

if TYPE_CHECKING:
    from cli.terminal.cautions import Caution
    from meas.bench.rig import Rig
    from meas.takes.take import Take


class Sitting:
    """Cautions that were read since the program began; each counts for one bench as it is."""

    def __init__(self) -> None:
        self._read: set[tuple[str, ...]] = set()

    def wanted(
        self, action: str, said: Mapping[str, object], rig: Rig | None, read: Sequence[str]
    ) -> list[Caution]:
        """List the cautions that are still to be read before an action.

        Those of the bench and of what is done to the driver are read once in a sitting; what is
        put in the driver's place is asked about every time.

        Args:
            rig: The bench that would sound.
            read: Titles that were read just now.
        """
        from cli.terminal import cautions
        from cli.window.actions import ACTIONS

        if rig is None or action not in ACTIONS or not ACTIONS[action].plays:
            return []
        bench = [*cautions.for_playing(rig), *_of_condition(said)]
        # The bench as it stands in front of one: another wiring or drive is another caution.
        key = (rig.name, rig.wiring.amplifier, str(rig.drive.woofer), str(rig.card.device))
        open_ = [c for c in bench if (c.title, *key) not in self._read and c.title not in read]
        for caution in bench:
            if caution.title in read:
                self._read.add((caution.title, *key))
        return [*(c for c in _of_action(action, said, rig) if c.title not in read), *open_]


def _of_condition(said: Mapping[str, object]) -> Sequence[Caution]:
    from cli.terminal import cautions

    name = "added-mass" if said.get("--added-mass") else ""
    return cautions.for_condition("test-box" if said.get("--test-box") else name)


def _of_action(action: str, said: Mapping[str, object], rig: Rig) -> Sequence[Caution]:
    from cli.terminal import cautions

    if action == "rig-calibrate":
        return (cautions.for_standard(str(said.get("--standard", "")).partition("=")[0], rig),)
    if action == "rig-check" or said.get("--substitution"):
        return (cautions.KNOWN_RESISTOR,)
    return {
        "polarity-reference": (cautions.CELL,),
        "polarity-press": (cautions.PRESS,),
    }.get(action, ())


_SET_LEVEL = ("bench", "Find a good level", {}, "level")
_AGAIN = ("take", "Take it again", {}, "")
_REMEDIES = {
    "clipped": _SET_LEVEL,
    "faint": _SET_LEVEL,
    "nonlinear": _SET_LEVEL,
    "silent-input": ("bench", "See how it is wired", {}, "wiring"),
    "swapped-inputs": ("bench", "See how it is wired", {}, "wiring"),
    "same-signal": ("bench", "See how it is wired", {}, "wiring"),
    "open-driver": ("bench", "See how it is wired", {}, "wiring"),
    "shorted-driver": ("bench", "See how it is wired", {}, "wiring"),
    "unknown-resistor": ("bench", "Describe the bench", {}, ""),
    "outside-calibration": ("bench", "Measure the standards again", {}, "standards"),
    "hum": ("take", "Take it again with three pairs of sweeps", {"repeats": "3"}, ""),
    "noise": ("take", "Take it again with three pairs of sweeps", {"repeats": "3"}, ""),
    "no-resonance": ("take", "Take it as a part", {"kind": "part"}, ""),
    "two-resonances": ("take", "Take it as a finished box", {"kind": "system"}, ""),
}


def remedies(taken: Take) -> list[dict[str, str]]:
    """Offer buttons that mend what a take was refused or doubted for."""
    rigs = (one for one in folder.of_kind("rig") if one.content.name == taken.rig.name)
    bench = next((one.path for one in rigs), "")
    found: dict[str, dict[str, str]] = {}
    for finding in taken.findings:
        page, title, query, place = _REMEDIES.get(
            finding.code, _AGAIN if finding.refuses else ("", "", {}, "")
        )
        if not page:
            continue
        asked = {"unit": taken.unit, **query} if page == "take" else {}
        if bench:
            asked["rig"] = bench
        address = f"/{page}" + (f"?{urlencode(asked)}" if asked else "")
        found[title] = {"title": title, "address": address + (f"#{place}" if place else "")}
    return list(found.values())

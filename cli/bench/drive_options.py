"""Drive of a take: the rig's drive as the command line changes it, and its record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from meas.errors import UsageError

if TYPE_CHECKING:
    from pydantic import ValidationError

    from meas.bench.rig import Rig
    from meas.excitation.stimulus import Stimulus


def changed(rig: Rig, excitation: str | None, repeats: int | None) -> Rig:
    """The rig with another excitation or another number of repetitions.

    Raises:
        UsageError: If the number is out of range, or a stepped sine was to be repeated.
    """
    changes: dict[str, Any] = {}
    if excitation is not None:
        changes["excitation"] = excitation
    if repeats is not None:
        kind = excitation or rig.drive.excitation
        if kind == "stepped":
            raise UsageError(
                "a stepped sine is not repeated",
                where="--repeats",
                remedy="Listen longer to every tone: tone_seconds in the rig file.",
            )
        changes["periods" if kind == "multisine" else "repeats"] = repeats
    return _with(rig, changes, "--repeats")


def at_levels(rig: Rig, levels: str | None) -> list[Rig]:
    """The rig once for every level, the lowest first.

    Raises:
        UsageError: If a level cannot be read, is out of range, or stands there twice.
    """
    if levels is None:
        return [rig]
    example = "Write peaks between 0 and 1, full scale being 1, such as 0.05,0.1,0.2."
    try:
        wanted = sorted(float(word) for word in levels.split(","))
    except ValueError as error:
        raise UsageError(
            f"'{levels}' is no list of levels", where="--levels", remedy=example
        ) from error
    if len(set(wanted)) < len(wanted):
        raise UsageError(f"'{levels}' names a level twice", where="--levels", remedy=example)
    return [_with(rig, {"level": level}, "--levels") for level in wanted]


def recorded(rig: Rig, stimulus: Stimulus) -> dict[str, str | float | bool | None]:
    """Record of what was played."""
    drive = rig.drive.model_dump()
    kind = drive.pop("excitation")
    record = {"kind": "sweep-pair" if kind == "sweep" else kind, **drive}
    if stimulus.periodic is not None:
        record["crest_factor"] = stimulus.periodic.crest_factor
        record["period_frames"] = stimulus.periodic.period_frames
    if stimulus.tones:
        record["tones"] = len(stimulus.tones)
    return record


def _with(rig: Rig, changes: dict[str, Any], where: str) -> Rig:
    from pydantic import ValidationError

    from meas.bench.rig import Drive

    try:
        drive = Drive.model_validate({**rig.drive.model_dump(), **changes})
    except ValidationError as error:
        raise first_fault(error, where, "See freeair take --help.") from error
    return rig.model_copy(update={"drive": drive})


def first_fault(error: ValidationError, where: str, remedy: str) -> UsageError:
    """Say what the first wrong value of a rig is, in terms of the option that it came from."""
    wrong = error.errors()[0]
    value, what = wrong["input"], wrong["msg"].removeprefix("Value error, ")
    said = f"{value!r}: " if isinstance(value, str | int | float) else ""
    return UsageError(f"{said}{what}", where=where, remedy=remedy)

"""Shared by `take` and `import`: condition in, the take made, its verdict in words or JSON."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import typer

from cli.terminal import show
from cli.words import values
from meas.errors import Finding, Refused, UnreadableInput, UsageError, refusals
from meas.files.outside_text import composed

if TYPE_CHECKING:
    from meas.bench.rig import Calibration, Kind, Rig
    from meas.curve import Curve
    from meas.takes.take import Take, TakeCondition
    from meas.transfer.distortion import Distortion

_TABLES_BYTES = 1_000_000  # the other files of a take have a tenth of that


@dataclass(frozen=True)
class Subject:
    """Unit that is measured, in its owner's words."""

    unit: str
    kind: Kind
    condition: TakeCondition
    label: str


def subject(
    unit: str, kind: str, added_mass: str | None, test_box: str | None, label: str
) -> Subject:
    """Read what is to be measured.

    Raises:
        UsageError: If a value cannot be read, or mass and box are both given.
    """
    if not unit.strip():
        raise UsageError(
            "the unit has no name", where="UNIT", remedy="Give it one, such as lantern-1."
        )
    condition = _condition(kind, added_mass, test_box)
    return Subject(composed(unit.strip()), cast("Kind", kind), condition, composed(label.strip()))


def _condition(kind: str, added_mass: str | None, test_box: str | None) -> TakeCondition:
    from meas.takes.take import TakeCondition

    if added_mass is not None and test_box is not None:
        raise UsageError(
            "an added mass and a test box at once",
            where="--added-mass, --test-box",
            remedy="Make one take with the mass and another one with the box.",
        )
    if kind != "driver" and (added_mass or test_box) is not None:
        raise UsageError(
            f"an added mass or a test box makes no sense with --kind {kind}",
            where="--kind",
            remedy="They belong to a bare driver; leave one of the two out.",
        )
    if added_mass is not None:
        value = values.mass(added_mass, "--added-mass")
        return TakeCondition("added-mass", value.value, value.half_width, value.written)
    if test_box is not None:
        value = values.volume(test_box, "--test-box")
        return TakeCondition("test-box", value.value, value.half_width, value.written)
    return TakeCondition()


def complete(findings: tuple[Finding, ...], curve: Curve | None) -> tuple[Finding, ...]:
    """The findings, with a refusal where there is no curve and none of them says why."""
    if curve is not None or refusals(findings):
        return findings
    return (
        *findings,
        Finding(
            "faint",
            "no curve came out of the recording: the inputs hold no sweep that both share",
            refuses=True,
            next_step="Check wiring, levels and which input is which",
        ),
    )


@contextmanager
def kept_first() -> Iterator[None]:
    """Let Ctrl-C wait until what was recorded is kept; pressed twice, it does not wait.

    Raises:
        KeyboardInterrupt: At the end, if it was pressed meanwhile.
    """
    before = signal.getsignal(signal.SIGINT)
    if threading.current_thread() is not threading.main_thread() or before is None:
        yield  # a window's own thread: Ctrl-C goes elsewhere
        return
    pressed = False

    def wait(*_: object) -> None:
        nonlocal pressed
        pressed = True
        signal.signal(signal.SIGINT, before)
        show.note("Keeping the recording first; Ctrl-C again loses it.")

    signal.signal(signal.SIGINT, wait)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if pressed:
        raise KeyboardInterrupt


def check_room(out: Path, frames: int) -> None:
    """Find out before anything plays whether a recording of so many frames can be kept.

    Raises:
        UsageError: If the folder takes nothing, or the disk has too little room.
    """
    from meas.files.writing import check_folder

    check_folder(out, frames * 2 * 4 + _TABLES_BYTES)  # two inputs of float32


def unusable(error: UnreadableInput) -> Finding:
    """Say why a recording that was just made, and is kept all the same, gives nothing."""
    what = error.what[0].upper() + error.what[1:]
    return Finding("unusable-recording", what, True, next_step="Look to the card, and take again")


def aged(calibration: Calibration | None, bench: Rig) -> tuple[Finding, ...]:
    """A caution when the calibration that was applied is old by the rig's own measure."""
    from meas.correction.calibration import age

    caution = None if calibration is None else age(calibration, bench, now())
    return () if caution is None else (caution,)


def now() -> str:
    """Tell the time, ISO 8601 with offset, to the second."""
    return datetime.now().astimezone().isoformat(timespec="seconds")


def as_take(
    who: Subject, rig: Rig, curve: Curve | None, findings: tuple[Finding, ...], **more: Any
) -> Take:
    """Make a take of now by this version of the program.

    Args:
        rig: The bench with the calibration that was applied.
        findings: All doubts; a refusal is added where there is no curve and none says why.
    """
    from cli.terminal.version import program_version
    from meas.takes.take import Take

    return Take(
        unit=who.unit,
        kind=who.kind,
        condition=who.condition,
        label=who.label,
        taken_at=now(),
        software=f"freeair {program_version()}",
        rig=rig,
        findings=complete(findings, curve),
        curve=curve,
        **more,
    )


def report(take: Take, path: Path, *, as_json: bool, quiet: bool = False) -> None:
    """Say whether the take is good, its path last; a refused take ends the program with 1.

    Raises:
        typer.Exit: With status 1 if the take is refused.
    """
    if as_json:
        show.document(_document(take, path))
        show.findings(take.reasons, stderr=True)
    else:
        say(take, path, quiet=quiet)
    if take.refused:
        raise typer.Exit(1)


def report_levels(made: Sequence[tuple[Take, Path]], *, as_json: bool) -> None:
    """Report takes of one unit at several levels that were already said in words.

    Raises:
        typer.Exit: With status 1 if one of them is refused.
    """
    refused = [take for take, _ in made if take.refused]
    if as_json:
        document: dict[str, object] = {"takes": [_document(take, path) for take, path in made]}
        if refused:
            reasons = [r.as_json() for take in refused for r in take.reasons]
            document = {"refused": True, "reasons": reasons, **document}
        show.document(document)
    else:
        show.note("Parameters against level: freeair levels TAKE...")
    if refused:
        raise typer.Exit(1)


def _document(take: Take, path: Path) -> dict[str, object]:
    found = [f.as_json() for f in take.findings if not f.refuses]
    reasons = [reason.as_json() for reason in take.reasons]
    refusal = {"refused": True, "reasons": reasons} if take.refused else {}
    return {**refusal, "take": str(path), "findings": found}


def say(take: Take, path: Path, *, quiet: bool = False) -> None:
    """Say a take in words (and, unless quiet, as a curve) on standard error, its path on output."""
    from cli.pictures import take_picture
    from cli.terminal.progress import level_text

    if not quiet:
        take_picture.draw(take)
    show.note(f"Inputs at most: {level_text(take.peak)}")
    rms, peak = (take.excitation.get(f"driver_volt_{word}") for word in ("rms", "peak"))
    if isinstance(rms, float) and isinstance(peak, float):
        limits = take.rig.card.input_volt_tolerance_percent
        show.note(f"Drive: {rms:.3g} V rms at the driver, {peak:.3g} V peak (±{limits:g} %)")
    if take.refused:
        show.fault("Refused: this take supports no numbers", "")
    elif take.curve is not None:
        show.note(_curve_words(take), "bold green")
        if rough := rough_words(take):
            show.note(rough)
        if take.distortion is not None:
            show.note(_distortion_words(take.distortion))
    show.findings(take.findings, stderr=True)
    if take.refused:
        show.note("The recording is kept in the take, marked refused. Mend and take it again.")
    show.line(str(path))


def rough_words(take: Take) -> str:
    """Say what three points of the curve tell at once; nothing where they cannot be had.

    The least |Z| stands for Re, which is a little lower, so that Qts comes out a little high.
    """
    from fit.diagnosis.by_hand import hand_values
    from fit.results.numbers import significant

    curve = take.curve
    if take.kind != "driver" or curve is None:
        return ""
    least = float(curve.magnitude_ohm.min())
    try:
        found = hand_values(curve.frequency_hz, curve.magnitude_ohm, least)
    except Refused:
        return ""
    loaded = "" if take.condition.name == "free-air" else f" with {take.condition.written}"
    return (
        f"Roughly{loaded}: fs {significant(found.fs, 2)} Hz, Re just below "
        f"{significant(least, 2)} Ω, Qts {significant(found.Qts, 2)}. A fit tells how sure."
    )


def _distortion_words(distortion: Distortion) -> str:
    from meas.transfer.distortion import largest

    found = largest(distortion)
    if found is None:
        return "distortion: none above the noise"
    name, at, size = found
    if size < 1e-4:
        return "distortion: below 0.01 %"
    words = {"even": "even orders", "odd": "odd orders"}.get(name, name.replace("_", " "))
    return f"distortion: at most {100 * size:.2g} % ({words}, at {at:.0f} Hz)"


def _curve_words(take: Take) -> str:
    from cli.pictures import take_picture
    from fit.results.numbers import significant

    curve = take.curve
    if curve is None:
        return ""
    low, high = curve.frequency_hz[[0, -1]]
    doubts = [finding for finding in take.findings if not finding.refuses]
    verdict = "Good take" if not doubts else "Usable take, with a doubt" + "s" * (len(doubts) > 1)
    text = f"{verdict}: {curve.frequency_hz.size} points, {low:.0f} Hz to {high / 1000:.1f} kHz"
    peaks = [
        f"peak {significant(float(curve.magnitude_ohm[index]))} Ω at "
        f"{significant(float(curve.frequency_hz[index]))} Hz"
        for index in sorted(take_picture.resonances(take))
    ]
    return "; ".join((text, *peaks))

"""A take on disk: one capture of one unit with all that is known about it.

A folder with ``capture.wav`` (what the inputs recorded), ``impedance.csv`` (absent when the take
is refused: no number may be derived from it), ``distortion.csv`` (where the excitation tells it)
and ``take.json``. The folder is whole or absent and never overwritten.
"""

from __future__ import annotations

import json
import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from meas.audio import recording
from meas.audio.protocol import StreamEvent
from meas.audio.recording import Recording, Samples
from meas.bench.rig import Kind, Rig, Substitution
from meas.correction.input_difference import InputDifference
from meas.correction.systematics import bench_systematics
from meas.curve import Curve, ImpedanceCurve, Systematic
from meas.errors import Finding, UnreadableInput, refusals
from meas.files.writing import write_folder
from meas.tables import csv_table
from meas.takes import record
from meas.takes.record import Record, Scalars, TakeCondition
from meas.transfer.distortion import Distortion, as_text

CAPTURE = "capture.wav"
IMPEDANCE = "impedance.csv"
DISTORTION = "distortion.csv"
RECORD = record.FILE
RANDOM_ONLY = "random uncertainty only"
"""Beginning of the comment by which a table says that it belongs to a take."""
SUBSTITUTION = "substitution"
"""Kind of excitation of a take with one input; its capture holds the known resistor first."""


@dataclass(frozen=True, eq=False)
class Take:
    """One capture of one unit.

    Attributes:
        unit: What was measured, in its owner's words.
        kind: Driver, passive part, or driver in its finished box.
        condition: What was done to it.
        taken_at: ISO 8601 with offset.
        rig: The bench as used, with the calibration applied (None: none was).
        sample_rate_hz: Sample rate of the capture [Hz].
        peak: Largest magnitude at source and driver input, full scale 1.
        excitation: The stimulus played, or the file that was imported.
        unlike: Difference between inputs that nobody compared, as the curve told it and as it was
            taken out of the curve; None where none was.
        software: Program and version that made the take.
        curve: Impedance with random uncertainty and the bench's common errors, magnitude alone
            where one input could not tell more; None when refused.
        stream: What recorded it: device, latency, versions.
        events: Irregularities that the audio path reported.
        environment: Air temperature [K], pressure [Pa] and the like, if given.
        distortion: Distortion by the driver; kept beside the curve for people, not read back.
        path: Its folder; None before it is saved.
    """

    unit: str
    kind: Kind
    condition: TakeCondition
    label: str
    taken_at: str
    rig: Rig
    sample_rate_hz: int
    peak: tuple[float, float]
    excitation: Scalars
    software: str
    findings: tuple[Finding, ...] = ()
    curve: Curve | None = None
    stream: Scalars = field(default_factory=dict)
    events: tuple[StreamEvent, ...] = ()
    environment: Mapping[str, float] = field(default_factory=dict)
    distortion: Distortion | None = None
    unlike: InputDifference | None = None
    path: Path | None = None

    @property
    def refused(self) -> bool:
        """Tell whether no number may be derived from the take."""
        return bool(self.reasons)

    @property
    def reasons(self) -> tuple[Finding, ...]:
        """The findings that refuse."""
        return refusals(self.findings)

    def _repr_html_(self) -> str:
        from meas.takes.notebook import take_html

        return take_html(self)


def save(take: Take, samples: Samples, out_dir: Path) -> Path:
    """Store a take in a new folder of ``out_dir``, whole or not at all.

    A refused take keeps its capture and its findings, and no curve. The folder is named after
    unit, condition and time; a number is added when that name is taken.

    Args:
        take: All but the capture; its ``path`` is not used.
        samples: Source and driver input, full scale 1, shape (n, 2); stored without loss as
            32-bit floating point (64-bit if they are float64).

    Raises:
        UsageError: If it cannot be written; nothing is left behind then.
    """
    curve = None if take.refused else take.curve

    def fill(folder: Path) -> None:
        _write_capture(folder / CAPTURE, samples, take.sample_rate_hz)
        if curve is not None:
            comments = (f"{RANDOM_ONLY}; common errors follow from the rig in take.json",)
            _write(folder / IMPEDANCE, csv_table.as_text(curve, comments))
        if curve is not None and take.distortion is not None:
            comments = ("of the driver behind this bench's resistor, re the fundamental",)
            _write(folder / DISTORTION, as_text(take.distortion, comments))
        _write(folder / RECORD, _record_text(take, 0 if curve is None else len(curve.frequency_hz)))

    return write_folder(out_dir, _folder_name(take), fill)


def is_take(path: Path) -> bool:
    """Tell whether a path names a take rather than a table.

    The table inside a take counts as the take: by itself it does not tell the common errors of
    the bench, and a fit of it would claim too small an uncertainty.
    """
    return path.is_dir() or _folder(path) != path


def load(path: str | Path) -> Take:
    """Read a take; the common errors of its bench are worked out anew from its rig.

    Args:
        path: The take's folder, its take.json, or the impedance.csv in it.

    Raises:
        UnreadableInput: If a piece is missing or wrong, or a newer version wrote it.
    """
    folder = _folder(Path(path))
    said = record.read(Record, folder)
    for name in (CAPTURE, *((IMPEDANCE,) if said.points else ())):
        if not (folder / name).is_file():
            raise UnreadableInput(
                f"the take has no {name}", where=str(folder), remedy=record.ADVICE
            )
    return Take(
        unit=said.unit,
        kind=said.kind,
        condition=said.condition,
        label=said.label,
        taken_at=said.taken_at,
        rig=said.rig,
        sample_rate_hz=said.sample_rate_hz,
        peak=(_number(said.peak[0]), _number(said.peak[1])),
        excitation=said.excitation,
        software=said.software,
        findings=said.found(),
        curve=_curve(folder / IMPEDANCE, said) if said.points else None,
        stream=said.stream,
        events=said.events,
        environment=said.environment,
        unlike=said.inputs_differ,
        path=folder,
    )


def read_capture(path: Path) -> Recording:
    """Read the capture of a take: source input first, driver input second.

    Args:
        path: The take's folder, its take.json, or the impedance.csv in it.

    Raises:
        UnreadableInput: If it is missing or damaged.
    """
    return recording.read(_folder(path) / CAPTURE)


def _folder(path: Path) -> Path:
    """The take's folder, from any path that names the take."""
    inside = path.name == RECORD or (
        path.name == IMPEDANCE and path.with_name(RECORD).exists() and not path.is_dir()
    )
    return path.parent if inside else path


def _folder_name(take: Take) -> str:
    """Unit, condition and time without anything that a file system could mind."""
    return f"{safe_name(take.unit)}_{take.condition.name}_{safe_name(_compact_time(take.taken_at))}"


def safe_name(text: str) -> str:
    """Keep letters and digits of any script, at most 60 bytes; never a dot, a slash, or nothing."""
    kept = re.sub(r"[^\w+]+|_+", "-", unicodedata.normalize("NFC", text)).strip("-")
    return kept.encode("utf-8", "ignore")[:60].decode("utf-8", "ignore").strip("-") or "unit"


def _compact_time(taken_at: str) -> str:
    try:
        return datetime.fromisoformat(taken_at).strftime("%Y%m%d-%H%M%S")
    except ValueError:
        return taken_at


def _write_capture(path: Path, samples: Samples, sample_rate_hz: int) -> None:
    import soundfile

    subtype = "DOUBLE" if samples.dtype == "float64" else "FLOAT"
    try:
        soundfile.write(str(path), samples, sample_rate_hz, format="WAV", subtype=subtype)
    except soundfile.SoundFileError as error:
        raise OSError(f"the capture: {error}") from error
    if path.stat().st_size < samples.nbytes:
        raise OSError("the capture is incomplete")


def _write(path: Path, text: str) -> None:
    # A unit's name from the command line may hold bytes that are no text; they become "?".
    path.write_bytes(text.encode("utf-8", "replace"))


def _record_text(take: Take, points: int) -> str:
    content = {
        "format": record.FORMAT,
        "unit": take.unit,
        "kind": take.kind,
        "condition": vars(take.condition),
        "label": take.label,
        "taken_at": take.taken_at,
        "refused": take.refused,
        "findings": [
            {"code": f.code, "text": f.text, "refuses": f.refuses, **f.places}
            for f in take.findings
        ],
        "points": points,
        "sample_rate_hz": take.sample_rate_hz,
        "peak": [_storable(peak) for peak in take.peak],
        "excitation": {key: _storable(value) for key, value in take.excitation.items()},
        "stream": {key: _storable(value) for key, value in take.stream.items()},
        "events": [vars(event) for event in take.events],
        "environment": {key: float(value) for key, value in take.environment.items()},
        "software": take.software,
        "rig": take.rig.model_dump(mode="json"),
    }
    if take.unlike is not None:
        content["inputs_differ"] = vars(take.unlike)
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _storable(value: str | float | bool | None) -> str | float | bool | None:
    """JSON knows no NaN and no infinity; a capture must be kept even where something has one."""
    if value is None or isinstance(value, str | bool | int):
        return value
    return float(value) if math.isfinite(value) else None


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _curve(path: Path, said: Record) -> Curve:
    curve = csv_table.read(path)
    using = said.rig.substitution if said.excitation.get("kind") == SUBSTITUTION else None
    known = isinstance(curve, ImpedanceCurve) or using is not None
    if not known or curve.standard_uncertainty_ohm is None:
        raise UnreadableInput(
            "has no resistance, reactance and uncertainty, as a take's table must",
            where=str(path),
            remedy=record.ADVICE,
        )
    if len(curve.frequency_hz) != said.points:
        raise UnreadableInput(
            f"has {len(curve.frequency_hz)} rows, take.json says {said.points}",
            where=str(path),
            remedy=record.ADVICE,
        )
    try:
        with np.errstate(all="ignore"):  # what overflows is not finite, and refused below
            common = _common_errors(curve, said, using)
    except (ArithmeticError, ValueError) as error:
        raise _impossible_rig(path) from error
    if not all(np.all(np.isfinite(error.derivative_ohm)) for error in common):
        raise _impossible_rig(path)
    return replace(curve, systematics=common)


def _common_errors(
    curve: Curve, said: Record, using: Substitution | None
) -> tuple[Systematic, ...]:
    if using is not None:
        # It imports scipy, which other takes need not wait for.
        from meas.one_input.substitution import systematics_of

        return systematics_of(curve, said.rig, using)
    if not isinstance(curve, ImpedanceCurve):
        raise ValueError("a table without phase got past its check")
    return bench_systematics(
        curve.frequency_hz,
        curve.impedance_ohm,
        said.rig if said.inputs_differ is None else said.inputs_differ.narrowed(said.rig),
        calibration=said.rig.calibration,
        sample_rate_hz=said.sample_rate_hz,
    )


def _impossible_rig(path: Path) -> UnreadableInput:
    return UnreadableInput(
        "its common errors do not follow from the rig in take.json: a value there is impossible",
        where=str(path),
        remedy=record.ADVICE,
    )

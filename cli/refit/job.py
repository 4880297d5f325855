"""One state of one driver as a job for a worker: what goes in, the fit, what comes out.

A job carries names of files, not their contents; a worker on another machine sees the archive
under the same path. It checks that it holds the same models and the same contents as whoever sent
the job, so that no result stands under the name of another.
"""

from __future__ import annotations

import functools
import json
import sys
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from cli.archive.files import LeftOut, digest_of, digest_table, digest_take, left_out
from cli.archive.states import PAUSE_HOURS, Identity, copy
from meas.errors import Finding, Refused, UsageError, refusals

if TYPE_CHECKING:
    from fit.given.measured import Condition, MeasuredCurve, Session
    from fit.results.result import DriverFit
    from meas.takes.take import Take


@dataclass(frozen=True)
class Source:
    """One take or table: path below the archive, condition, digest of its contents."""

    path: str
    take: bool
    condition: Condition
    digest: str


@dataclass(frozen=True)
class Job:
    """Work on one state, with all that a worker needs.

    Attributes:
        number: Place among all jobs.
        key: Digest of inputs, options and models: what the result depends on.
        archive: The folder, absolute.
        identity: Unit, label, time of the first take.
        last: Time of the last take.
        hours: Hours between the first and the last take.
        sources: Free air first.
        tolerance: Tolerance of the ohms in tables, as written; None for the default.
        models: Digest of the program's models.
    """

    number: int
    key: str
    archive: str
    identity: Identity
    last: str
    hours: float
    sources: tuple[Source, ...]
    session: Session
    held: str | None
    model: str
    captures: bool
    tolerance: str | None
    models: str


@dataclass(frozen=True)
class Outcome:
    """Outcome of a job.

    Attributes:
        row: What the table needs, JSON.
        body: The whole result, ``freeair-fit/1`` or a refusal, JSON.
        lasting: Whether the same job would end the same way again.
    """

    number: int
    key: str
    row: str
    body: str
    lasting: bool = True


@functools.cache
def models_digest() -> str:
    """Digest of everything in the program that turns measured things into numbers."""
    from importlib.resources import files

    return sources_digest(*(Path(str(files(package))) for package in ("fit", "meas")))


def sources_digest(*packages: Path) -> str:
    """Digest of the names and contents of all sources in packages and in the folders below."""
    pieces = []
    for package in packages:
        for file in sorted(package.rglob("*.py")):
            name = file.relative_to(package.parent).as_posix()
            pieces += [name.encode(), file.read_bytes()]
    return digest_of(*pieces)[:16]


def fit_state(job: Job) -> Outcome:
    """Read, fit, and say what came out; only running out of memory and the like raises."""
    with warnings.catch_warnings():
        if not sys.warnoptions:  # those of libraries are for developers, as in `cli.main`
            warnings.simplefilter("ignore")
        try:
            return _fitted(job)
        except Exception as error:  # a defect of ours must not stop the other ten thousand
            text = f"a mistake in freeair, not yours: {type(error).__name__}: {error}"
            return failed(job, (Finding("internal-error", text, refuses=True),), lasting=False)


def _fitted(job: Job) -> Outcome:
    if job.models != models_digest():
        reason = Finding(
            "other-version",
            "this worker runs another version of freeair than the command, so that its numbers "
            "could differ",
            refuses=True,
            next_step="Install the same version on every machine and start again",
        )
        return failed(job, (reason,), lasting=False)
    curves, takes, unused, findings = _read(job)
    if changed := [one for one in unused if one.code == "changed-meanwhile"]:
        reasons = tuple(Finding(one.code, f"{one.source}: {one.text}", True) for one in changed)
        return failed(job, reasons, lasting=False)
    if not curves:
        text = "none of its takes and tables can be used; each is listed with its reason"
        return failed(job, (Finding("nothing-usable", text, refuses=True),), unused)
    try:
        return _success(job, curves, takes, unused, findings)
    except Refused as error:
        return failed(job, error.reasons, unused)


def _success(
    job: Job,
    curves: Sequence[MeasuredCurve],
    takes: Sequence[Take | None],
    unused: Sequence[LeftOut],
    doubts: Sequence[Finding],
) -> Outcome:
    from cli.driver import uneven_harmonics
    from cli.sources.takes_and_tables import mixed_levels
    from fit.compare import sitting
    from fit.diagnosis import bumps, explain
    from fit.diagnosis import by_hand as threepoint
    from fit.joint import fit_driver
    from fit.results import store

    alone = fit_driver(curves, job.session, job.model)
    fitted = sitting.of_driver(alone, cast(sitting.Held, job.held), job.identity[0])
    by_hand = threepoint.cross_check(fitted)
    all_doubts = [*dict.fromkeys(doubts), *mixed_levels([take for take in takes if take])]
    all_doubts += [*_far_apart(job), *([by_hand] if by_hand else [])]
    if unused:
        names = ", ".join(one.source for one in unused)
        all_doubts.append(Finding("left-out", f"not used, each listed with its reason: {names}"))
    document = store.to_json(
        fitted,
        unit=job.identity[0],
        findings=(
            *explain.explain(fitted.parameters, (), coil=None, curves=fitted.curves),
            *uneven_harmonics.uneven(takes, fitted),
            *bumps.findings(fitted.curves),
        ),
        warnings=all_doubts,
    )
    document["refit"] = _about(job, unused)
    row = _row(job, unused) | {"model": fitted.model, "parameters": _parameters(fitted)}
    return Outcome(job.number, job.key, _text(row), _text(document))


def failed(
    job: Job, reasons: Sequence[Finding], unused: Sequence[LeftOut] = (), *, lasting: bool = True
) -> Outcome:
    """Make the outcome of a job that gives no fit."""
    refused = [reason.as_json() for reason in reasons]
    document = {
        "refused": True,
        "unit": job.identity[0],
        "reasons": refused,
        "refit": _about(job, unused),
    }
    row = _row(job, unused) | {"reasons": refused}
    return Outcome(job.number, job.key, _text(row), _text(document), lasting)


def _text(content: dict[str, Any]) -> str:
    # Only ASCII: one line stays one line, whatever separators a unit's name holds.
    return json.dumps(content, allow_nan=False)


def _about(job: Job, unused: Sequence[LeftOut]) -> dict[str, Any]:
    names = {one.source for one in unused}
    return {
        "label": job.identity[1],
        "first_taken_at": job.identity[2],
        "last_taken_at": job.last,
        "sources": [source.path for source in job.sources if source.path not in names],
        "left_out": [
            {"source": one.source, "code": one.code, "text": one.text} for one in unused
        ],
        "key": job.key,
    }  # fmt: skip


def _row(job: Job, unused: Sequence[LeftOut]) -> dict[str, Any]:
    unit, label, first = job.identity
    return {
        "unit": unit,
        "label": label,
        "first": first,
        "last": job.last,
        "takes": len(job.sources) - len(unused),
        "left_out": [[one.source, one.code, one.text, one.remedy, one.fault] for one in unused],
    }


def _parameters(fitted: DriverFit) -> dict[str, list[Any]]:
    return {
        name: [
            float(e.value),
            e.unit,
            float(e.standard_uncertainty),
            *(float(end) for end in e.interval_95),
            e.random_uncertainty,
            *(() if e.frequency_hz is None else (float(e.frequency_hz),)),
        ]
        for name, e in fitted.parameters.items()
    }


def _far_apart(job: Job) -> list[Finding]:
    """Takes of one fit that lie far apart."""
    if job.hours <= PAUSE_HOURS:
        return []
    text = (
        f"the takes of this fit lie up to {job.hours:.0f} h apart, and a driver changes meanwhile: "
        "a free-air take in each sitting would tell"
    )
    return [Finding("far-apart", text)]


_Read = tuple[list["MeasuredCurve"], list["Take | None"], list[LeftOut], list[Finding]]


def _read(job: Job) -> _Read:
    """Curves with their conditions; what cannot be used, each with its reason."""
    from fit.given.measured import MeasuredCurve

    curves: list[MeasuredCurve] = []
    takes: list[Take | None] = []
    unused: list[LeftOut] = []
    doubts: list[Finding] = []
    for source in sorted(job.sources, key=lambda s: not s.take):  # of copies the take is kept
        path = Path(job.archive) / source.path
        loaded: tuple[Any, Take | None, tuple[Finding, ...]] | UsageError | Refused
        try:
            loaded = _curve(path, source, job)
        except (UsageError, Refused) as error:
            loaded = error
        # Looked at after reading: what was read is then what the digest stands for.
        if how := _changed(path, source, captures=job.captures):
            remedy = "Start the refit again."
            unused.append(LeftOut(source.path, job.identity[0], "changed-meanwhile", how, remedy))
            continue
        if isinstance(loaded, UsageError | Refused):
            unused.append(left_out(source.path, job.identity[0], loaded))
            continue
        curve, take, found = loaded
        if twin := next((m.source for m in curves if _same(m.curve, curve)), None):
            unused.append(copy(source.path, job.identity[0], twin))
            continue
        curves.append(MeasuredCurve(source.path, curve, source.condition))
        takes.append(take)
        doubts += found
    order = {source.path: place for place, source in enumerate(job.sources)}
    both = sorted(zip(curves, takes, strict=True), key=lambda pair: order[pair[0].source])
    return [curve for curve, _ in both], [take for _, take in both], unused, doubts


def _changed(path: Path, source: Source, *, captures: bool) -> str:
    """Difference of a source from what the key of the job says; empty where there is none."""
    try:
        digest = digest_take(path, captures=captures) if source.take else digest_table(path)
    except OSError as error:
        return f"cannot be read any more ({error.strerror or error})"
    except UsageError as error:
        return error.what
    return "" if digest == source.digest else "was changed while the refit ran"


def _same(one: Any, other: Any) -> bool:
    import numpy as np

    if type(one) is not type(other) or not np.array_equal(one.frequency_hz, other.frequency_hz):
        return False
    values = "impedance_ohm" if hasattr(one, "impedance_ohm") else "magnitude_ohm"
    return bool(np.array_equal(getattr(one, values), getattr(other, values)))


def _curve(path: Path, source: Source, job: Job) -> tuple[Any, Take | None, tuple[Finding, ...]]:
    from cli.words import table_scale
    from meas.tables import any_file
    from meas.takes import take as takes
    from meas.validity.of_causality import doubts_of_table

    if not source.take:
        curve = any_file.read(path)
        if doubts := doubts_of_table(curve):
            raise Refused(doubts, remedy="Mend the table, or move it out of the archive.")
        return table_scale.read(job.tolerance).on(path, curve), None, ()
    take = takes.load(path)
    found = take.findings
    curve = take.curve
    if job.captures:
        from cli.refit.capture import again

        curve, found = again(take)
    refusing = refusals(found)
    if refusing or curve is None:
        raise Refused(refusing or take.reasons, remedy="Measure again; the capture is kept.")
    return curve, take, tuple(finding for finding in found if not finding.refuses)

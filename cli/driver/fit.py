"""``freeair fit``: from takes and tables to parameters, verdicts and a report."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.driver import profile as profile_words
from cli.report.headline import USUAL, sentences
from cli.terminal import show
from cli.words import options
from cli.words.options import (
    AirPressure,
    AirTemperature,
    AsJson,
    ByStatus,
    HowHeld,
    Model,
    OpenPage,
    RelativeHumidity,
    Report,
    TableTolerance,
)
from meas.errors import Refused, UsageError

if TYPE_CHECKING:
    from cli.driver.profile import Profiles
    from cli.sources.takes_and_tables import Gathered
    from cli.words.session import SessionWords
    from fit.box.circuit import Air
    from fit.results.judge import Verdict
    from fit.results.result import DriverFit
    from fit.uncertainty.advice import Advice
    from meas.errors import Finding

MISSED, UNDECIDED = 3, 4


def fit(
    free: Annotated[
        list[str],
        typer.Argument(
            metavar="FREE",
            help="Takes of any condition; impedance tables (CSV) measured in free air.",
        ),
    ],
    added_mass: Annotated[
        list[str] | None,
        typer.Option(metavar="FILE=M", help="A table measured with mass M on the cone."),
    ] = None,
    test_box: Annotated[
        list[str] | None,
        typer.Option(metavar="FILE=V", help="A table measured on a sealed box of net volume V."),
    ] = None,
    diameter: Annotated[
        str | None,
        typer.Option(metavar="D", help="Cone from mid-surround to mid-surround, such as 118mm."),
    ] = None,
    area: Annotated[
        str | None, typer.Option(metavar="A", help="Effective cone area instead, such as 113cm2.")
    ] = None,
    measured_re: Annotated[
        str | None, typer.Option(metavar="R", help="Coil resistance by multimeter, such as 6.2ohm.")
    ] = None,
    moving_parts: Annotated[
        str | None,
        typer.Option(metavar="M", help="Weighed moving parts without their air, such as 9.3g."),
    ] = None,
    mounting: Annotated[
        str,
        typer.Option(
            metavar="free|baffle",
            help="Which air moves with the weighed parts. A face plate is a baffle.",
        ),
    ] = "free",
    held: HowHeld = None,
    air_temperature: AirTemperature = None,
    air_pressure: AirPressure = None,
    relative_humidity: RelativeHumidity = None,
    table_tolerance: TableTolerance = None,
    model: Model = "auto",
    unit: Annotated[
        str | None, typer.Option(metavar="NAME", help="Name of the driver, for tables.")
    ] = None,
    targets: Annotated[
        Path | None, typer.Option(metavar="FILE", help="What was meant: judge against this file.")
    ] = None,
    report: Report = None,
    save: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE.json",
            help="Keep the fit here, for freeair compare; else it is kept in fits.",
        ),
    ] = None,
    keep: Annotated[
        bool,
        typer.Option(
            "--keep/--no-keep", help="Whether a fit that is not saved is kept all the same."
        ),
    ] = True,
    profile: Annotated[
        bool,
        typer.Option(
            "--profile",
            help="Show intervals by profile likelihood too, computed by lmfit; takes seconds.",
        ),
    ] = False,
    everything: Annotated[
        bool, typer.Option("--all", help="Show the rarer values, the curves and the model, too.")
    ] = False,
    judge_by_status: ByStatus = False,
    open_page: OpenPage = False,
    as_json: AsJson = False,
) -> None:
    """Fit a driver's parameters, with what limits each of them.

    Several takes of one condition are fitted together and give the repeatability. The fit is kept
    beside the first of them under a new name, unless --json prints it.

    \b
    freeair fit takes/Lantern_free-air_* takes/Lantern_added-mass_* --diameter 118mm
    freeair fit free.csv --added-mass mass.csv=7.5g±0.1g --area 113cm2 --json
    """
    from cli.words.session import SessionWords

    words = SessionWords(
        diameter,
        area,
        measured_re,
        moving_parts,
        air_temperature,
        air_pressure,
        relative_humidity,
        table_tolerance,
        mounting,
        held,
    )
    if judge_by_status and targets is None:
        raise UsageError(
            "there is nothing to judge by",
            where="--judge-by-status",
            remedy="Give the targets too: --targets FILE (freeair targets new FILE makes one).",
        )
    options.check_open(open_page, report)
    status = run(
        free, added_mass or (), test_box or (), words,
        model=model, unit=unit, targets=targets, report=report, save=save,
        keep=keep and not as_json, profile=profile, everything=everything, as_json=as_json,
    )  # fmt: skip
    if open_page and report is not None:
        from cli.terminal.open_page import open_page as opened

        opened(report)
    if judge_by_status and status:
        raise typer.Exit(status)


def run(
    free: Sequence[str],
    added_mass: Sequence[str],
    test_box: Sequence[str],
    words: SessionWords,
    *,
    model: str,
    unit: str | None,
    targets: Path | None,
    report: Path | None,
    save: Path | None,
    keep: bool,
    profile: bool,
    everything: bool = False,
    as_json: bool = False,
) -> int:
    """Read, fit, judge, show and write.

    Returns:
        0, or by the verdicts 3 (one is outside) or 4 (none outside, one undecided).
    """
    from cli.driver import mass_to_add, uneven_harmonics
    from cli.report import forms
    from cli.sources import opened, takes_and_tables
    from cli.words import options
    from cli.words import session as sessions
    from fit.compare import sitting
    from fit.diagnosis import bumps, explain
    from fit.diagnosis import by_hand as threepoint
    from fit.joint import fit_driver
    from fit.results import judge, model_findings
    from fit.uncertainty import advice as improve
    from meas.files.writing import refuse_existing

    if report is not None:
        forms.check(report)
    if save is not None:
        refuse_existing(save)
    wanted = None if targets is None else opened.targets(targets)
    meant = () if wanted is None else wanted.targets
    options.check_model(model)
    gathered = takes_and_tables.gather(free, added_mass, test_box, unit, words.table_tolerance)
    boxes = any(curve.condition.name == "test-box" for curve in gathered.curves)
    session = sessions.session(words, boxes=boxes)
    held = sessions.how_held(words)
    try:
        alone = fit_driver(gathered.curves, session, model=model)
    except Refused as error:
        where = error.where or gathered.unit
        raise Refused(error.reasons, where=where, remedy=error.remedy) from error
    fitted = sitting.of_driver(alone, held, gathered.unit)
    verdicts = judge.judge(fitted.parameters, meant, fitted.sources)
    coil = None if wanted is None else wanted.winding.coil()
    findings = (
        *explain.explain(fitted.parameters, meant, coil=coil, curves=fitted.curves),
        *model_findings.of_laws(alone),
        *uneven_harmonics.uneven(gathered.takes, fitted),
        *bumps.findings(fitted.curves),
        *filter(None, [mass_to_add.next_step(fitted, session)]),
    )
    by_hand = threepoint.cross_check(alone)
    if by_hand is not None:
        gathered = replace(gathered, findings=(*gathered.findings, by_hand))
    advice = improve.advise(fitted, gathered.curves, session)
    profiles = {}
    if profile:
        from fit.lmfit_front import Solution, wider_than_reported

        profiles = Solution.of(alone).profile()
        fitted = replace(
            fitted,
            warnings=(*fitted.warnings, *wider_than_reported(profiles, alone.parameters)),
        )
    _write(
        fitted, gathered, verdicts, findings, words, advice, profiles, sessions.around(session),
        report=report, save=save, keep=_folder_of_fits(free[0]) if keep else None,
        everything=everything, as_json=as_json,
    )  # fmt: skip
    found = {verdict.verdict for verdict in verdicts}
    return MISSED if "outside" in found else UNDECIDED if "undecided" in found else 0


def _write(
    fitted: DriverFit,
    gathered: Gathered,
    verdicts: Sequence[Verdict],
    findings: Sequence[Finding],
    words: SessionWords,
    advice: Sequence[Advice],
    profiles: Profiles,
    air: Air,
    *,
    report: Path | None,
    save: Path | None,
    keep: Path | None,
    everything: bool,
    as_json: bool,
) -> None:
    import json

    from fit.results import store
    from fit.uncertainty import advice as improve
    from fit.uncertainty.multimeter import NOT_VISIBLE
    from meas.files.writing import write_text

    document = store.to_json(
        fitted,
        unit=gathered.unit,
        verdicts=verdicts,
        findings=findings,
        warnings=gathered.findings,
    )
    document["improvements"] = improve.to_json(advice)
    unseen = [] if words.measured_re else [NOT_VISIBLE]
    document["not_visible"] = [one.as_json() for one in unseen]
    if profiles:
        document["profile"] = profile_words.to_json(profiles, fitted.parameters)
    text = json.dumps(document, ensure_ascii=False, allow_nan=False)
    if save is not None:
        write_text(save, text + "\n")
    elif keep is not None:
        save = _kept(keep, gathered.unit, text + "\n")
    if report is not None:
        from cli.report import forms, origin

        forms.write_fit(
            report,
            fitted,
            unit=gathered.unit,
            verdicts=verdicts,
            findings=findings,
            warnings=gathered.findings,
            origin=origin.of_fit(gathered, words),
            advice=advice,
            air=air,
        )
    if as_json:
        show.line(text)
    else:
        print_fit(
            fitted, gathered.unit, verdicts, findings, gathered.findings, advice, profiles,
            everything=everything,
        )  # fmt: skip
        for one in unseen:
            show.note(show.sentence(one.text))
    for name, path in (("Fit", save), ("Report", report)):
        if path is not None:
            (show.note if as_json else show.line)(f"{name}: {path}")


def _folder_of_fits(source: str) -> Path:
    """``fits`` beside the folder of the takes, where no ``takes/*`` picks the fits up again."""
    here = Path(source).absolute()
    folder = here.parent.parent if here.is_dir() else here.parent
    kept = folder / "fits"
    return kept if Path(source).is_absolute() else Path(os.path.relpath(kept))


def _kept(folder: Path, unit: str, text: str) -> Path | None:
    """Keep a fit under a free name; once, however often it is made."""
    from cli.sources.free_name import names
    from meas.files.writing import write_text

    content = text.encode("utf-8", "replace")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path in names(folder, f"{unit}-fit", ".json"):
            if not path.exists():
                write_text(path, text)
                return path
            if (
                path.is_file()
                and path.stat().st_size == len(content)
                and path.read_bytes() == content
            ):
                return path
    except (OSError, UsageError) as error:
        show.note(f"The fit is not kept: {error}. --save FILE.json keeps it elsewhere.", "yellow")
    return None


def print_fit(
    fitted: DriverFit,
    unit: str,
    verdicts: Sequence[Verdict],
    findings: Sequence[Finding],
    warnings: Sequence[Finding],
    advice: Sequence[Advice] = (),
    profiles: Profiles | None = None,
    *,
    everything: bool = True,
) -> None:
    """A fit in the terminal, the values last: a screen of thirty rows then shows them.

    Args:
        fitted: The fit.
        unit: Name of the driver.
        verdicts: How it stands to its targets.
        findings: Causes, and what to try next.
        warnings: Doubts of the takes.
        advice: What would narrow the intervals.
        profiles: Intervals by the profile of the likelihood.
        everything: Whether values that few people use, curves and model are shown, too.
    """
    from cli.terminal import advice_words, tables
    from fit.results.model_words import in_words

    if verdicts:
        show.say("", tables.verdicts(verdicts))
    for title, told in (
        ("Why, and what to try next", findings),
        ("Doubts", (*fitted.warnings, *warnings)),
    ):
        if told:
            show.heading(title)
            show.findings(told)
    if everything:
        show.say("", tables.curves(fitted))
        show.say(f"Model {fitted.model}: {in_words(fitted.model, fitted.parameters)}")
        advice_words.tell(advice)
    if profiles:
        profile_words.tell(profiles, fitted.parameters)
    show.heading(f"{unit}")
    show.say(sentences(fitted, verdicts, findings, advice))
    show.say("", tables.parameters(fitted, None if everything else USUAL))
    if not everything and (more := len(fitted.parameters.keys() - USUAL)):
        show.note(f"{more} more values, the model, and all that limits or would narrow them: --all")

"""``freeair fit``: from takes and tables to parameters, verdicts and a report."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.driver import profile as profile_words
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
    flag,
    option,
)
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.driver.profile import Profiles
    from cli.sources.takes_and_tables import Gathered
    from cli.sources.targets_file import TargetsFile
    from fit.compare.sitting import Held
    from fit.given.measured import Session
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
    added_mass: list[str] | None = option("FILE=M", "A table measured with mass M on the cone."),
    test_box: list[str] | None = option(
        "FILE=V", "A table measured on a sealed box of net volume V."
    ),
    diameter: str | None = option("D", "Cone from mid-surround to mid-surround, such as 118mm."),
    area: str | None = option("A", "Effective cone area instead, such as 113cm2."),
    measured_re: str | None = option("R", "Coil resistance by multimeter, such as 6.2ohm."),
    moving_parts: str | None = option("M", "Weighed moving parts without their air, such as 9.3g."),
    mounting: str = option(
        "free|baffle",
        "Which air moves with the weighed parts. A face plate is a baffle.",
        default="free",
    ),
    held: HowHeld = None,
    air_temperature: AirTemperature = None,
    air_pressure: AirPressure = None,
    relative_humidity: RelativeHumidity = None,
    table_tolerance: TableTolerance = None,
    model: Model = "auto",
    unit: str | None = option("NAME", "Name of the driver, for tables."),
    targets: Path | None = option("FILE", "What was meant: judge against this file."),
    report: Report = None,
    save: Path | None = option(
        "FILE.json", "Keep the fit here, for freeair compare; else it is kept in fits."
    ),
    keep: Annotated[
        bool,
        typer.Option(
            "--keep/--no-keep", help="Whether a fit that is not saved is kept all the same."
        ),
    ] = True,
    profile: bool = flag(
        "--profile", "Show intervals by profile likelihood too, computed by lmfit; takes seconds."
    ),
    everything: bool = flag("--all", "Show the rarer values, the curves and the model, too."),
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
    from cli.report import forms
    from cli.sources import opened, takes_and_tables
    from cli.words import session as sessions
    from fit.uncertainty.unproven import unproven
    from meas.files.json_file import write_json

    words = sessions.SessionWords(
        diameter, area, measured_re, moving_parts, air_temperature, air_pressure,
        relative_humidity, table_tolerance, mounting, held,
    )  # fmt: skip
    if judge_by_status and targets is None:
        raise UsageError(
            "there is nothing to judge by",
            where="--judge-by-status",
            remedy="Give the targets too: --targets FILE (freeair targets new FILE makes one).",
        )
    options.check_open(open_page, report)
    forms.check(report, None, save)
    meant = None if targets is None else opened.targets(targets)
    options.check_model(model)
    gathered = takes_and_tables.gather(
        free, added_mass or (), test_box or (), unit, words.table_tolerance
    )
    boxes = any(curve.condition.name == "test-box" for curve in gathered.curves)
    session = sessions.session(words, boxes=boxes)
    held = sessions.how_held(words)
    found = _judged(gathered, session, held, model, meant, with_profiles=profile)
    document = _document(found)
    unseen = unproven(gathered.curves, gathered.takes, session)
    document["not_visible"] = [one.as_json() for one in unseen]
    if save is not None:
        write_json(save, document)
    elif keep and not as_json:
        save = _kept(_folder_of_fits(free[0]), found.unit, document)
    if report is not None:
        from cli.report import fit_page, origin

        page = fit_page.content(
            found.fit,
            unit=found.unit,
            verdicts=found.verdicts,
            findings=found.findings,
            warnings=found.warnings,
            origin=origin.of_fit(gathered, words, unseen),
            advice=found.advice,
            air=sessions.around(session),
        )
        forms.write_page(report, page)
    if as_json:
        show.document(document)
    else:
        print_fit(found, everything=everything)
        for one in unseen:
            show.note(show.sentence(one.text))
    show.files({"Fit": save, "Report": report}, as_json=as_json)
    if open_page and report is not None:
        from cli.terminal.open_page import open_page as opened_in_browser

        opened_in_browser(report)
    verdicts = {verdict.verdict for verdict in found.verdicts}
    if judge_by_status and verdicts & {"outside", "undecided"}:
        raise typer.Exit(MISSED if "outside" in verdicts else UNDECIDED)


@dataclass(frozen=True)
class JudgedFit:
    """A fit with all that is said about it.

    Attributes:
        verdicts: How they stand to the targets.
        findings: Causes, and what to try next.
        warnings: Doubts of the takes, besides the fit's own.
        advice: What would narrow the intervals.
        profiles: Intervals by the profile of the likelihood.
    """

    unit: str
    fit: DriverFit
    verdicts: Sequence[Verdict] = ()
    findings: Sequence[Finding] = ()
    warnings: Sequence[Finding] = ()
    advice: Sequence[Advice] = ()
    profiles: Profiles = field(default_factory=dict)


def _judged(
    gathered: Gathered,
    session: Session,
    held: Held,
    model: str,
    meant: TargetsFile | None,
    *,
    with_profiles: bool,
) -> JudgedFit:
    """Fit, judge and explain.

    Raises:
        Refused: If the curves support no fit.
    """
    from cli.driver import mass_to_add, uneven_harmonics
    from cli.sources import opened
    from fit.compare import sitting
    from fit.diagnosis import bumps, explain
    from fit.diagnosis.by_hand import cross_check
    from fit.joint import fit_driver
    from fit.results import judge, model_findings
    from fit.uncertainty.advice import advise

    with opened.naming(gathered.unit):
        alone = fit_driver(gathered.curves, session, model=model)
    fitted = sitting.of_driver(alone, held, gathered.unit)
    targets = () if meant is None else meant.targets
    coil = None if meant is None else meant.winding.coil()
    findings = (
        *explain.explain(fitted.parameters, targets, coil=coil, curves=fitted.curves),
        *model_findings.of_laws(alone),
        *uneven_harmonics.uneven(gathered.takes, fitted),
        *bumps.findings(fitted.curves),
        *filter(None, [mass_to_add.next_step(fitted, session)]),
    )
    verdicts = judge.judge(fitted.parameters, targets, fitted.sources)
    advice = advise(fitted, gathered.curves, session)
    profiles = {}
    if with_profiles:
        from fit.lmfit_front import Solution, wider_than_reported

        profiles = Solution.of(alone).profile()
        wider = wider_than_reported(profiles, alone.parameters)
        fitted = replace(fitted, warnings=(*fitted.warnings, *wider))
    warnings = (*gathered.findings, *filter(None, [cross_check(alone)]))
    return JudgedFit(gathered.unit, fitted, verdicts, findings, warnings, advice, profiles)


def _document(found: JudgedFit) -> dict[str, object]:
    """A fit as it is saved and printed, format ``freeair-fit/1``."""
    from fit.results import store
    from fit.uncertainty import advice

    document = store.to_json(
        found.fit,
        unit=found.unit,
        verdicts=found.verdicts,
        findings=found.findings,
        warnings=found.warnings,
    )
    document["improvements"] = advice.to_json(found.advice)
    if found.profiles:
        document["profile"] = profile_words.to_json(found.profiles, found.fit.parameters)
    return document


def _folder_of_fits(source: str) -> Path:
    """``fits`` beside the folder of the takes, where no ``takes/*`` picks the fits up again."""
    here = Path(source).absolute()
    folder = here.parent.parent if here.is_dir() else here.parent
    kept = folder / "fits"
    return kept if Path(source).is_absolute() else Path(os.path.relpath(kept))


def _kept(folder: Path, unit: str, document: dict[str, object]) -> Path | None:
    """Keep a fit under a free name; once, however often it is made."""
    from cli.sources.free_name import names
    from meas.files.json_file import as_text
    from meas.files.writing import write_text

    text = as_text(document)
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


def print_fit(found: JudgedFit, *, everything: bool) -> None:
    """Print a fit, the values last: a screen of thirty rows then shows them.

    Args:
        everything: Whether values that few people use, curves and model are shown, too.
    """
    from cli.report.fit_words import USUAL, limits, sentences, steps
    from cli.terminal import tables
    from cli.terminal.sections import say
    from fit.results.model_words import in_words

    fit, verdicts, findings = found.fit, found.verdicts, found.findings
    if verdicts:
        show.say("", tables.verdicts(verdicts))
    show.under("Why, and what to try next", findings)
    show.under("Doubts", (*fit.warnings, *found.warnings))
    if everything:
        show.say("", tables.curves(fit))
        show.say(f"Model {fit.model}: {in_words(fit.model, fit.parameters)}")
        say([*limits(found.advice), *steps(found.advice)])
    if found.profiles:
        profile_words.tell(found.profiles, fit.parameters)
    show.heading(found.unit)
    show.say(sentences(fit, verdicts, findings, found.advice))
    show.say("", tables.parameters(fit, None if everything else USUAL))
    if not everything and (more := len(fit.parameters.keys() - USUAL)):
        show.note(f"{more} more values, the model, and all that limits or would narrow them: --all")

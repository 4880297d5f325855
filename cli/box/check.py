"""``freeair box-check``: the finished box, swept with its driver in it, against its plan."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from cli.words import units
from cli.words.options import AsJson, Report, TableTolerance, flag, option, valued
from cli.words.values import Value
from meas.errors import Finding, UsageError

if TYPE_CHECKING:
    from cli.box.plan_file import PlannedBox
    from cli.terminal.sections import Section
    from fit.box.advice import Tube
    from fit.box.as_built import SystemFit


_TIGHTER = 1000.0  # a leakage Q beyond which nobody asks


def box_check(
    system: Annotated[
        str,
        typer.Argument(
            metavar="TAKE", help="A take made with --kind system, or an impedance table."
        ),
    ],
    driver: Annotated[
        Path, typer.Option(metavar="FIT.json", help="The fit of the driver in it, in free air.")
    ],
    plan: Path | None = option("PLAN.json", "What was meant, from freeair box --save."),
    closed: bool = flag("--closed", "The box has no vent."),
    vented: bool = flag("--vented", "The box has a vent."),
    bore: Value | None = valued(
        units.LENGTH, "--bore", "D", "Tube in it, where it is not as planned."
    ),
    tube_length: Value | None = valued(
        units.LENGTH, "--tube-length", "L", "Tube in it, where it is not as planned."
    ),
    picture: Path | None = option("FILE.png|svg", "Draw curve and model."),
    table_tolerance: TableTolerance = None,
    report: Report = None,
    as_json: AsJson = False,
) -> None:
    """See what a finished box has become: resonance, Q, tuning, leak and effective volume.

    Sweep the built box with its driver wired alone (no crossover), then compare with the plan.

    \b
    freeair take porch-left --rig bench.toml --kind system
    freeair box-check takes/porch-left_* --driver lantern.json --plan porch-plan.json
    """
    from cli.box import plan_file
    from cli.report import forms
    from cli.sources import opened
    from fit.box import saved_driver
    from fit.box.advice import changes
    from fit.box.as_built import fit_system

    if closed and vented:
        raise UsageError(
            "--closed and --vented are both said", where="--closed", remedy="Leave one of them out."
        )
    forms.check(report, picture)
    unit, fitted = opened.fit(driver)
    meant = None if plan is None else plan_file.read(plan)
    kind = _kind(closed, vented, meant)
    (source,) = opened.scaled([opened.curve(system, ("system", "driver"))], table_tolerance)
    with opened.naming(system):
        found = fit_system(source.curve, saved_driver.of_fit(fitted), kind)
    tube = _tube(meant, bore, tube_length)
    towards_plan = () if meant is None else changes(found, meant.box(), tube)
    doubts = (*found.warnings, *(f for f in source.findings if not f.refuses))
    if picture is not None:
        from cli.pictures import plots, plots_box

        plots.save_picture(plots_box.system_figure(found, f"{source.name} in its box"), picture)
    forms.give(
        f"{source.name} in its box",
        _lead(found),
        _sections(source.name, found, towards_plan, doubts, meant is not None),
        lambda: _document(source.name, unit, found, towards_plan, doubts),
        as_json=as_json,
        report=report,
        units=(unit,),
        files={"Picture": picture},
    )


def _kind(
    closed: bool, vented: bool, plan: PlannedBox | None
) -> Literal["closed", "vented"] | None:
    """Kind of the box, as said or as planned."""
    said: Literal["closed", "vented"] | None = "closed" if closed else "vented" if vented else None
    if plan is None:
        return said
    if said is not None and said != plan.kind:
        raise UsageError(
            f"the plan is of a {plan.kind} box",
            where=f"--{said}",
            remedy="Leave out the option, or give the plan of this box.",
        )
    return plan.kind


def _tube(plan: PlannedBox | None, bore: Value | None, length: Value | None) -> Tube | None:
    """The tube as said, else as planned."""
    from fit.box.advice import Tube

    planned = None if plan is None else plan.vent
    if plan is None and (bore is not None or length is not None):
        raise UsageError(
            "a tube can only be corrected towards a plan",
            where="--bore, --tube-length",
            remedy="Add --plan PLAN.json, from freeair box --save.",
        )
    d = bore.value if bore is not None else planned.bore_m if planned is not None else None
    cut = length.value if length is not None else planned.length_m if planned is not None else None
    if bore is not None and d is not None and cut is None:
        raise UsageError(
            "the tube has no length",
            where="--bore",
            remedy="Add --tube-length: the plan does not know it.",
        )
    if length is not None and d is None:
        raise UsageError(
            "the tube has no bore",
            where="--tube-length",
            remedy="Add --bore: the plan does not know it.",
        )
    return None if d is None or cut is None else Tube(d, cut)


def _document(
    name: str,
    driver: str,
    found: SystemFit,
    towards_plan: tuple[Finding, ...],
    doubts: tuple[Finding, ...],
) -> dict[str, Any]:
    from fit.results.saved import value_of

    document: dict[str, Any] = {
        "format": "freeair-box-check/1",
        "unit": name,
        "driver": driver,
        "kind": found.kind,
        "parameters": {
            symbol: {**value_of(e), "contributions": dict(e.contributions)}
            for symbol, e in found.parameters.items()
        },
        "peaks_hz": list(found.peaks_hz),
        "residual_rms_relative": found.residual_rms_relative,
        "changes": [f.as_json() for f in towards_plan],
        "warnings": [f.as_json() for f in doubts],
        "sources": dict(found.sources),
    }
    if found.QL_at_least is not None:
        document["QL_at_least"] = found.QL_at_least
    return document


def _lead(found: SystemFit) -> str:
    """The box in a sentence."""
    of = found.parameters
    name, words = ("fc", "resonates at") if "fc" in of else ("fb", "is tuned to")
    return (
        f"A {found.kind} box of {of['Vb'].value * 1e3:.3g} L that {words} {of[name].value:.3g} Hz."
    )


def _sections(
    name: str,
    found: SystemFit,
    towards_plan: tuple[Finding, ...],
    doubts: tuple[Finding, ...],
    has_plan: bool,
) -> list[Section]:
    from cli.pictures.plots_box import system_figure
    from cli.terminal.sections import Drawing, Facts, Findings, Section, measured
    from fit.results.numbers import significant
    from fit.results.shares import shares

    of = found.parameters
    words = {
        "fc": ("Hz", 1.0, "resonance in the box"),
        "Qtc": ("", 1.0, "total Q in the box"),
        "fb": ("Hz", 1.0, "tuning of the vent"),
        "Vb": ("L", 1e-3, "effective volume"),
        "QL": ("", 1.0, "leakage Q"),
    }
    rows = [
        measured(symbol, of[symbol], unit, scale, text)
        for symbol, (unit, scale, text) in words.items()
        if symbol in of
    ]
    if found.QL_at_least is not None:
        least = significant(min(found.QL_at_least, _TIGHTER))
        rows.append(("QL", f"> {least}", "", "leakage Q; too tight to be told"))
    peaks = " and ".join(f"{hz:.1f}" for hz in found.peaks_hz)
    rows.append(("peaks", peaks, "Hz", "of the impedance"))
    main = shares(of["Vb"], found.sources)[:2]
    said = ", ".join(f"{100 * share:.0f} % {text}" for text, share in main)
    blocks = [
        Facts(rows),
        f"The volume is limited by {said}." if said else "",
        f"Off the model: {100 * found.residual_rms_relative:.2g} % of |Z| (rms).",
        Drawing("system", partial(system_figure, found, f"{name} in its box"),
                "Impedance of the box, measured and model",
                "Measured (broad), model (thin), and what the model leaves over."),
        "" if has_plan else "No --plan given: nothing to compare with.",
    ]  # fmt: skip
    made = [Section(f"{name}: {found.kind} box as built", [one for one in blocks if one])]
    made += [Section("Against the plan", (Findings(towards_plan),))] if towards_plan else []
    return made + ([Section("Doubts", (Findings(doubts),))] if doubts else [])

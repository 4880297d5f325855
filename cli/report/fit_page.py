"""The page about one driver: what it is, against what was meant, and how that is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from markupsafe import Markup

from cli.pictures import marks, plots, wiring
from cli.report import expected
from cli.report.exploring import exploring, residuals
from cli.report.fit_words import USUAL, sentences, steps
from cli.report.page import (
    Explored,
    Measured,
    Page,
    ParameterRow,
    Parameters,
    VerdictRow,
    Verdicts,
    part,
    parts,
    today,
)
from cli.report.parts import Plot, drawn, finding_lines, strip
from cli.terminal import cautions
from cli.terminal.show import counted
from cli.terminal.tables import curve_rows
from fit.results.model_words import in_words
from fit.results.numbers import figures, with_unit
from fit.results.quantities import in_order, shown

if TYPE_CHECKING:
    from fit.box.circuit import Air
    from fit.results.judge import Target, Verdict
    from fit.results.quantities import Shown
    from fit.results.result import DriverFit
    from fit.uncertainty.advice import Advice
    from meas.bench.rig import Rig
    from meas.errors import Finding


@dataclass(frozen=True)
class Origin:
    """Origin of the data.

    Attributes:
        rig: The bench, where the takes know it.
        how: Name and text of everything that another person would need to repeat it.
    """

    rig: Rig | None
    how: tuple[tuple[str, str], ...]


def content(
    fit: DriverFit,
    *,
    unit: str,
    verdicts: Sequence[Verdict],
    findings: Sequence[Finding],
    warnings: Sequence[Finding],
    origin: Origin,
    advice: Sequence[Advice] = (),
    air: Air | None = None,
) -> Page:
    """Collect what the page says and shows.

    Args:
        verdicts: Against the targets, none without targets.
        findings: What the deviations say about the build.
        warnings: Doubts besides the fit's own.
        air: Air of the sitting, to say what the driver will do; None leaves that out.
    """
    rows = {symbol: ParameterRow.of(fit, symbol) for symbol in in_order(fit.parameters)}
    usual = tuple(row for symbol, row in rows.items() if symbol in USUAL)
    rarer = tuple(row for symbol, row in rows.items() if symbol not in USUAL)
    will_do = [] if air is None else [expected.section(fit, verdicts, air)]
    all_parts = (
        part("Is it what was meant?", verdicts and Verdicts(tuple(map(_verdict_row, verdicts)))),
        part("Why, and what to try next", finding_lines(findings)),
        part("Doubts", finding_lines((*fit.warnings, *warnings))),
        part("The curves", _curves(fit)),
        part("Parameters", Parameters(usual, rarer)),
        *parts([*steps(advice), *will_do], pictured=False),
        part("The motion alone", _motion_plot(fit), pictured=False),
        part("How it was measured", _measured(fit, origin)),
        part("Before you measure again", *(cautions.for_rig(origin.rig) if origin.rig else ())),
    )
    return Page(
        title=unit,
        subtitle=f"Measured driver, {counted(len(fit.curves), 'curve')}, {today()}",
        lead=sentences(fit, verdicts, findings, advice),
        parts=tuple(one for one in all_parts if one.blocks),
        units=(unit,),
    )


def _measured(fit: DriverFit, origin: Origin) -> Measured:
    picture, note = None, ""
    if origin.rig is not None:
        described = wiring.describe(origin.rig.wiring)
        picture, note = Markup(wiring.as_svg(described)), described.note
    how = (("Model", _model_words(fit)), *origin.how)
    return Measured(picture, note, how, tuple(curve_rows(fit)))


def _verdict_row(verdict: Verdict) -> VerdictRow:
    symbol = verdict.target.parameter
    estimate = verdict.estimate
    how = shown(symbol, estimate.unit if estimate else "", verdict.target.target)
    value, interval = "unknown", ""
    if estimate is not None:
        found = figures(estimate, how.scale)
        value, interval = with_unit(found.value, how.unit), f"{found.low} to {found.high}"
    drawn = strip(verdict.target, estimate, verdict.text)
    # Markup of symbols is ours, from a fixed table.
    return VerdictRow(
        Markup(how.markup),
        how.symbol,
        how.words,
        _allowed(verdict.target, how),
        drawn,
        value,
        interval,
        verdict.verdict,
    )


def _allowed(target: Target, how: Shown) -> str:
    """Write the limits of a target."""
    low, high = (
        None if end is None else f"{end / how.scale:.4g}" for end in (target.lower, target.upper)
    )
    if low and high:
        return with_unit(f"{low} to {high}", how.unit)
    return with_unit(f"at least {low}" if low else f"at most {high}", how.unit)


def _model_words(fit: DriverFit) -> str:
    words = f"{fit.model}: {in_words(fit.model, fit.parameters)}"
    if len(fit.model_choice) < 2:
        return words
    return f"{words}; chosen by an information criterion from {', '.join(fit.model_choice)}"


def _curves(fit: DriverFit) -> Explored:
    marked = {k: marks.of_fit(fit) for k, one in enumerate(fit.curves) if one is fit.free_air[0]}
    return Explored(
        exploring(
            fit.curves,
            plots.labels(fit.curves),
            what="take",
            third=residuals(fit.curves),
            models=True,
            marked=marked,
        ),
        drawn(
            plots.curve_figure(fit),
            "curve",
            "Impedance magnitude, phase and residual over frequency",
            "What was measured (broad), what the model makes of it (thin), and what it leaves "
            "over, in per cent of |Z|.",
        ),
    )


def _motion_plot(fit: DriverFit) -> Plot:
    return drawn(
        plots.motional_figure(fit),
        "motion",
        "Motional impedance near resonance",
        "The coil taken off: what the cone's motion alone does. A healthy resonance is a smooth "
        "hill and a round circle; rubbing, leaks and loose parts dent it.",
    )

"""The forms that a report can take, told by the ending of its file's name."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from meas.errors import UsageError
from meas.files.writing import refuse_existing, write_bytes, write_text

if TYPE_CHECKING:
    from cli.report.comparison_page import Compared
    from cli.report.fit_page import Origin
    from cli.terminal.sections import Section
    from fit.results.judge import Verdict
    from fit.results.result import DriverFit
    from fit.uncertainty.advice import Advice
    from meas.errors import Finding

FORMS = {
    ".html": "a page to explore and print",
    ".pdf": "a sheet to print or send",
    ".png": "one picture",
    ".md": "text",
}


def check(path: Path | None) -> None:
    """Make sure, before anything is computed, that a report can go there, if there is to be one.

    Raises:
        UsageError: If the ending is none of `FORMS`, or the file exists.
    """
    if path is None:
        return
    if path.suffix.lower() not in FORMS:
        named = ", ".join(f"{ending} ({what})" for ending, what in FORMS.items())
        raise UsageError(
            f"'{path.suffix or path.name}' is no kind of report",
            where=str(path),
            remedy=f"End the name with one of: {named}.",
        )
    refuse_existing(path)


def write_fit(
    path: Path,
    fit: DriverFit,
    *,
    unit: str,
    verdicts: Sequence[Verdict],
    findings: Sequence[Finding],
    warnings: Sequence[Finding],
    origin: Origin,
    advice: Sequence[Advice] = (),
) -> None:
    """The report of a fit; arguments as for `cli.report.fit_page.content`.

    Raises:
        UsageError: As `check`, or if the file cannot be written.
    """
    from cli.report import fit_page, paper, plain
    from cli.report.parts import render

    check(path)
    page = fit_page.content(
        fit,
        unit=unit,
        verdicts=verdicts,
        findings=findings,
        warnings=warnings,
        origin=origin,
        advice=advice,
    )
    _write(
        path,
        html=lambda: render("fit.html.j2", page),
        text=lambda: plain.fit_text(page),
        sheets=lambda: paper.fit_sheets(page, fit),
        picture=lambda: paper.fit_picture(page, fit),
    )


def write_sections(
    path: Path | None,
    title: str,
    lead: str,
    sections: Sequence[Section],
    units: Sequence[str] = (),
) -> None:
    """The report of a command that says what it found in sections; none for no path.

    Args:
        path: The file.
        title: Of the page.
        lead: The result in a sentence.
        sections: All that is said about it.
        units: Drivers that the page is about, for an index of pages.

    Raises:
        UsageError: As `check`, or if the file cannot be written.
    """
    from cli.report import page as pages
    from cli.report import paper, plain
    from cli.report.parts import render

    if path is None:
        return
    check(path)
    page = pages.page(title, lead, sections, units)
    _write(
        path,
        html=lambda: render("page.html.j2", page),
        text=lambda: plain.page_text(page),
        sheets=lambda: paper.page_sheets(page),
        picture=lambda: paper.page_picture(page),
    )


def write_comparison(path: Path, compared: Compared) -> None:
    """The report of a comparison.

    Raises:
        UsageError: As `check`, or if the file cannot be written.
    """
    from cli.report import comparison_page, paper, plain
    from cli.report.parts import render

    check(path)
    page = comparison_page.content(compared)
    _write(
        path,
        html=lambda: render("comparison.html.j2", page),
        text=lambda: plain.comparison_text(page),
        sheets=lambda: paper.comparison_sheets(page, compared),
        picture=lambda: paper.comparison_picture(page, compared),
    )


def _write(
    path: Path,
    *,
    html: Callable[[], str],
    text: Callable[[], str],
    sheets: Callable[[], bytes],
    picture: Callable[[], bytes],
) -> None:
    """Make the form that the file's ending asks for, and only that one."""
    match path.suffix.lower():
        case ".html":
            write_text(path, html())
        case ".md":
            write_text(path, text())
        case ".pdf":
            write_bytes(path, sheets())
        case _:
            write_bytes(path, picture())

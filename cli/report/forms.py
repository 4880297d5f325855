"""The forms that a report can take, told by the ending of its file's name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from meas.errors import UsageError
from meas.files.writing import refuse_existing, write_bytes, write_text

if TYPE_CHECKING:
    from cli.report.comparison_page import Compared
    from cli.report.page import Page
    from cli.terminal.sections import Section
    from fit.results.result import DriverFit

FORMS = {
    ".html": "a page to explore and print",
    ".pdf": "a sheet to print or send",
    ".png": "one picture",
    ".md": "text",
}


def check(path: Path | None, picture: Path | None = None, *others: Path | None) -> None:
    """Make sure, before anything is computed, that files can go where they are wanted.

    Args:
        path: A report.
        picture: A picture.
        others: Files whose names may end in any way.

    Raises:
        UsageError: If an ending is not known, or a file exists.
    """
    if picture is not None:
        from cli.pictures import plots

        plots.check_picture(picture)
    for other in filter(None, others):
        refuse_existing(other)
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


def write_fit(path: Path, fit: DriverFit, **what: Any) -> None:
    """Write the report of a fit; arguments as for `cli.report.fit_page.content`.

    Raises:
        UsageError: As `check`, or if the file cannot be written.
    """
    from cli.report import fit_page, paper, plain
    from cli.report.parts import render

    check(path)
    page = fit_page.content(fit, **what)
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
    """Write the report of a command that says what it found in sections; none for no path.

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

    if path is None:
        return
    check(path)
    _write_page(path, pages.page(title, lead, sections, units))


def give(
    title: str,
    lead: str,
    sections: Sequence[Section],
    document: Callable[[], Mapping[str, Any]],
    *,
    as_json: bool,
    report: Path | None,
    units: Sequence[str] = (),
    files: Mapping[str, Path | None] | None = None,
) -> None:
    """Give what a command found: a report, words or JSON, and the names of the files made.

    Args:
        title: Of the report.
        lead: The result in a sentence.
        sections: All that is said about it.
        document: Makes the same as JSON.
        as_json: Whether JSON is asked for instead of words.
        report: The file of the report; None for none.
        units: Drivers that the report is about.
        files: Further files that were made, by what they are.
    """
    from cli.terminal import show
    from cli.terminal.sections import say

    write_sections(report, title, lead, sections, units)
    if as_json:
        show.document(document())
    else:
        say(sections)
    show.files({**(files or {}), "Report": report}, as_json=as_json)


def write_comparison(path: Path, compared: Compared) -> None:
    """Write the report of a comparison.

    Raises:
        UsageError: As `check`, or if the file cannot be written.
    """
    from cli.report import comparison_page

    check(path)
    _write_page(path, comparison_page.content(compared))


def _write_page(path: Path, page: Page) -> None:
    from cli.report import paper, plain
    from cli.report.parts import render

    _write(
        path,
        html=lambda: render("page.html.j2", page),
        text=lambda: plain.page_text(page),
        sheets=lambda: paper.page_sheets(page),
        picture=lambda: paper.page_picture(page),
    )


def _write(
    path: Path,
    *,
    html: Callable[[], str],
    text: Callable[[], str],
    sheets: Callable[[], bytes],
    picture: Callable[[], bytes],
) -> None:
    """Make the form that the file's ending asks for, and only that one.

    A page of HTML is taken up into the index of its folder.
    """
    from cli.report import index

    match path.suffix.lower():
        case ".html":
            write_text(path, html())
            index.refresh(path.parent)
        case ".md":
            write_text(path, text())
        case ".pdf":
            write_bytes(path, sheets())
        case _:
            write_bytes(path, picture())

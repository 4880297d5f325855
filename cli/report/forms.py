"""The forms that a report can take, told by the ending of its file's name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from meas.errors import UsageError
from meas.files.writing import refuse_existing, write_bytes, write_text

if TYPE_CHECKING:
    from cli.report.page import Page
    from cli.terminal.sections import Section

FORMS = {
    ".html": "a page to explore and print",
    ".pdf": "a sheet to print or send",
    ".png": "one picture",
    ".md": "text",
}


def check(path: Path | None, picture: Path | None = None, *others: Path | None) -> None:
    """Make sure, before anything is computed, that files can go where they are wanted.

    Args:
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
        lead: The result in a sentence.
        document: Makes the same as JSON.
        units: Drivers that the report is about.
        files: Further files that were made, by what they are.
    """
    from cli.report import page as pages
    from cli.terminal import show
    from cli.terminal.sections import leaves_the_screen, say

    if report is not None:
        write_page(report, pages.page(title, lead, sections, units))
    if as_json:
        show.document(document())
    else:
        show.heading(title)
        show.say(lead)
        say(sections)
        if leaves_the_screen(sections):
            show.say("", f"In short: {lead}")
    show.files({**(files or {}), "Report": report}, as_json=as_json)


def write_page(path: Path, page: Page) -> None:
    """Write a report in the form that the file's ending asks for, and only that one.

    A page of HTML is taken up into the index of its folder.

    Raises:
        UsageError: As `check`, or if the file cannot be written.
    """
    from cli.report import index, paper, plain
    from cli.report.parts import render

    check(path)
    match path.suffix.lower():
        case ".html":
            write_text(path, render("page.html.j2", page))
            index.refresh(path.parent)
        case ".md":
            write_text(path, plain.text(page))
        case ".pdf":
            write_bytes(path, paper.sheets(page))
        case _:
            write_bytes(path, paper.picture(page))

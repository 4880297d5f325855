"""``freeair show``: a take or a fit, looked at once more."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal import show
from cli.words.options import AsJson

_REMEDY = "Give a take's folder, or the JSON that 'freeair fit' or 'freeair part' saved."


def look_again(
    source: Annotated[
        str,
        typer.Argument(metavar="TAKE|FIT", help="A take's folder, or a saved fit or part (JSON)."),
    ],
    as_json: AsJson = False,
) -> None:
    """Look at a take or a saved fit again.

    \b
    freeair show takes/lantern_free-air_20260302-090000
    freeair show lantern.json
    """
    from cli.sources import opened
    from meas.takes import take as takes

    path = Path(source)
    if takes.is_take(path):
        from cli.bench import take_record

        take_record.report(takes.load(path), path, as_json=as_json)
        return
    document = opened.document(path, "saved fit or part", _REMEDY)
    if isinstance(document, dict) and str(document.get("format")).startswith("freeair-part/"):
        part = opened.part(path)
        if as_json:
            show.document(document)
            return
        from cli.part import tables

        show.heading(f"{part.name}: {part.kind}")
        show.say(tables.values(part.values, document["sources"]))
        return
    unit, fit = opened.fit_in(document, path)
    if as_json:
        show.document(document)
        return
    from cli.driver.fit import JudgedFit, print_fit

    print_fit(JudgedFit(unit, fit), everything=True)
    show.note("Against targets, with causes and advice: freeair fit TAKES --targets FILE", "dim")

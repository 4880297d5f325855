"""``freeair show``: a take or a fit, looked at once more."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.terminal import show
from cli.words.options import AsJson


def look_again(
    source: Annotated[
        str, typer.Argument(metavar="TAKE|FIT", help="A take's folder, or a saved fit (JSON).")
    ],
    as_json: AsJson = False,
) -> None:
    """Look at a take or a saved fit again.

    \b
    freeair show takes/lantern_free-air_20260302-090000
    freeair show lantern.json
    """
    import json

    from cli.sources import opened
    from meas.takes import take as takes

    path = Path(source)
    if takes.is_take(path):
        from cli.bench import take_record

        take_record.report(takes.load(path), path, as_json=as_json)
        return
    unit, fit = opened.fit(path)
    if as_json:
        show.document(json.loads(path.read_text("utf-8")))
        return
    from cli.driver.fit import JudgedFit, print_fit

    print_fit(JudgedFit(unit, fit), everything=True)
    show.note("Against targets, with causes and advice: freeair fit TAKES --targets FILE", "dim")

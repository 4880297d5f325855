"""``freeair series``: a small series of one design; one file for each sub-command."""

from __future__ import annotations

import typer

from cli.series import judge, limits, pairs, summary

app = typer.Typer(
    no_args_is_help=True, help="Check the units of a small series.", rich_markup_mode=None
)


@app.callback()
def _series() -> None:
    """Check the units of a small series: limits from good ones, one unit in, pairs out."""


app.command("limits")(limits.limits)
app.command("judge")(judge.judge)
app.command("summary")(summary.summary)
app.command("pairs")(pairs.pairs)

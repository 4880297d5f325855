"""``freeair series``: a small series of one design; one file for each sub-command."""

from __future__ import annotations

import typer

from cli.series import judge as series_judge
from cli.series import limits as series_limits
from cli.series import pairs as series_pairs
from cli.series import summary as series_summary

app = typer.Typer(
    no_args_is_help=True, help="Check the units of a small series.", rich_markup_mode=None
)


@app.callback()
def _series() -> None:
    """Check the units of a small series: limits from good ones, one unit in, pairs out."""


app.command("limits")(series_limits.limits)
app.command("judge")(series_judge.judge)
app.command("summary")(series_summary.summary)
app.command("pairs")(series_pairs.pairs)

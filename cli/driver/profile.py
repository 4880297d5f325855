"""``freeair fit --profile``: intervals by the likelihood of the takes beside those reported."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from cli.terminal import show

if TYPE_CHECKING:
    from fit.lmfit_front import Profile
    from fit.results.result import Estimate

Profiles = Mapping[str, "Profile"]


def to_json(profiles: Profiles, parameters: Mapping[str, Estimate]) -> dict[str, object]:
    """The key ``profile`` of a fit's JSON; null where an interval has no end on a side."""
    return {
        symbol: {
            "interval_95": list(one.interval_95),
            "same_errors_linear_95": list(one.linear_95),
            "reported_95": list(parameters[symbol].interval_95),
            "unit": parameters[symbol].unit,
        }
        for symbol, one in profiles.items()
    }


def tell(profiles: Profiles, parameters: Mapping[str, Estimate]) -> None:
    """Print the three intervals of every quantity side by side."""
    from cli.terminal.tables import Column, numbers, plain_table
    from fit.results.quantities import shown

    rows = [
        (
            shown(symbol, parameters[symbol].unit).symbol,
            *(
                _interval(symbol, parameters[symbol], interval)
                for interval in (one.interval_95, one.linear_95, parameters[symbol].interval_95)
            ),
            shown(symbol, parameters[symbol].unit).unit,
        )
        for symbol, one in profiles.items()
    ]
    titles = ("profile likelihood", "the same, linear", "reported")
    columns = [Column(""), *numbers(*titles), Column("")]
    show.heading("95 % intervals by profile likelihood (lmfit)")
    show.say(plain_table(columns, rows))
    show.say(
        "Both count what the fit estimates: noise, model error, scale errors, stated masses and "
        "volumes, drift. Reported intervals add errors that change a curve's shape, the choice of "
        "the model and what few repetitions leave open."
    )


def _interval(symbol: str, estimate: Estimate, ends: tuple[float | None, float | None]) -> str:
    """Write both ends in the unit shown; ``open`` where there is none."""
    from fit.results.numbers import figures
    from fit.results.quantities import shown

    low, high = ends
    whole = (estimate.value if low is None else low, estimate.value if high is None else high)
    written = figures(replace(estimate, limits=whole), shown(symbol, estimate.unit).scale)
    return " to ".join(
        "open" if end is None else text for end, text in ((low, written.low), (high, written.high))
    )

"""Shares of an estimate's variance by cause, in words that a builder understands."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

from fit.given.prior_widths import BOX, DEPARTURES, DRIFT
from fit.results.error_sources import variance

if TYPE_CHECKING:
    from fit.results.result import Estimate


REPEATS = "how well the driver repeats itself"
DRIFTS = "drift between takes"
_DEPARTURE = re.compile(r"random:(?:driver-)?(repeatability|drift):([a-z]+):(\d+)")


def shares(estimate: Estimate, sources: Mapping[str, str]) -> list[tuple[str, float]]:
    """Split the variance of an estimate by cause, the largest first.

    Sources of one description count as one. So do the departures of single takes, of which there
    are several in every fit: nobody can mend one of them alone.

    Args:
        estimate: Estimate with its error sources.
        sources: Error source to its description, as in `fit.results.result.DriverFit`.
    """
    total = variance(estimate.contributions)
    if total <= 0:
        return []
    found: dict[str, float] = {}
    for source, part in estimate.contributions.items():
        words = _words(source, sources)
        found[words] = found.get(words, 0.0) + part * part / total
    return sorted(found.items(), key=lambda pair: -pair[1])


def _words(source: str, sources: Mapping[str, str]) -> str:
    if not (departure := _DEPARTURE.match(source)):
        return sources.get(source, source)
    group, kind, take = departure.groups()
    if kind in BOX and kind not in DRIFT:
        # Takes are numbered wherever they are shown; their paths would drown the cause.
        return f"{DEPARTURES[kind]} of take {take}"
    return REPEATS if group == "repeatability" else DRIFTS

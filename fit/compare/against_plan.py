"""Motion of a driver towards its targets or away from them, in words."""

from __future__ import annotations

from collections.abc import Sequence

from fit.results.judge import Verdict
from fit.results.quantities import shown


def in_words(before: Sequence[Verdict], after: Sequence[Verdict]) -> str:
    """Say which targets are met now, and how each stood before.

    Args:
        before: Verdicts of the first state, in the order of the targets.
        after: Verdicts of the last state on the same targets.
    """
    said: dict[str, list[str]] = {"inside": [], "outside": [], "undecided": []}
    for one, other in zip(before, after, strict=True):
        moved = "" if one.verdict == other.verdict else f" (was {one.verdict})"
        said[other.verdict].append(f"{shown(other.target.parameter, '').symbol}{moved}")
    parts = [f"{word}: {', '.join(symbols)}" for word, symbols in said.items() if symbols]
    return f"Against the targets now: {'; '.join(parts)}." if parts else ""

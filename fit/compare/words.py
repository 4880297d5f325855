"""A comparison in sentences, and as JSON, format ``freeair-compare/1``."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from fit.compare.changes import Change, Comparison, Remark, compare
from fit.compare.pair import pairs
from fit.compare.trend import Trend, trend
from fit.driver.elements.quantity import rounded
from fit.given.standards import COPPER_PER_KELVIN
from fit.results.numbers import signed, signed_percent
from fit.results.quantities import QUANTITIES, capitalised, quantity
from fit.results.result import DriverFit

FORMAT = "freeair-compare/1"

_ECHO = {
    "Re_20C": "Re",
    "Res": "Zmax",
    "eta0": "sensitivity_2v83",
    "sensitivity_1w": "sensitivity_2v83",
}
"""Quantities that say in other words what another one says: left out of sentences beside it."""


def in_words(comparison: Comparison, *, same_unit: bool = True) -> str:
    """Say what changed, most significant first, and what it means.

    Args:
        same_unit: One driver at two times, in contrast to two drivers.
    """
    return " ".join(filter(None, known_and_unsure(comparison, same_unit=same_unit)))


def assumptions(comparisons: Sequence[Comparison]) -> tuple[str, ...]:
    """Collect the notes of comparisons; one that several states share is said once, with names."""
    found: dict[str, dict[str, None]] = {}
    for one in comparisons:
        for remark in one.remarks:
            found.setdefault(remark.text, {}).update(dict.fromkeys(remark.names))
    return tuple(str(Remark(tuple(names), text)) for text, names in found.items())


def known_and_unsure(comparison: Comparison, *, same_unit: bool = True) -> tuple[str, str]:
    """Say what changed and what it means, and beside it what is too uncertain to call unchanged.

    Args:
        same_unit: One driver at two times, in contrast to two drivers.
    """
    changed, undecided = (_without_echoes(comparison, word) for word in ("changed", "undecided"))
    if not comparison.changes:
        return "Nothing can be compared: the fits share no parameter.", ""
    verb, sentences = "changed" if same_unit else "differs", []
    if changed:
        cause, follow = _cause(comparison, same_unit)
        alone = [c for c in changed if c.parameter not in follow]
        sentences.append(cause)
        sentences += [f"{capitalised(_phrase(change, comparison, same_unit))}." for change in alone]
        sentences += [
            _warmed(comparison) if same_unit else "",
            f"Nothing else {verb} beyond uncertainty.",
        ]
    else:
        sentences.append(f"Nothing {verb} beyond uncertainty.")
    if not same_unit:
        sentences.append(_as_a_pair(comparison))
    listed = ", ".join(f"{_label(c.parameter)} ({_with_reach(c)})" for c in undecided)
    margin = f"{100 * comparison.margin:g} %"
    unsure = f"Too uncertain to call unchanged within {margin}: {listed}." if listed else ""
    return " ".join(filter(None, sentences)), unsure


def settled(steps: Sequence[Comparison], run: Trend | None = None) -> tuple[str, str]:
    """Judge whether a series has settled: a word (``yes no undecided``) and a sentence.

    Where the hours show the end of the resonance, the rest of its change decides. Otherwise the
    last comparison does: settled when resonance and, where known, compliance are unchanged within
    the margin, or changed by surely less than it.

    Args:
        steps: Comparisons of neighbours in time, at least one.
        run: Trend of the resonance over the hours of use, where known.
    """
    if run is not None and run.verdict != "unknown":
        return run.verdict, run.text
    word, text = _by_last_step(steps)
    return word, " ".join(filter(None, (text, run.text if run else "")))


def _by_last_step(steps: Sequence[Comparison]) -> tuple[str, str]:
    last = steps[-1]
    watched = [c for c in last.changes if c.parameter in ("fs", "Cms")]
    said = ", ".join(f"{c.parameter} {_with_reach(c)}" for c in watched)
    between = f"between {last.before} and {last.after}: {said}"
    margin = f"{100 * last.margin:g} %"
    if not watched:
        return "undecided", "Not known whether it has settled: no resonance in common."
    limit = last.margin
    if all(-limit / (1 + limit) <= c.interval_95[0] and c.interval_95[1] <= limit for c in watched):
        return "yes", f"Settled within {margin} {between}."
    if any(c.verdict == "changed" for c in watched):
        return "no", f"Not settled: it still moved {between}. {_rest(steps)}"
    return (
        "undecided",
        f"Cannot tell whether it has settled within {margin} {between}. Measure each state with "
        "two or more free-air takes, or accept a wider margin.",
    )


def _rest(steps: Sequence[Comparison]) -> str:
    """Estimate the rest of the change as that of a geometric series."""
    moves = [step.change("fs") for step in steps[-2:]]
    logs = [math.log1p(c.change_relative) for c in moves if c and c.verdict == "changed"]
    if len(logs) < 2 or not 0 < logs[1] / logs[0] < 1:
        return "Go on, and measure again."
    ratio = logs[1] / logs[0]
    rest = math.expm1(logs[1] * ratio / (1 - ratio))
    return (
        f"Were the last states equally long apart, its resonance would move by another "
        f"{100 * rest:+.1f} % in the end. Go on, and measure again."
    )


def to_json(
    fits: Sequence[tuple[str, DriverFit]],
    *,
    margin: float,
    same_unit: bool = True,
    hours: Sequence[float] | None = None,
) -> dict[str, Any]:
    """Compare the first fit with each later one; ``changes`` is the first against the last.

    Args:
        fits: Names and fits in the order of time, at least two.
        same_unit: One driver at several times, in contrast to several drivers.
    """
    (first_name, first), *later = fits
    against = [compare(first, f, names=(first_name, name), margin=margin) for name, f in later]
    whole = against[-1]
    document = {"format": FORMAT, **_document(whole, same_unit), "margin": margin}
    if not same_unit:
        document["pairs"] = [found.as_json() for found in pairs(fits)]
    if len(later) == 1 and hours is None:
        return document
    document["steps"] = [_document(comparison, same_unit) for comparison in against]
    if same_unit:
        neighbours = [
            compare(one, other, names=(name, next_name), margin=margin)
            for (name, one), (next_name, other) in pairwise(fits)
        ]
        run = trend("fs", fits, hours, margin)
        word, text = settled(neighbours, run)
        document["settled"] = {"verdict": word, "text": text}
        document["trend"] = run.as_json()
    return document


def _document(comparison: Comparison, same_unit: bool) -> dict[str, Any]:
    return {
        "before": comparison.before,
        "after": comparison.after,
        "changes": [c.as_json() for c in comparison.changes],
        "text": in_words(comparison, same_unit=same_unit),
        "notes": list(comparison.notes),
    }


def _without_echoes(comparison: Comparison, word: str) -> list[Change]:
    """Changes of one verdict, without those that repeat another one in other words."""
    found = {c.parameter: c for c in comparison.changes if c.verdict == word}
    return [c for symbol, c in found.items() if _ECHO.get(symbol) not in found]


def _label(symbol: str) -> str:
    """Symbol where it is one of the field's, else the name."""
    return QUANTITIES[symbol].name if symbol in QUANTITIES and "_" in symbol else symbol


def _phrase(change: Change, comparison: Comparison, same_unit: bool) -> str:
    """``resonance fs fell from 84.1 to 77.6 Hz (-7.7 %)``."""
    how = quantity(change.parameter, change.unit)
    before = rounded(change.before / how.scale)
    after = how.text(change.after)
    label = how.name
    if (symbol := _label(change.parameter)) != label:
        label += f" {symbol}"
    if same_unit:
        verb = "rose" if change.change_relative > 0 else "fell"
        return f"{label} {verb} from {before} to {after} ({_size(change)})"
    side = "higher" if change.change_relative > 0 else "lower"
    return f"{label} is {side} in {comparison.after}: {after} against {before} ({_size(change)})"


def _warmed(comparison: Comparison) -> str:
    """Say what the change of Re means for the temperature of the coil."""
    coil, cold = comparison.change("Re"), comparison.change("Re_20C")
    if not coil or coil.verdict != "changed":
        return ""
    if cold and cold.verdict == "unchanged":
        return "The temperature of the air explains the change of Re."
    kelvin = coil.change_relative / COPPER_PER_KELVIN
    side = "warmer" if kelvin > 0 else "cooler"
    return f"Re changed as much as a copper coil {abs(kelvin):.0f} K {side} does."


def _as_a_pair(comparison: Comparison) -> str:
    """Judge a pair by free air alone; with a sensitivity `fit.compare.pair` does better."""
    verdicts = {c.verdict for c in comparison.changes if c.parameter in ("Re", "fs", "Qts")}
    if verdicts != {"unchanged"} or comparison.change("sensitivity_2v83") is not None:
        return ""
    return (
        f"Re, fs and Qts agree within {100 * comparison.margin:g} %: a pair as far as free air can "
        "tell; levels need a take with a known mass or box."
    )


def _cause(comparison: Comparison, same_unit: bool) -> tuple[str, set[str]]:
    """Cause of a moved resonance, with symbols that only follow; (2 pi fs)^2 = 1/(Mms Cms)."""
    fs, mass, compliance = (comparison.change(symbol) for symbol in ("fs", "Mms", "Cms"))
    if not fs or fs.verdict != "changed":
        return "", set()
    if mass and mass.verdict == "changed":
        if compliance and compliance.verdict == "changed":
            return "Both moving mass and compliance had a part in the resonance.", set()
        return f"The resonance moved with the moving mass ({_size(mass)}).", set()
    product = (1 + fs.change_relative) ** -2  # of Mms Cms
    whose = "the suspension" if same_unit else f"the suspension of {comparison.after}"
    text = f"{whose} is {_softness(product)}"
    sure = mass and mass.verdict == "unchanged" and compliance and compliance.verdict == "changed"
    if not sure:
        text = f"if the moving mass is unchanged, {text}"
    # At one mass every Q goes as fs, and Vas as the compliance.
    expected = {"Qms": product**-0.5, "Qes": product**-0.5, "Qts": product**-0.5, "Vas": product}
    follow = {
        c.parameter
        for c in comparison.changes
        if c.verdict == "changed"
        and c.parameter in expected
        and c.interval_95[0] <= expected[c.parameter] - 1 <= c.interval_95[1]
    }
    named = ["fs", *(symbol for symbol in ("Qms", "Qes", "Qts", "Vas") if symbol in follow)]
    listed = f"{', '.join(named[:-1])} and {named[-1]} follow" if follow else "fs follows"
    return f"{capitalised(text)}; {listed} from that.", {*follow, "Cms"}


def _softness(compliance: float) -> str:
    """Word how much softer or stiffer a suspension of so many times the compliance is."""
    off = compliance if compliance > 1 else 1 / compliance
    return f"{100 * (off - 1):.0f} % {'softer' if compliance > 1 else 'stiffer'}"


def _size(change: Change) -> str:
    return _sized(change, change.change_relative)


def _with_reach(change: Change) -> str:
    low, high = (_sized(change, end) for end in change.interval_95)
    return f"{_size(change)}, 95 % from {low} to {high}"


def _sized(change: Change, relative: float) -> str:
    if change.unit == "dB":
        return f"{signed(10 * math.log10(1 + relative), 2)} dB"
    return signed_percent(relative)

"""The common errors of a bench beside the values of an impedance table.

Each is a comment ``# error 1: resistor:bench-1a2b | series resistor 10 ohm ±1 %``, identity and
words (and behind them ``| series-resistor`` where the identity may have several causes), and the
columns ``error_1_resistance_ohm`` and ``error_1_reactance_ohm`` (or
``error_1_magnitude_ohm``): the change of the values for plus one standard uncertainty. Other
readers take the first for a comment and ignore the columns.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from meas.curve import Cause, Curve, FloatArray, MagnitudeCurve, Systematic

COLUMN = re.compile(r"error_[0-9]{1,3}_(?:resistance|reactance|magnitude)_ohm")
_NAMED = re.compile(
    r'^"?# ?error ([0-9]{1,3}): ([^|\r\n]{1,200}?) \| ([^\r\n]{1,300}?)'
    rf'(?: \| ({"|".join(Cause)}))?"?[,;\t ]*$',
    re.MULTILINE,
)
Named = tuple[str, str, Cause | None]
"""Identity, words and cause of an error."""


def comments(curve: Curve) -> list[str]:
    """Identity, words and cause of every common error of a curve."""
    return [
        f"error {number}: {' | '.join(filter(None, (error.source, error.text, error.cause)))}"
        for number, error in enumerate(curve.systematics, start=1)
    ]


def columns(curve: Curve) -> dict[str, FloatArray]:
    """Their effects by the names of their columns."""
    found: dict[str, FloatArray] = {}
    for number, error in enumerate(curve.systematics, start=1):
        effect = error.derivative_ohm
        if isinstance(curve, MagnitudeCurve):
            found[f"error_{number}_magnitude_ohm"] = np.asarray(effect.real, dtype=np.float64)
        else:
            found[f"error_{number}_resistance_ohm"] = effect.real
            found[f"error_{number}_reactance_ohm"] = effect.imag
    return found


def named(text: str) -> dict[str, Named]:
    """Number of each error in the comments of a table to its identity, words and cause."""
    return {
        number: (source.strip(), words.strip(), Cause(cause) if cause else None)
        for number, source, words, cause in _NAMED.findall(text)
    }


def found(
    names: Mapping[str, Named], numbers: Mapping[str, FloatArray], *, phase: bool
) -> tuple[Systematic, ...]:
    """Errors that have both a comment and their columns."""
    errors = []
    for number, (source, text, cause) in names.items():
        parts = [
            numbers.get(f"error_{number}_{part}_ohm")
            for part in (("resistance", "reactance") if phase else ("magnitude",))
        ]
        known = [part for part in parts if part is not None]
        if len(known) < len(parts):
            continue
        effect = known[0] + 1j * known[1] if phase else known[0]
        errors.append(Systematic(source, text, np.asarray(effect), cause))
    return tuple(errors)

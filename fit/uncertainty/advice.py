"""Advice on each interval: the cheapest step that narrows it, and one that would not.

Better knowledge of one error is one more row of the least-squares problem. With c the effect of
an error on a quantity, h the part of its stated variance that the data leave it, and r its new
standard uncertainty over the old, the variance of the quantity falls by

    c^2 (1 - r^2) / (r^2 + (1 - r^2) h)

(the update of a covariance by one row: J. Sherman, W. J. Morrison, Ann. Math. Statist. 21, 1950).
Where the data do not constrain the error, h = 1 and c^2 becomes r^2 c^2. All other errors, and the
weights of the curves, stay as they are.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fit.given.measured import AddedMass, MeasuredCurve, Session, Stated, TestBox
from fit.results.error_sources import HELD, MODEL
from fit.results.quantities import capitalised, shown
from fit.results.result import Z95, DriverFit, Estimate
from fit.results.shares import shares
from meas.curve import Cause

PAYS = 0.15
"""Least part of an interval that a step must remove to be worth proposing."""
_NOTHING = 0.03
"""Part below which a step gains nothing."""
_SEEN = 1e-4
"""Share of the variance below which a step is not considered for that quantity."""
_WORTH = 0.8
"""New uncertainty over the old from which a step is not worth proposing."""

MAIN = ("Re", "fs", "Qms", "Qes", "Qts", "Mms", "Cms", "Bl", "Vas", "Sd", "sensitivity_2v83")


@dataclass(frozen=True)
class Improvement:
    """One thing to do about an error, and the uncertainty it attains.

    All limits are half-widths of rectangular errors.

    Attributes:
        prefixes: Beginnings of the causes that it reduces, or of the sources that name none.
        effort: 1: read or click something; 2: a tool of the kitchen or the workshop; 3: a tool
            to buy or borrow; 4: measure again with more patience.
        words: What to do, as an order.
        limits: What is attainable, in the unit of the stated value; None where `part` says it.
        part: The same as part of the value; as part of the present error where none is stated.
        tempting: How readily people believe that it would help, 0 not at all.
    """

    prefixes: tuple[str, ...]
    effort: int
    words: str
    limits: float | None = None
    part: float | None = None
    tempting: int = 0


_MOST_PERCENT = 50.0
"""Half-width of an interval [%] beyond which it is told as a factor: its ends lie too unevenly."""
_DIAMETER_M = 0.3e-3
# All common practice, no source: what each tool promises in patient hands.
IMPROVEMENTS: tuple[Improvement, ...] = (
    Improvement(
        (Cause.UNCALIBRATED_INPUTS,),
        1,
        "calibrate the bench (freeair rig calibrate)",
        part=0.1,
        tempting=1,
    ),
    Improvement(
        (Cause.UNSTATED_INPUT_RESISTANCE,),
        1,
        "state the resistance of the driver input (freeair rig new --input-resistance)",
        part=0.1,
    ),
    Improvement(
        ("leads:",),
        1,
        "measure what the bench reads of a short (freeair rig calibrate --standard short)",
        part=0.1,
    ),
    Improvement(
        ("crosstalk:",),
        1,
        "measure what the bench reads of a short and of nothing (freeair rig calibrate)",
        part=0.1,
    ),
    Improvement(
        ("air-pressure",),
        1,
        "read the air pressure at the bench to 1 hPa (--air-pressure, not reduced to sea level)",
        limits=100.0,
    ),
    Improvement(
        ("air-temperature",), 1, "read the air temperature to 1 K (--air-temperature)", 1.0
    ),
    Improvement(
        ("air-humidity",), 1, "read the relative humidity to 5 % (--relative-humidity)", 0.05
    ),
    Improvement(
        ("ruler",),
        2,
        "measure the cone's diameter to 0.3 mm, with calipers in four directions",
        tempting=2,
    ),
    Improvement(
        (f"{HELD}magnet-down", f"{HELD}hand"),
        2,
        "clamp the frame to something heavy and measure again (--held clamped)",
        part=0.1,
    ),
    Improvement(("mass:",), 2, "weigh the added mass to 0.01 g", limits=1e-5, tempting=4),
    Improvement(("moving-parts",), 2, "weigh the moving parts to 0.01 g", limits=1e-5, tempting=4),
    Improvement(
        ("volume:",),
        3,
        "find the net volume of the box to 0.5 %, by weighing what fills it",
        part=0.005,
        tempting=2,
    ),
    Improvement(
        (Cause.SERIES_RESISTOR,), 2, "use a series resistor that is sold to 1 %", part=0.01
    ),
    Improvement(
        (Cause.SERIES_RESISTOR,),
        3,
        "measure the series resistor with four wires to 0.1 %, or use one that is sold so",
        part=0.001,
        tempting=3,
    ),
    Improvement((Cause.KNOWN_RESISTOR,), 2, "use a known resistor that is sold to 1 %", part=0.01),
    Improvement(
        (Cause.KNOWN_RESISTOR,),
        3,
        "measure the known resistor with four wires to 0.1 %, or use one that is sold so",
        part=0.001,
        tempting=3,
    ),
    Improvement(
        ("table-scale:",),
        2,
        "read a 1 % resistor with the meter of the table, and correct the table by it "
        "(--table-tolerance 1%)",
        part=0.01,
    ),
    Improvement(
        ("table-scale:",),
        3,
        "read a resistor known to 0.1 % with the meter of the table, and correct the table by it "
        "(--table-tolerance 0.1%)",
        part=0.001,
        tempting=3,
    ),
    Improvement(
        ("multimeter",),
        3,
        "measure the coil's resistance with four wires to 0.2 %",
        part=0.002,
        tempting=1,
    ),
)
"""Every step, with what is attainable and the effort it takes."""

MORE_ROWS = Improvement(
    (f"{MODEL}:",), 4, "read twice as many frequencies, most of them near resonance", part=0.5**0.5
)
"""Step for tables that were read by hand: scatter falls with the root of their number."""
_BY_HAND = 100
"""Rows below which a table without uncertainty was read by hand."""


@dataclass(frozen=True)
class Gain:
    """Effect of one step on one quantity.

    Attributes:
        standard_uncertainty: Standard uncertainty after it, in the quantity's unit.
        gain: Part of the interval that it removes, 0 to 1.
        sources: The errors that it reduces.
    """

    words: str
    standard_uncertainty: float
    gain: float
    sources: tuple[str, ...]


@dataclass(frozen=True)
class Advice:
    """Causes that limit a quantity, and what to do about them.

    Attributes:
        causes: Causes and their shares of the variance, largest first.
        cheapest: The step of least effort that removes at least `PAYS` of the interval; among
            equals the one that removes most. None where there is none.
        useless: The most tempting step that would gain nothing here and for every other main
            quantity; None where there is none.
    """

    parameter: str
    estimate: Estimate
    causes: tuple[tuple[str, float], ...]
    cheapest: Gain | None
    useless: Gain | None

    @property
    def limits(self) -> str:
        """``71 % ruler, 18 % resistor``: as many causes as matter."""
        return ", ".join(
            f"{100 * share:.0f} % {words}" for words, share in self.causes[:3] if share >= 0.05
        )

    @property
    def text(self) -> str:
        """Both steps as sentences; empty where there are none."""
        symbol = shown(self.parameter, "1").symbol
        said = []
        if self.cheapest is not None:
            now, then = self.reach(), self.reach(self.cheapest.standard_uncertainty)
            said.append(
                f"{capitalised(self.cheapest.words)}: {symbol} is then known to {then} instead of "
                f"{now}."
            )
        if self.useless is not None:
            said.append(f"{capitalised(self.useless.words)} and {symbol} gains nothing.")
        return " ".join(said)

    def reach(self, standard_uncertainty: float | None = None) -> str:
        """The 95 % interval as people write it, for the present or another uncertainty.

        ``±3.2 %``; where nearly nothing is known ``a factor of 2.6``.
        """
        estimate = self.estimate
        now = estimate.standard_uncertainty
        then = now if standard_uncertainty is None else standard_uncertainty
        half = Z95 * estimate.widening * then
        if estimate.unit == "dB":
            return f"±{half:#.2g} dB"
        part = 100 * half / estimate.value
        if part > _MOST_PERCENT:
            return f"a factor of {math.exp(part / 100):.2g}"
        return f"±{part:#.2g} %" if part < 10 else f"±{part:.0f} %"


def stated_beside(curves: Iterable[MeasuredCurve], session: Session) -> dict[str, Stated]:
    """Collect every value stated beside the curves, by its source."""
    beside: list[Stated | None] = [
        session.area,
        session.measured_re,
        session.moving_parts,
        session.pressure,
        session.temperature,
        session.relative_humidity,
    ]
    for one in curves:
        if isinstance(one.condition, AddedMass):
            beside.append(one.condition.mass)
        elif isinstance(one.condition, TestBox):
            beside.append(one.condition.volume)
    return {value.source: value for value in beside if value is not None}


def advise(fit: DriverFit, curves: Iterable[MeasuredCurve], session: Session) -> tuple[Advice, ...]:
    """Find what limits each main quantity, and the cheapest step that would narrow it.

    Args:
        fit: As fitted, not as read back: a saved fit does not know its leverages.
    """
    curves = tuple(curves)
    known = stated_beside(curves, session)
    by_hand = bool(curves) and all(
        one.of_readings and one.curve.frequency_hz.size < _BY_HAND for one in curves
    )
    steps = (*IMPROVEMENTS, MORE_ROWS) if by_hand else IMPROVEMENTS
    causes = _causes(fit, curves)
    ratios = {step: _ratios(step, fit, known, causes) for step in steps}
    estimates = {
        symbol: estimate
        for symbol in MAIN
        if (estimate := fit.parameters.get(symbol)) is not None and estimate.contributions
    }
    gains = {
        symbol: {
            step: gain
            for step, found in ratios.items()
            if (gain := _gain(step, found, estimate, fit.leverages)) is not None
        }
        for symbol, estimate in estimates.items()
    }
    helps = {
        step for found in gains.values() for step, gain in found.items() if gain.gain >= _NOTHING
    }
    return tuple(
        Advice(
            symbol,
            estimates[symbol],
            tuple(shares(estimates[symbol], fit.sources)),
            _cheapest(found),
            _most_tempting({step: gain for step, gain in found.items() if step not in helps}),
        )
        for symbol, found in gains.items()
    )


def _cheapest(gains: Mapping[Improvement, Gain]) -> Gain | None:
    paying = [step for step in gains if gains[step].gain >= PAYS]
    best = min(paying, key=lambda step: (step.effort, -gains[step].gain), default=None)
    return None if best is None else gains[best]


def _most_tempting(gains: Mapping[Improvement, Gain]) -> Gain | None:
    tempting = [step for step in gains if step.tempting]
    return gains[max(tempting, key=lambda step: step.tempting)] if tempting else None


def to_json(advice: Sequence[Advice]) -> list[dict[str, object]]:
    """Write the key ``improvements`` of a fit's JSON."""

    def written(gain: Gain | None) -> dict[str, object] | None:
        if gain is None:
            return None
        return {
            "action": gain.words,
            "sources": list(gain.sources),
            "standard_uncertainty": gain.standard_uncertainty,
            "narrower_by": gain.gain,
        }

    return [
        {
            "parameter": one.parameter,
            "shares": [{"cause": words, "share": share} for words, share in one.causes],
            "cheapest": written(one.cheapest),
            "gains_nothing": written(one.useless),
            "text": one.text,
        }
        for one in advice
    ]


def _causes(fit: DriverFit, curves: Sequence[MeasuredCurve]) -> dict[str, str]:
    """Find the cause behind each source of a fit; the source itself where it stands for one."""
    stated = {
        error.source: error.cause or error.source
        for one in reversed(curves)  # as in a fit, the first curve that has an error names it
        for error in one.curve.systematics
    }
    return {source: stated.get(source, source) for source in fit.sources}


def _ratios(
    step: Improvement, fit: DriverFit, known: Mapping[str, Stated], causes: Mapping[str, str]
) -> dict[str, float]:
    """New standard uncertainty over the old of each error that a step reduces."""
    touched = [source for source, cause in causes.items() if cause.startswith(step.prefixes)]
    of_ohms = [source for source in touched if source.startswith(_OF_OHMS)]
    seen = _seen_in_ohms(fit, of_ohms) if of_ohms else 0.0
    found = {}
    for source in touched:
        ratio = _ratio(step, known.get(source), seen if source in of_ohms else None)
        if ratio is not None and ratio < _WORTH:
            found[source] = ratio
    return found


_OF_OHMS = ("resistor:", "known-resistor:", "table-scale:")
"""Errors that scale every ohm."""


def _seen_in_ohms(fit: DriverFit, sources: Sequence[str]) -> float:
    """Relative standard uncertainty of the scale of all ohms, as the coil's resistance shows it.

    Several resistors or tables share that scale, so that their effects add up to it; what known
    resistors have in common (``/all``) stands beside it.
    """
    Re = fit.parameters["Re"]
    return (
        sum(
            abs(Re.contributions.get(source, 0.0)) / fit.leverages.get(source, 1.0)
            for source in sources
            if not source.endswith("/all")
        )
        / Re.value
    )


def _ratio(step: Improvement, stated: Stated | None, seen: float | None) -> float | None:
    """New standard uncertainty over the old of one error; None where the step says nothing of it.

    Args:
        stated: The value that the error belongs to, where one was stated.
        seen: What an error that scales every ohm amounts to, relative; None for all others.
    """
    if seen is not None:
        return None if step.part is None or not seen else step.part / math.sqrt(3) / seen
    if stated is None:
        return step.part
    if stated.half_width <= 0:
        return None
    if step.limits is not None:
        return step.limits / stated.half_width
    if step.part is not None:
        return step.part * stated.value / stated.half_width
    # A ruler's value is the area: dA = pi D/2 dD with D = sqrt(4 A/pi).
    return math.sqrt(math.pi * stated.value) * _DIAMETER_M / stated.half_width


def _gain(
    step: Improvement,
    ratios: Mapping[str, float],
    estimate: Estimate,
    leverages: Mapping[str, float],
) -> Gain | None:
    """Effect of a step on a quantity; None where its errors hardly matter there."""
    variance = estimate.standard_uncertainty**2
    parts = estimate.contributions
    touched = {
        source: r for source, r in ratios.items() if parts.get(source, 0.0) ** 2 > _SEEN * variance
    }
    if not touched:
        return None
    less = sum(
        parts[source] ** 2 * (1 - r * r) / (r * r + (1 - r * r) * leverages.get(source, 1.0))
        for source, r in touched.items()
    )
    # Several errors that the data constrain share what they lose; each leaves at least its part.
    least = sum((parts[source] * r) ** 2 for source, r in touched.items())
    then = math.sqrt(max(variance - less, min(least, variance)))
    return Gain(step.words, then, 1 - then / math.sqrt(variance), tuple(touched))

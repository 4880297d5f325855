"""Values of a passive part with their error sources, or the reason why there are none.

How well a bench tells an impedance depends on |Z|/R, R being its series resistor: noise n in the
ratio of the inputs gives |dZ/Z| = n |R + Z|^2/(R |Z|), smallest at |Z| = R. A mismatch e of the
inputs gives e (1 + Z/R) with the resistor on the hot side and e (1 + R/Z) on the ground side
(voltage divider). So a large capacitor's loss is best told on the hot side with a small
resistor, and a value far from R may come out as a limit only.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from fit.driver.elements.quantity import rounded
from fit.parts.against_frequency import PartRow, rows
from fit.parts.kind import UNRESOLVED, linear_points, refuse_open_or_shorted, refuse_other_kind
from fit.parts.one_port import Followed, OnePort, follow
from fit.parts.passive import REFERENCE_HZ, Capacitor, Inductor, Resistor
from fit.results.result import Estimate
from meas.curve import ComplexArray, Curve, FloatArray, ImpedanceCurve, Systematic, at_points
from meas.errors import Finding, Refused

Quantity = Callable[[FloatArray], float]
PartKind = Literal["inductor", "capacitor", "resistor"]

LEADS_OHM = 0.02
LEADS_H = 0.1e-6
"""Limits (half-widths) of what clips and leads add to a part: 20 milliohm, and the inductance of
a loop of some 10 cm (common practice, no source)."""

_MODELS: Mapping[PartKind, Inductor | Capacitor | Resistor] = {
    "inductor": Inductor(),
    "capacitor": Capacitor(),
    "resistor": Resistor(),
}
_POOR = 0.15
_ROUGH = 0.03
_TURN = 0.02
"""Angle [rad] that one standard uncertainty turns a curve by, from which on it is looked for."""
_RESPONSE, _RESPONSE_HZ = 0.002, 20e3
"""How inputs that nobody compared roll off unlike, 0.02 dB (common practice, no source)."""
_BENT = 2.0
"""Widening for a capacitor beside inputs that nobody compared: a delay, its loss and its leads are
told apart by what is no longer linear in them (of 20 such, one C was off by 1.9 half-widths)."""
_TURNS = (-1.6, -1.2, -0.8, -0.4, 0.4, 0.8, 1.2, 1.6)
_LINEAR, _FAR = 0.3, 3.0
"""Relative size of the bench's errors up to which a first derivative describes them, and up to
which points are of use where they are followed exactly: far from the resistor a curve tells gain
and delay of the inputs."""
_OMEGA = 2 * math.pi * REFERENCE_HZ


@dataclass(frozen=True)
class Limit:
    """Limit of a value that the bench does not resolve.

    Attributes:
        lower: Lower limit (95 %); None where there is none.
        upper: Upper limit (95 %); None where there is none.
        unit: Unit of both.
    """

    lower: float | None
    upper: float | None
    unit: str


@dataclass(frozen=True, eq=False)
class PartFit:
    """A part as measured.

    Attributes:
        parameters: ``L R Rcore Q_1kHz``, ``C ESR`` or ``R`` (and ``L`` where it shows), as far
            as the bench resolves them.
        limits: Limits of the values that the bench does not resolve.
        table: Values against frequency, each from its own part of the curve.
        frequency_hz: Frequencies of the curve [Hz], shape (n,).
        measured_ohm: Complex, or real where only the magnitude is known, shape (n,).
        model_ohm: The model, complex or real likewise, shape (n,).
        residual_rms_relative: Root mean square of |measured - model|/|measured|.
    """

    kind: PartKind
    parameters: Mapping[str, Estimate]
    limits: Mapping[str, Limit]
    table: tuple[PartRow, ...]
    frequency_hz: FloatArray
    measured_ohm: ComplexArray | FloatArray
    model_ohm: ComplexArray | FloatArray
    residual_rms_relative: float
    warnings: tuple[Finding, ...]
    sources: Mapping[str, str]


def fit_part(curve: Curve, kind: PartKind) -> PartFit:
    """Estimate a passive part from its impedance.

    Args:
        curve: Curve of the part; a magnitude alone supports an inductor's or a resistor's values as
            far as it goes.

    Raises:
        Refused: ``wrong-kind``, ``resonates``, ``open-part``, ``shorted-part``,
            ``unresolved-part``, ``poor-fit``, ``too-few-points``.
    """
    if curve.frequency_hz.size < 4:
        raise Refused([_TOO_FEW])
    shunted = isinstance(curve, ImpedanceCurve) and any(e.shunt for e in curve.systematics)
    # What turns a curve says nothing of its size.
    sized = replace(curve, systematics=tuple(e for e in curve.systematics if e.turn_rad is None))
    refuse_open_or_shorted(sized, _with_leads(sized))
    whole, near = curve, _usable_band(curve, sized.systematics, _LINEAR)
    refuse_other_kind(near, _with_leads(near), kind)
    curve = _usable_band(curve, sized.systematics, _FAR) if shunted else near
    everything = _with_leads(curve)
    model = _MODELS[kind]
    s = np.asarray(2j * np.pi * near.frequency_hz, np.complex128)
    start = model.start(s, _complex(near, kind))
    starts = [(model.start(s, z), errors) for z, errors in _turned_back(near)] if shunted else []
    own = tuple(e for e in everything if e not in curve.systematics)
    found = follow(curve, model, start, own, shunted=shunted, starts=starts)
    if found.residual_rms_relative > _POOR:
        raise _poor(found, kind)
    parameters, limits = _quantities(found, kind, curve, model)
    warnings = [
        *_doubts(whole, curve, found, kind),
        *(_unresolved(n, x) for n, x in limits.items()),
    ]
    if kind == "resistor" and "L" in parameters:
        warnings.append(_inductive(parameters["L"].value, parameters["R"].value))
    return PartFit(
        kind=kind,
        parameters=parameters,
        limits=limits,
        table=rows(near, _with_leads(near), kind) if isinstance(near, ImpedanceCurve) else (),
        frequency_hz=curve.frequency_hz,
        measured_ohm=curve.values_ohm,
        model_ohm=found.model_ohm,
        residual_rms_relative=found.residual_rms_relative,
        warnings=tuple(warnings),
        sources=found.sources,
    )


def _usable_band(curve: Curve, errors: tuple[Systematic, ...], limit: float) -> Curve:
    """Cut a curve to the band in which the errors of the bench are small enough to reckon with.

    Leads are no reason to cut: they add the same whatever the part is.
    """
    keep = linear_points(curve, errors, limit)
    if np.count_nonzero(keep) < 4:
        raise Refused([UNRESOLVED])
    return curve if keep.all() else at_points(curve, keep)


def _turned_back(curve: Curve) -> list[tuple[ComplexArray, dict[str, float]]]:
    """The curve as it would be without what may have turned it far, for several sizes of that.

    What turns w, which is Z or its inverse but for a constant, by an angle x leaves w exp(jx).
    """
    far = [e for e in curve.systematics if _turns_far(e)]
    z = np.asarray(curve.values_ohm, np.complex128)
    found = [(z, dict.fromkeys((e.source for e in far), 0.0))]
    for error in far:
        assert error.turn_rad is not None
        data = 1 / z if error.shunt else z
        effect = error.derivative_ohm * (-(data**2) if error.shunt else 1)
        w = effect / (1j * error.turn_rad)
        for size in _TURNS:
            back = data + w * np.expm1(-1j * size * error.turn_rad)
            found.append((1 / back if error.shunt else back, {error.source: size}))
    return found


def _complex(curve: Curve, kind: PartKind) -> ComplexArray:
    """The impedance; without phase as of an ideal part beside the least |Z|: good for a start."""
    if isinstance(curve, ImpedanceCurve):
        return curve.impedance_ohm
    size = curve.magnitude_ohm
    if kind == "resistor":
        return size.astype(np.complex128)
    least = float(np.min(size))
    sign = 1.0 if kind == "inductor" else -1.0
    return np.asarray(least + 1j * sign * np.sqrt(size**2 - least**2))


def _with_leads(curve: Curve) -> tuple[Systematic, ...]:
    """The curve's common errors and those of clips and leads."""
    z = curve.values_ohm
    ohm = np.full(z.shape, LEADS_OHM / math.sqrt(3), dtype=np.complex128)
    henry = np.asarray(2j * np.pi * curve.frequency_hz * (LEADS_H / math.sqrt(3)), np.complex128)
    if not np.iscomplexobj(z):
        henry = 0 * henry  # its sign beside an unknown phase is not known
    return (
        *(_unlike_response(e, curve.frequency_hz) for e in curve.systematics if _turns_far(e)),
        *curve.systematics,
        Systematic("random:leads-resistance", f"clips and leads within ±{LEADS_OHM:g} ohm", ohm),
        Systematic("random:leads-inductance", f"leads within ±{LEADS_H * 1e6:g} uH", henry),
    )


def _turns_far(error: Systematic) -> bool:
    return error.turn_rad is not None and bool(np.max(error.turn_rad) > _TURN)


def _unlike_response(error: Systematic, frequency_hz: FloatArray) -> Systematic:
    """Unlike roll-off of the inputs of one card, growing with the square of frequency."""
    assert error.turn_rad is not None
    whole = error.derivative_ohm / (1j * error.turn_rad)  # for 100 % of gain
    share = _RESPONSE / math.sqrt(3) * (frequency_hz / _RESPONSE_HZ) ** 2
    text = f"response of the two inputs alike within ±{100 * _RESPONSE:g} % at 20 kHz"
    effect = np.asarray(whole * share, np.complex128)
    return Systematic("random:response", text, effect, shunt=error.shunt)


def _quantities(
    found: Followed, kind: PartKind, curve: Curve, model: OnePort
) -> tuple[dict[str, Estimate], dict[str, Limit]]:
    """Values that the bench resolves, and limits of the others."""
    far = any(map(_turns_far, curve.systematics))
    values = _Values(found, _BENT if far and kind == "capacitor" else 1.0)
    within = bool(curve.frequency_hz[0] <= REFERENCE_HZ <= curve.frequency_hz[-1])
    match kind:
        case "resistor":
            values.positive("R", "ohm", lambda t: math.exp(t[0]))
            if not far:  # a delay is an inductance as well
                values.if_resolved("L", "H", lambda t: float(t[1]), limit=False)
        case "capacitor":
            values.positive("C", "F", lambda t: math.exp(t[0]))
            if within and isinstance(curve, ImpedanceCurve):
                values.if_resolved("ESR", "ohm", _series_resistance, hz=REFERENCE_HZ)
        case "inductor":
            values.positive("L", "H", lambda t: math.exp(t[1]))
            values.if_resolved("R", "ohm", lambda t: float(t[0]))
            values.reciprocal("Rcore", "ohm", lambda t: float(t[2]))
            if within:
                values.reciprocal("Q_1kHz", "1", lambda t: _inverse_q(model, t), hz=REFERENCE_HZ)
    return values.parameters, values.limits


class _Values:
    """Values of a part, each resolved or with the limit that is known of it.

    A flaw may come out below zero within its uncertainty, so that its error is taken as normal in
    the value itself.
    """

    def __init__(self, found: Followed, widening: float) -> None:
        self._found, self._widening = found, widening
        self.parameters: dict[str, Estimate] = {}
        self.limits: dict[str, Limit] = {}

    def positive(self, name: str, unit: str, quantity: Quantity) -> None:
        """The value that makes the part what it is."""
        self.parameters[name] = self._widened(self._found.estimate(quantity, unit))

    def _widened(self, value: Estimate) -> Estimate:
        return replace(value, widening=value.widening * self._widening)

    def if_resolved(
        self,
        name: str,
        unit: str,
        quantity: Quantity,
        *,
        hz: float | None = None,
        limit: bool = True,
    ) -> None:
        """A flaw that is told where it surely exceeds zero; else at most its upper end."""
        value = self._found.estimate(quantity, unit, logarithmic=False, frequency_hz=hz)
        value = self._widened(value)
        if value.interval_95[0] > 0:
            self.parameters[name] = value
        elif limit:
            self.limits[name] = Limit(None, max(value.interval_95[1], 0.0), unit)

    def reciprocal(
        self, name: str, unit: str, inverse: Quantity, *, hz: float | None = None
    ) -> None:
        """One over a loss where that is three times its uncertainty; else at least so much."""
        loss = self._found.estimate(inverse, "1", logarithmic=False)
        if loss.value > 3 * loss.standard_uncertainty * loss.widening:
            self.parameters[name] = self._found.estimate(
                lambda t: 1 / inverse(t), unit, frequency_hz=hz
            )
        elif loss.interval_95[1] > 0:
            self.limits[name] = Limit(1 / loss.interval_95[1], None, unit)


def _series_resistance(theta: FloatArray) -> float:
    return float(theta[1] + math.tan(theta[2] * math.pi / 2) / (_OMEGA * math.exp(theta[0])))


def _inverse_q(model: OnePort, theta: FloatArray) -> float:
    z = model.impedance(np.array([1j * _OMEGA]), theta)[0][0]
    return float(z.real / z.imag)


_TOO_FEW = Finding(
    "too-few-points",
    "the curve has fewer than four points, which is too few to tell a part from its errors",
    refuses=True,
    next_step="Measure a sweep, or give a table with more rows",
)
_UNSTATED = Finding(
    "bench-unknown",
    "a table does not say what its bench gets wrong (resistor, inputs): the uncertainties hold "
    "noise, misfit and leads only. A take states them all",
)


def _poor(found: Followed, kind: str) -> Refused:
    return Refused.because(
        "poor-fit",
        f"no {kind} follows this curve: what is left is {100 * found.residual_rms_relative:.0f} % "
        f"of |Z| ({100 * _POOR:.0f} % is the most allowed). Is it a network, a driver, or a part "
        "beyond its self-resonance? Was the part still in its circuit",
    )


def _doubts(whole: Curve, curve: Curve, found: Followed, kind: str) -> list[Finding]:
    doubts = [] if curve.systematics else [_UNSTATED]
    if curve.frequency_hz.size < 0.9 * whole.frequency_hz.size:
        low, high = curve.frequency_hz[[0, -1]]
        doubts.append(
            Finding(
                "band-cut",
                f"only {rounded(low)} to {rounded(high)} Hz were used: beyond, the bench is off "
                "by more than can be allowed for",
                next_step=(
                    "Calibrate the inputs (freeair rig calibrate), or take a series resistor "
                    "nearer to the part's impedance"
                ),
            )
        )
    if found.residual_rms_relative > _ROUGH:
        doubts.append(
            Finding(
                "varies",
                f"the {kind} departs from constant values by "
                f"{100 * found.residual_rms_relative:.1f} % of |Z|, which the uncertainties "
                "include",
                next_step="Look at the table against frequency",
            )
        )
    return doubts


def _unresolved(name: str, limit: Limit) -> Finding:
    scale, unit = (1e-3, "mohm") if limit.unit == "ohm" and limit.lower is None else (1.0, "")
    unit = unit or ("" if limit.unit == "1" else limit.unit)
    side, value = ("at most", limit.upper) if limit.lower is None else ("at least", limit.lower)
    return Finding(
        "unresolved",
        f"{name} is {side} {(value or 0.0) / scale:.3g} {unit}".rstrip()
        + " (95 %): this bench does not tell it closer. A calibration of the inputs, a series "
        "resistor nearer to the part's impedance and short leads narrow it",
    )


def _inductive(inductance: float, resistance: float) -> Finding:
    turn = math.degrees(math.atan(2 * math.pi * 20e3 * inductance / resistance))
    return Finding(
        "inductive-resistor",
        f"the resistor has {inductance * 1e6:.3g} uH in series, which turns its phase by "
        f"{turn:.2g} degrees at 20 kHz. Wire-wound ones do that; where it matters use one wound "
        "without inductance, or count it in",
    )

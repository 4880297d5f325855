"""Refusal of curves that nothing passive can have, whatever its parts."""

from __future__ import annotations

import numpy as np

from meas.bench.rig import Rig
from meas.correction.divider import from_ratio, to_ratio
from meas.curve import ComplexArray, Curve, ImpedanceCurve, random_ohm
from meas.errors import Finding
from meas.passivity.causality import Causality, Reactances, causality, unresolved
from meas.tables.wrong_units import plausibility

_REFUSED = 0.0025
_REFUSED_UNCALIBRATED = 0.003
_FEWEST_POINTS = 40
_LEAST_SPAN = 30.0
_WIDEST_GAP = 1.4
_REFUSED_TABLE = 0.005
_MOST_SCATTER = 0.2
_LEAST_NEGATIVE, _SIGNIFICANT_NEGATIVE, _MOST_NEGATIVE = 0.02, 5.0, 0.08  # as of a take
_TABLE_DELAY_S, _TABLE_RESISTOR_OHM = 1e-5, 10.0
_DELAYS = (0.0, -0.6, 0.6)  # where the search for a delay begins, in its limits
_STEPS = 8
_FOUND = 0.01
_GOOD = 0.001


def enough_points(curve: ImpedanceCurve) -> bool:
    """Tell whether a curve has the points for it: their number, span and spacing."""
    f = curve.frequency_hz
    return bool(
        f.size >= _FEWEST_POINTS
        and f[-1] > _LEAST_SPAN * f[0]
        and np.max(f[1:] / f[:-1]) < _WIDEST_GAP
    )


def not_causal(
    curve: ImpedanceCurve,
    rig: Rig,
    sample_rate_hz: int,
    *,
    calibrated: bool,
    kind: str,
    distorted: float = 0.0,
) -> tuple[Finding, ...]:
    """Find a reactance that cannot belong to the resistance.

    Criterion: the Kramers-Kronig relations, see `meas.passivity.causality.causality`. Resistance
    and reactance of drivers in free air and in boxes agree to 0.04 % of |Z| as a rule and to 0.2 %
    in the worst of 300. A gain that glides by 3 % during one sweep lifts the resistance without
    turning the phase, and leaves 0.28 % and more; refused from 0.25 % on. Where nobody compared
    the inputs, the delay that makes the curve most causal is looked for first. It hides some of
    the rest: refused from 0.3 % on, which finds a glide of 10 % and more, and half of those of
    3 %. The intervals of such a bench hold a gain that is off by 3 % anyway.

    A driver whose stiffness or force factor follows its excursion is no linear one-port either. It
    departs from one by about as much as it distorts; what changes by itself has no harmonics. So
    where the misfit is within the share of distortion, the driver is ``nonlinear``.

    Not seen: what is causal by itself, such as a wrong resistor or one more in parallel.

    Args:
        distorted: Share of distortion that comes again in every sweep.
    """
    if curve.standard_uncertainty_ohm is None or not enough_points(curve):
        return ()
    capacitive = kind == "part"
    if calibrated:
        found = causality(
            curve.impedance_ohm,
            curve.standard_uncertainty_ohm,
            _delays(curve),
            Reactances(curve.frequency_hz),
            capacitive=capacitive,
        )
    else:
        found, _ = with_delay(curve, rig, sample_rate_hz, capacitive=capacitive)
    if found.misfit < (_REFUSED if calibrated else _REFUSED_UNCALIBRATED):
        return ()
    if found.misfit < distorted:
        return (
            Finding(
                "nonlinear",
                f"The driver distorts by {100 * distorted:.2g} %, and its impedance is bent by it: "
                f"by {100 * found.misfit:.2g} % of |Z| reactance and resistance do not belong "
                "together",
                refuses=True,
                ground="Kramers-Kronig relations",
                next_step="Lower the drive by 10 dB and repeat",
            ),
        )
    return (finding(found, curve),)


def table_not_causal(curve: Curve) -> tuple[Finding, ...]:
    """Judge a table, whose bench nobody knows, by the same criterion.

    Its inputs may differ in delay, as seen through a divider with a resistor of the size that
    people take, or between what was measured as voltage and current. Refused from 0.5 %
    on: a table typed from a screen has three digits.

    Args:
        curve: Curve of a driver. Without phase there is nothing to compare.
    """
    if not isinstance(curve, ImpedanceCurve) or not enough_points(curve):
        return ()
    z, f = curve.impedance_ohm, curve.frequency_hz
    delay = 2j * np.pi * f * _TABLE_DELAY_S * z
    bent = np.stack([delay, delay * z / _TABLE_RESISTOR_OHM], axis=1)
    found = causality(z, random_ohm(curve), bent, Reactances(f))
    return (finding(found, curve),) if found.misfit > _REFUSED_TABLE else ()


def doubts_of_table(curve: Curve) -> tuple[Finding, ...]:
    """Find what no driver can have, bare or in its box.

    Criteria, the first that refuses counts: units (`plausibility`); scatter; negative resistance;
    reactance that does not belong to the resistance (`table_not_causal`). The latter three need
    the phase.

    Returns:
        Findings of code ``wrong-unit``, ``faint``, ``not-passive`` or ``not-causal``, all refusing.
    """
    if found := plausibility(curve):
        return found
    if not isinstance(curve, ImpedanceCurve):
        return ()
    return _scattered(curve) or _negative(curve) or table_not_causal(curve)


def _scattered(curve: ImpedanceCurve) -> tuple[Finding, ...]:
    """Find noise without a curve in it.

    Criterion: how far points lie off a cubic through their neighbours, median re |Z|. A good
    table has less than 0.1 %; noise of 10 % in each part leaves 16 %, noise alone 137 %. Refused
    from 20 % on.
    """
    if not enough_points(curve):
        return ()
    scatter = float(np.median(unresolved(curve.impedance_ohm) / curve.magnitude_ohm))
    if scatter < _MOST_SCATTER:
        return ()
    text = f"Neighbouring points differ by {100 * scatter:.0f} % of |Z|: this is noise, no curve"
    step = "Look at the table, export it again, or measure with more level"
    return (Finding("faint", text, refuses=True, next_step=step),)


def _negative(curve: ImpedanceCurve) -> tuple[Finding, ...]:
    """Find a negative resistance, which nothing passive has.

    Criterion as for a take (`meas.validity.of_ratio.not_passive`): Re Z below zero by five
    standard uncertainties and 2 % of |Z|. Refused from 8 % of the points on.
    """
    least = np.maximum(
        _SIGNIFICANT_NEGATIVE * random_ohm(curve), _LEAST_NEGATIVE * curve.magnitude_ohm
    )
    share = float(np.mean(curve.impedance_ohm.real < -least))
    if share <= _MOST_NEGATIVE:
        return ()
    text = (
        f"The resistance is negative at {100 * share:.0f} % of the points, which nothing passive "
        "has: a sign or a phase is wrong, or one input was delayed against the other"
    )
    step = "Look at the sign of the phase or of the columns; calibrate the inputs"
    return (Finding("not-passive", text, refuses=True, next_step=step),)


def finding(found: Causality, curve: ImpedanceCurve) -> Finding:
    """The refusal in words."""
    worst = int(np.argmax(np.abs(found.residual)))
    return Finding(
        "not-causal",
        f"Reactance and resistance do not belong together: by {100 * found.misfit:.2g} % of |Z| "
        "they differ from those of anything passive that stays as it is, most near "
        f"{curve.frequency_hz[worst]:.3g} Hz. The gain of one input or the unit itself changed "
        "during the sweep, a contact jumped, or the system mixes or processes the inputs",
        refuses=True,
        ground="Kramers-Kronig relations",
        next_step="switch off enhancements of the inputs, tighten the contacts, calibrate, and "
        "sweep up and down",
    )


def with_delay(
    curve: ImpedanceCurve, rig: Rig, sample_rate_hz: int, *, capacitive: bool
) -> tuple[Causality, float]:
    """The most causal curve that a delay between the inputs allows, and that delay [samples].

    A delay turns the ratio of the inputs far beyond what is linear in it, so Gauss-Newton steps
    are taken from several starts, its prior being that of the rig.
    """
    uncertainty = curve.standard_uncertainty_ohm
    assert uncertainty is not None
    limit = rig.assumptions.mismatch_delay_samples
    reactances = Reactances(curve.frequency_hz)
    turn = 2j * np.pi * curve.frequency_hz / sample_rate_hz
    ratio = to_ratio(curve.impedance_ohm, rig.wiring)
    nothing = np.zeros(curve.frequency_hz.size)

    def at(delay: float) -> tuple[Causality, float]:
        turned = ratio * np.exp(turn * delay)
        z, _ = from_ratio(turned, nothing, rig.wiring)
        z_later, _ = from_ratio(turned * np.exp(turn * _FOUND), nothing, rig.wiring)
        slope: ComplexArray = -(z_later - z) / _FOUND
        columns = slope[:, None] * max(limit, _FOUND)
        found = causality(z, uncertainty, columns, reactances, capacitive=capacitive)
        prior = 3.0 * (delay / max(limit, _FOUND)) ** 2 / curve.frequency_hz.size
        misfit = float(np.hypot(found.misfit, 1e-3 * np.sqrt(prior)))
        step = float(found.bent[-1]) * max(limit, _FOUND)
        return Causality(misfit, found.residual, found.bent), step

    best, best_delay = None, 0.0
    for start in _DELAYS:
        if best is not None and best.misfit < _GOOD:
            break
        delay = start * limit
        for _ in range(_STEPS):
            found, step = at(delay)
            if best is None or found.misfit < best.misfit:
                best, best_delay = found, delay
            if abs(step) < _FOUND:
                break
            delay = float(np.clip(delay + np.clip(step, -0.5, 0.5), -2.0 * limit, 2.0 * limit))
    assert best is not None
    return best, best_delay


def _delays(curve: ImpedanceCurve) -> ComplexArray:
    """Effects of delays between the inputs on a curve, shape (n, k).

    The other errors of a bench turn an impedance into another that is causal too: a resistance and
    a gain make a bilinear function of it with real coefficients.
    """
    kept = [one.derivative_ohm for one in curve.systematics if "-delay:" in one.source]
    return np.stack(kept, axis=1) if kept else np.zeros((curve.frequency_hz.size, 0), complex)

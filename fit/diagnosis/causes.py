"""The parts of a driver as causes: suspension, mass, coil, field, loss."""

from __future__ import annotations

from fit.diagnosis.case import Case, mended, needed, ratio, size
from meas.errors import Finding

LOSS = (
    "closed metal former (a shorted turn that brakes), lossy suspension, or a coil that rubs; one "
    "curve cannot tell."
)
OTHER_MASSES = (
    "compare Rms across takes with different masses: braking by eddy currents stays the same at "
    "every resonance, the loss of a suspension rises as the resonance falls. Rubbing changes with "
    "the level and shows as harmonics."
)

_NAME_WIRE = "measure a metre of the wire and name it by its resistance."

_MOST = 0.5
"""Share of the loss from which a law of the model is its cause."""
_OF_LOSS = ("Rms", "Rms = 2 pi fs Mms/Qms")
_OF_COIL = ("Re", "Re goes as the turns over the wire's cross-section, Bl as the turns only")
_OF_FIELD = ("Bl", "Bl = sqrt(2 pi fs Mms Re/Qes)")
_OF_MASS = ("Mms", "the known mass or volume shifts the resonance the less, the more moves already")
_OF_SPRING = ("Cms", "Cms = 1/((2 pi fs)^2 Mms)")
PHYSICS = {
    "stiff-suspension": _OF_SPRING,
    "soft-suspension": _OF_SPRING,
    "heavy-moving-parts": _OF_MASS,
    "light-moving-parts": _OF_MASS,
    "missing-turns": _OF_COIL,
    "surplus-turns": _OF_COIL,
    "wrong-wire": _OF_COIL,
    "turns-or-wire": _OF_COIL,
    "weak-gap-field": _OF_FIELD,
    "strong-gap-field": _OF_FIELD,
    "high-mechanical-loss": _OF_LOSS,
    "low-mechanical-loss": _OF_LOSS,
    "closed-former-or-viscous": _OF_LOSS,
    "lossy-suspension": _OF_LOSS,
}
"""Code of a finding to the part that it accuses and the relation that it rests on (A. N. Thiele
1971, R. H. Small 1972)."""


def suspension(case: Case) -> list[Finding]:
    """Name a compliance that misses its target."""
    if not case.outside("Cms"):
        return []
    stiff = ratio(case, "Cms") < 1
    where = (
        "spider or surround too stiff, stiffened by glue, or not yet run in"
        if stiff
        else "spider or surround too soft, or not glued all around"
    )
    step = (
        "run it in for some hours and compare; then thin the surround or take a softer spider."
        if stiff
        else "look for a loose edge; then take a stiffer spider or a second one."
    )
    what = f"{size(case, 'Cms')}: {where}.{needed(case)}{mended(case, 'Cms')}"
    return [Finding("stiff-suspension" if stiff else "soft-suspension", what, next_step=step)]


def moving_parts(case: Case) -> list[Finding]:
    """Name a moving mass that misses its target."""
    if not case.outside("Mms"):
        return []
    heavy = ratio(case, "Mms") > 1
    grams = 1e3 * abs(case.parameters["Mms"].value - case.part_targets["Mms"].target.target)
    where = f"{grams:.2g} g {'too much' if heavy else 'missing'} on the cone"
    if heavy:
        where += ": glue, coating, dust cap or coil heavier than meant"
    if case.coil.mass is not None:
        where += f" (the coil as planned weighs {1e3 * case.coil.mass:.2g} g of it all)"
    what = f"{size(case, 'Mms')}: {where}.{needed(case, part='Mms')}{mended(case, 'Mms')}"
    step = "weigh the parts of the next one before they are glued."
    return [Finding("heavy-moving-parts" if heavy else "light-moving-parts", what, next_step=step)]


def coil(case: Case) -> list[Finding]:
    """Name a coil that misses its target: by turns, by wire, or either.

    Re goes as the turns and inversely as the cross-section of the wire, Bl as the turns only.
    """
    if not case.outside("Re"):
        return []
    factor = ratio(case, "Re")
    low = factor < 1
    turns = f"turns {'missing' if low else 'too many'}"
    if case.coil.turns is not None:
        turns = f"about {abs(case.coil.turns * (factor - 1)):.0f} of {case.coil.turns:g} {turns}"
    else:
        turns = f"{100 * abs(factor - 1):.0f} % of the {turns}"
    thickness = 100 * abs(factor**-0.5 - 1)
    wire = f"wire {thickness:.1f} % {'thicker' if low else 'thinner'} than meant (or another metal)"
    if low:
        turns += " (or shorted to each other through scraped enamel, which also lowers Qms)"
    apart = size(case, "Re")
    match _turns_or_wire(case):
        case "turns":
            return [
                Finding(
                    "missing-turns" if low else "surplus-turns",
                    f"{apart}: {turns}; Bl is off in the same ratio, as it is by turns and not by "
                    f"wire.{mended(case, 'Re', with_too='Bl')}",
                    next_step="count while winding, or measure the coil before it is glued in.",
                )
            ]
        case "wire":
            return [
                Finding(
                    "wrong-wire",
                    f"{apart}: {wire}; Bl is as planned, so the turns are there.",
                    next_step=_NAME_WIRE,
                )
            ]
    if case.deviation(Bl=1.0) is None:
        tell = "Resistance alone cannot tell which."
        step = (
            "a take with a known mass gives Bl, which falls with the turns and not with the wire, "
            "against a target of Bl."
        )
    else:
        tell = (
            "Bl, which falls with the turns and not with the wire, fits neither alone or cannot "
            "decide."
        )
        step = _NAME_WIRE
    warm = "" if low else " A warm coil shows 0.39 % more per kelvin: let it rest first."
    what = f"{apart}: either {turns}, or {wire}. {tell}"
    return [Finding("turns-or-wire", what, next_step=step + warm)]


def _turns_or_wire(case: Case) -> str:
    """``turns`` or ``wire``, as Bl supports one alone; empty where it supports both or none."""
    as_turns, as_wire = case.deviation(Bl=1.0, Re=-1.0), case.deviation(Bl=1.0)
    if as_turns is None or as_wire is None:
        return ""
    # The limits of Bl alone say how well Bl was planned; those of Re are already exceeded.
    turns = abs(as_turns.log) <= as_turns.reach + as_wire.allowed
    wire = not as_wire.excluded
    return {(True, False): "turns", (False, True): "wire"}.get((turns, wire), "")


def field(case: Case) -> list[Finding]:
    """Name a force factor that misses its target by more than the turns explain."""
    if not case.outside("Bl"):
        return []
    if case.outside("Re") and _turns_or_wire(case) == "turns":
        return []  # the turns explain all of it
    weak = ratio(case, "Bl") < 1
    in_tesla = ""
    if (length := case.coil.length_in_gap) is not None:
        measured = case.parameters["Bl"].value / length
        meant = case.part_targets["Bl"].target.target / length
        in_tesla = (
            f" Over {length:.3g} m of wire within the gap's height that is a mean field of "
            f"{measured:.2f} T where {meant:.2f} T were meant."
        )
    if weak:
        why = (
            "weak magnet, wide gap, coil off the middle of the gap at rest, or an overhang longer "
            "than meant; Bl alone cannot tell which"
        )
        step = (
            "look where the coil rests, measure the gap, hold the magnet against a known one "
            "(carefully: magnets of this size pinch fingers)"
        )
    else:
        why = "stronger magnet or narrower gap than reckoned, or a shorter overhang"
        step = "check the gap's width and what the plan took for the field"
    if "Re" not in case.stated:
        turns = "Other turns than meant would do the same: a target of Re would tell."
    elif case.outside("Re"):
        turns = "The coil differs from its plan too, so part of it may be turns."
    else:
        turns = "Re is not off, so the turns are there."
    what = f"{size(case, 'Bl')}: {why}. {turns}{in_tesla}{mended(case, 'Bl')}"
    return [Finding("weak-gap-field" if weak else "strong-gap-field", what, next_step=f"{step}.")]


def loss(case: Case) -> list[Finding]:
    """Name a mechanical loss that misses its target."""
    if not case.outside("Rms"):
        return []
    if ratio(case, "Rms") < 1:
        text = (
            f"{size(case, 'Rms')}: a suspension less lossy than reckoned, or a metal former slit "
            f"where a closed one was meant.{mended(case, 'Rms')}"
        )
        return [Finding("low-mechanical-loss", text)]
    if modelled := _modelled(case):
        return [modelled]
    law = case.law
    if law is None:
        what = f"{size(case, 'Rms')}: {LOSS}{mended(case, 'Rms')}"
        return [Finding("high-mechanical-loss", what, next_step=OTHER_MASSES)]
    seen = (
        f"From {law.low_hz:.3g} to {law.high_hz:.3g} Hz it goes as f^{-law.exponent:.1f} "
        f"(± {law.reach_95:.1f})"
    )
    if not (law.brakes or law.yields):
        text = (
            f"{seen}, which does not decide between a brake (0: closed former, ferrofluid) and "
            "the loss of a suspension (1); a coil that rubs fits neither."
        )
        step = "a take with a heavier mass, which spreads the resonances further apart."
        return [_lossy(case, "high-mechanical-loss", text, step)]
    if law.brakes:
        text = (
            f"{seen}: a brake in proportion to velocity, as a closed metal former is (a shorted "
            "turn in the gap), or a viscous one (ferrofluid, air squeezed through a narrow gap). "
            "A suspension's loss would rise as the resonance falls. The two cannot be told apart "
            "by the curve."
        )
        return [_lossy(case, "closed-former-or-viscous", text, _SLIT)]
    text = (
        f"{seen}: the loss of a suspension, which rises as the resonance falls; a closed former "
        "would brake the same at every mass."
    )
    return [_lossy(case, "lossy-suspension", text, _MATERIAL)]


def _lossy(case: Case, code: str, cause: str, step: str) -> Finding:
    what = f"{size(case, 'Rms')}. {cause}{mended(case, 'Rms')}"
    return Finding(code, what, next_step=step)


_SLIT = "look for the slit of the former, or measure its resistance around: a few mΩ brake."
_MATERIAL = "another surround or spider material, or less glue and damping paint on the surround."


def _modelled(case: Case) -> Finding | None:
    """Read the shape of the curves by the fitted laws; None if they do not take most of the loss.

    Takes with masses that say otherwise leave it to both to be named.
    """
    ring = case.shares.get("former", 0.0)
    slow = sum(share for law, share in case.shares.items() if law != "former")
    if max(ring, slow) < _MOST:
        return None
    if ring > slow:
        if case.law is not None and case.law.yields:
            return None
        text = (
            f"The shape of the curves shows a ring that brakes, as a closed metal former does (a "
            f"shorted turn in the gap): it takes {100 * ring:.0f} % of the loss at resonance."
        )
        code, step = "closed-former-or-viscous", _SLIT
    else:
        if case.law is not None and case.law.brakes:
            return None
        text = (
            "The shape of the curves shows a suspension that gives slowly, as rubber, foam and "
            f"damping paint do: that takes {100 * min(slow, 1.0):.0f} % of the loss at resonance."
        )
        code, step = "lossy-suspension", _MATERIAL
    return _lossy(case, code, text, step)

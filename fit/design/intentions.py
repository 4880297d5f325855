"""Parts that a driver needs to meet wishes about its resonance, its damping and its box.

From the parts that move follows the mass; from the mass and a wished resonance the compliance.
From a wished Q the force factor, and from the wire in the gap the field that the magnet must
give. Definitions of A. N. Thiele, J. Audio Eng. Soc. 19(5), 1971 and R. H. Small, J. Audio Eng.
Soc. 20(5) and 20(10), 1972.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from fit.given.air_load import air_load
from fit.given.measured import Stated
from fit.given.stated_values import AIR_LOAD_LIMITS
from fit.results.propagate import Quantities, propagate
from fit.results.result import Estimate
from meas.errors import Finding, Refused, refusals

WHOLE = ("cone", "former", "coil", "glue", "dust_cap")
"""Parts that move as a whole."""
HALF = ("surround", "spider")
"""Parts held at their rim: half of each moves (common practice, no source)."""

SHARE = Stated(0.5, 0.15, "suspension-share", "share of surround and spider that moves ±0.15")
AIR_LOAD = Stated(1.0, AIR_LOAD_LIMITS, "air-load", f"air load of the cone ±{AIR_LOAD_LIMITS:.0%}")

HARD_FIELD, IMPOSSIBLE_FIELD = 1.2, 1.5
"""Field in the gap that a home-built ferrite motor hardly reaches, and does not reach [T]
(common practice, no source)."""
_USUAL_COMPLIANCE = (0.1e-3, 3e-3)
"""Compliance of suspensions that a builder makes [m/N] (common practice, no source)."""
_AGREE = 0.05


@dataclass(frozen=True)
class Goals:
    """Goals set for a driver, each an input of that name.

    Attributes:
        fs: Resonance in free air.
        box: Volume of a closed box.
        fc: Resonance in that box.
        Qts: Total Q in free air.
        Qtc: Total Q in the box.
    """

    fs: bool = False
    box: bool = False
    fc: bool = False
    Qts: bool = False
    Qtc: bool = False


@dataclass(frozen=True)
class Intention:
    """Driver that meets the goals.

    Attributes:
        parameters: ``Mms Sd fs Cms Vas`` and, with a wished Q, ``Qts Qms Qes Re Bl eta0``; with a
            box ``Vb fc Qtc``; with the wire in the gap ``B`` [T].
        findings: Goals that strain what is possible.
    """

    parameters: Mapping[str, Estimate]
    findings: tuple[Finding, ...]
    sources: Mapping[str, str]


def intend(
    inputs: Mapping[str, Stated], goals: Goals, density: float, sound_speed: float
) -> Intention:
    """Compute the parts that meet the goals.

    Args:
        inputs: Parts by the names in `WHOLE` and `HALF` [kg], ``Sd`` [m2]; of the goals ``fs fc``
            [Hz], ``box`` [m3], ``Qts Qtc``; with a Q among them ``Qms`` and ``Re`` [ohm]; where
            known ``length`` of the wire in the gap [m].
        goals: Which of them are set: resonance by ``fs``, or by ``box`` and ``fc``.
        density: Density of the air [kg/m3].
        sound_speed: Speed of sound [m/s].

    Raises:
        Refused: ``wishes-contradict`` or ``field-impossible`` where no driver can do it.
    """
    everything = {**inputs, "share": SHARE, "load": AIR_LOAD}
    parameters = propagate(lambda v: _follow(v, goals, density, sound_speed), everything)
    findings = _strains(parameters)
    if reasons := refusals(findings):
        raise Refused(reasons)
    sources = {stated.source: stated.text for stated in everything.values()}
    return Intention(parameters, tuple(findings), sources)


def moving_mass(values: Mapping[str, float], density: float) -> float:
    """Moving mass with the air load of a disc in free air [kg]."""
    radius = math.sqrt(values["Sd"] / math.pi)
    parts = sum(values.get(name, 0.0) for name in WHOLE)
    held = sum(values.get(name, 0.0) for name in HALF)
    return parts + values["share"] * held + values["load"] * air_load(density, radius, "free")


def _follow(values: Mapping[str, float], goals: Goals, density: float, speed: float) -> Quantities:
    Mms, Sd = moving_mass(values, density), values["Sd"]
    air = density * speed**2 * Sd**2  # stiffness of the box's air times its volume
    fs = values["fs"] if goals.fs else _resonance_in_free_air(values, Mms, air)
    Cms = 1 / ((2 * math.pi * fs) ** 2 * Mms)
    Vas = air * Cms
    found = {
        "Mms": (Mms, "kg"),
        "Sd": (Sd, "m2"),
        "fs": (fs, "Hz"),
        "Cms": (Cms, "m/N"),
        "Vas": (Vas, "m3"),
    }
    Qts = values["Qts"] if goals.Qts else None
    Vb = _volume(values, goals, Vas)
    if Vb is not None:
        growth = math.sqrt(1 + Vas / Vb)
        fc = fs * growth
        if goals.fs and goals.fc:
            _agree("fc", values["fc"], fc, "Hz", Vb)
        found |= {"Vb": (Vb, "m3"), "fc": (fc, "Hz")}
        if Qts is None and goals.Qtc:
            Qts = values["Qtc"] / growth
        if Qts is not None:
            if goals.Qtc:
                _agree("Qtc", values["Qtc"], Qts * growth, "", Vb)
            found["Qtc"] = (Qts * growth, "1")
    if Qts is not None:
        found |= _motor(values, Mms, fs, Vas, Qts, speed)
    return found


def _resonance_in_free_air(values: Mapping[str, float], Mms: float, air: float) -> float:
    """Resonance that the box's air lifts to the one wished in it [Hz]."""
    own = (2 * math.pi * values["fc"]) ** 2 * Mms - air / values["box"]
    if own <= 0:
        alone = math.sqrt(air / values["box"] / Mms) / (2 * math.pi)
        raise _box_too_stiff(values, alone)
    return math.sqrt(own / Mms) / (2 * math.pi)


def _volume(values: Mapping[str, float], goals: Goals, Vas: float) -> float | None:
    """Volume of the box, stated or by both Qs [m3]; None where neither is a goal."""
    if goals.Qts and goals.Qtc and values["Qtc"] <= values["Qts"]:
        raise _contradiction(
            f"Qtc {values['Qtc']:.3g} is not above Qts {values['Qts']:.3g}, but a closed box only "
            "raises the Q. Wish for a lower Qts or a higher Qtc"
        )
    if goals.box:
        return values["box"]
    if goals.Qts and goals.Qtc:
        return Vas / ((values["Qtc"] / values["Qts"]) ** 2 - 1)
    return None


def _agree(symbol: str, wished: float, follows: float, unit: str, Vb: float) -> None:
    """Refuse a wish that contradicts what follows from the other ones."""
    if abs(follows / wished - 1) > _AGREE:
        asked, given = (f"{value:.3g} {unit}".rstrip() for value in (wished, follows))
        text = (
            f"{symbol} {asked} is wished, but {Vb * 1e3:.3g} L and the other wishes give {given}. "
            f"Leave one of the wishes out: {symbol}, the volume, or that in free air"
        )
        raise _contradiction(text)


def _motor(
    values: Mapping[str, float], Mms: float, fs: float, Vas: float, Qts: float, speed: float
) -> dict[str, tuple[float, str]]:
    """Compute the motor: Bl = sqrt(2 pi fs Mms Re/Qes)."""
    Qms = values["Qms"]
    if Qts >= Qms:
        raise _contradiction(
            f"Qts {Qts:.3g} is not below Qms {Qms:.3g}: the suspension alone damps more than the "
            "driver as a whole is to. Wish for a lower Qts, or for a higher Qms (less lossy "
            "suspension, no closed metal former)"
        )
    Qes = 1 / (1 / Qts - 1 / Qms)
    Bl = math.sqrt(2 * math.pi * fs * Mms * values["Re"] / Qes)
    found = {
        "Qts": (Qts, "1"),
        "Qms": (Qms, "1"),
        "Qes": (Qes, "1"),
        "Re": (values["Re"], "ohm"),
        "Bl": (Bl, "T m"),
        "eta0": (4 * math.pi**2 / speed**3 * fs**3 * Vas / Qes, "1"),
    }
    if "length" in values:
        found["B"] = (Bl / values["length"], "T")
    return found


def _strains(parameters: Mapping[str, Estimate]) -> list[Finding]:
    found = []
    low, high = _USUAL_COMPLIANCE
    Cms = parameters["Cms"].value
    if not low <= Cms <= high:
        side = "stiffer" if Cms < low else "softer"
        wrong = "a lower resonance or less" if Cms < low else "a higher resonance or more"
        found.append(
            Finding(
                "compliance-unusual",
                f"the suspension would need {Cms * 1e3:.2g} mm/N, {side} than surrounds and "
                f"spiders come ({low * 1e3:g} to {high * 1e3:g} mm/N): wish for {wrong} mass",
            )
        )
    if "B" in parameters:
        field = parameters["B"].value
        if field > HARD_FIELD:
            impossible = field > IMPOSSIBLE_FIELD
            found.append(
                Finding(
                    "field-impossible" if impossible else "field-hard",
                    f"the gap would need {field:.2f} T; a home-built ferrite motor "
                    + (
                        f"does not reach {IMPOSSIBLE_FIELD:g} T"
                        if impossible
                        else f"hardly gets beyond {HARD_FIELD:g} T"
                    )
                    + ". More wire within the plate's height, less moving mass, a lower resonance "
                    "or a higher Q ask for less",
                    refuses=impossible,
                )
            )
    return found


def _contradiction(text: str) -> Refused:
    return Refused.because("wishes-contradict", text)


def _box_too_stiff(values: Mapping[str, float], alone: float) -> Refused:
    least = values["box"] * (alone / values["fc"]) ** 2
    return _contradiction(
        f"the air of {values['box'] * 1e3:.3g} L alone lifts this cone to {alone:.0f} Hz, so that "
        f"no suspension, however soft, gives {values['fc']:.3g} Hz. More mass, a smaller cone, or "
        f"a box well beyond {least * 1e3:.3g} L"
    )

"""``freeair targets from-parts``: wishes and weighed parts, turned into targets."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.targets.wind import FORMER, GAP_HEIGHT, LAYERS, METAL, TURNS
from cli.terminal import show
from cli.words import units, values
from cli.words.options import (
    AirPressure,
    AirTemperature,
    AsJson,
    RelativeHumidity,
    flag,
    option,
    valued,
)
from cli.words.values import Value
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.targets.coil_words import CoilWords
    from fit.design.intentions import Goals, Intention
    from fit.design.winding import Coil
    from fit.given.measured import Stated

_QMS = "4 ± 1.5"
_TOLERANCE = "10%"
_MASS = "Weighed, such as 4.2g."


@dataclass(frozen=True)
class KnownWinding:
    """The coil as far as it is known: by options, or by the file's [winding]."""

    coil: Coil
    gap_height: float | None
    by_options: bool


def _part(name: str, help_text: str) -> Any:
    return valued(units.MASS, f"--{name}", "M", help_text)


def from_parts(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="Targets file to make or to add to (TOML).")
    ],
    cone: Value | None = _part("cone", _MASS),
    former_mass: Value | None = _part("former-mass", "The tube of the coil, weighed."),
    coil: Value | None = _part("coil", "Weighed wire, where no winding is described."),
    surround: Value | None = _part("surround", "Weighed as a whole; half of it counts."),
    spider: Value | None = _part("spider", "Weighed as a whole; half of it counts."),
    glue: Value | None = _part("glue", _MASS),
    dust_cap: Value | None = _part("dust-cap", _MASS),
    diameter: Value | None = valued(
        units.DIAMETER, "--diameter", "D", "Cone from mid-surround to mid-surround, such as 118mm."
    ),
    fs: Value | None = valued(units.FREQUENCY, "--fs", "F", "Wished resonance, free air."),
    box: Value | None = valued(units.VOLUME, "--box", "V", "Wished closed box, net volume."),
    fc: Value | None = valued(units.FREQUENCY, "--fc", "F", "Wished resonance in that box."),
    qts: Value | None = valued(units.NUMBER, "--qts", "Q", "Wished total Q, free air."),
    qtc: Value | None = valued(units.NUMBER, "--qtc", "Q", "Wished total Q in the box."),
    qms: Value | None = valued(
        units.NUMBER, "--qms", "Q", f"Expected mechanical Q. Default {_QMS}."
    ),
    re: Value | None = valued(
        units.RESISTANCE, "--re", "R", "Coil resistance, where no winding says it."
    ),
    wire: str | None = option("D", "Wire of the coil: 0.2mm, 0.2mm/0.22mm or AWG32."),
    metal: str = METAL,
    former: Value | None = FORMER,
    layers: list[int] | None = LAYERS,
    turns: int | None = TURNS,
    height: Value | None = valued(
        units.LENGTH, "--height", "H", "Height of the winding, instead of the turns."
    ),
    gap_height: Value | None = GAP_HEIGHT,
    tolerance: Value = valued(
        units.PERCENT, "--tolerance", "PCT", "Limits of the targets, at least.", default=_TOLERANCE
    ),
    air_temperature: AirTemperature = None,
    air_pressure: AirPressure = None,
    relative_humidity: RelativeHumidity = None,
    replace: bool = flag("--replace", "Values that stand there already may be replaced."),
    as_json: AsJson = False,
) -> None:
    """Turn the parts on the scales and what you wish for into targets.

    The mass follows from the parts, the compliance from the wished resonance (in free air, or in
    a closed box), the force factor from the wished Q, the field from the wire in the gap.

    \b
    freeair targets from-parts lantern.toml --cone 4.1g --surround 1.6g --spider 1.2g \\
        --glue 0.7g --diameter 118mm --fs 45Hz --qts 0.4 --wire 0.2mm --former 25mm \\
        --layers 2 --height 9mm --gap-height 6mm
    """
    from cli.targets.coil_words import CoilWords
    from cli.words import session
    from fit.design import intentions

    words = CoilWords(
        () if wire is None else (wire,), metal, former, None, tuple(layers or ()), turns, height,
        None, None, gap_height,
    )  # fmt: skip
    known = _coil(words, file)
    wished = {"fs": fs, "box": box, "fc": fc, "Qts": qts, "Qtc": qtc}
    goals = _goals(wished)
    share = tolerance.value / 100
    inputs = _parts(
        known,
        {"cone": cone, "former": former_mass, "coil": coil, "surround": surround,
         "spider": spider, "glue": glue, "dust_cap": dust_cap},
    )  # fmt: skip
    inputs |= {"Sd": _area(diameter)}
    # Wishes are exact: their limits go into the targets, not into what follows.
    inputs |= {
        name: _exact(value.value, f"wished {name}")
        for name, value in wished.items()
        if value is not None
    }
    if goals.Qts or goals.Qtc:
        inputs |= {"Qms": _expected_q(qms), "Re": _resistance(re, known)}
        if known is not None and known.gap_height is not None:
            length = known.coil.length_in_gap(known.gap_height)
            inputs["length"] = _exact(length, "wire within the plate's height")
    air = session.air(air_temperature, air_pressure, relative_humidity)
    found = intentions.intend(inputs, goals, air.density, air.sound_speed)
    _put(file, found, known, share, replace=replace)
    if as_json:
        show.document(_document(found))
    else:
        _print(file, found)


def _coil(words: CoilWords, file: Path) -> KnownWinding | None:
    """The winding: by options, else by the file's own [winding]."""
    from cli.sources import opened
    from cli.targets import coil_words

    said = words.wire or words.former or words.layers or words.turns or words.height
    if said:
        return KnownWinding(coil_words.coil(words), values.number(words.gap_height), True)
    if not file.exists():
        return None
    kept = opened.targets(file).winding.coil()
    if kept.coil is None:
        return None
    show.note(f"the winding is the one in {file}", "dim")
    given = values.number(words.gap_height)
    return KnownWinding(kept.coil, kept.gap_height if given is None else given, False)


def _goals(said: Mapping[str, Value | None]) -> Goals:
    from fit.design.intentions import Goals

    fs, box, fc, qts, qtc = said.values()
    if fs is None and fc is None:
        raise UsageError(
            "no resonance is wished for",
            where="--fs",
            remedy="Give --fs 45Hz, or a closed box and the resonance in it: --box 20L --fc 70Hz.",
        )
    if box is None and fc is not None:
        raise UsageError(
            "a resonance in which box?", where="--fc", remedy="Add the net volume: --box 20L."
        )
    if box is None and qtc is not None and qts is None:
        raise UsageError(
            "a total Q in which box?",
            where="--qtc",
            remedy="Add the net volume (--box 20L), or the Q in free air (--qts) to have it found.",
        )
    return Goals(*(value is not None for value in said.values()))


def _parts(known: KnownWinding | None, said: Mapping[str, Value | None]) -> dict[str, Stated]:
    """Weighed parts; the wire by its winding where that is known."""
    from cli.words import assumed
    from cli.words.session import GRAMS, stated
    from fit.given.measured import Stated

    found = {}
    for name, value in said.items():
        if value is not None:
            words = name.replace("_", " ")
            found[name] = stated(assumed.mass(value), f"weighed:{name}", words, GRAMS)
    if known is not None and "coil" not in found:
        low, nominal, high = known.coil.resistance
        mass = known.coil.mass
        # What its diameter may be off moves mass and resistance by the same share.
        half = mass * (high - low) / 2 / nominal
        found["coil"] = Stated(mass, half, "winding", f"wire of the coil {mass * 1e3:.3g} g")
    if "cone" not in found:
        raise UsageError(
            "the cone is not weighed", where="--cone", remedy="Give its mass, such as --cone 4.2g."
        )
    if "coil" not in found:
        raise UsageError(
            "the coil has no mass",
            where="--coil",
            remedy="Weigh its wire (--coil 2.9g), or describe the winding: --wire, --former, "
            "--layers and --turns or --height.",
        )
    missing = [name for name in ("surround", "spider", "glue") if name not in found]
    if missing:
        show.note(f"not counted, because not given: {', '.join(missing)}", "yellow")
    return found


def _area(diameter: Value | None) -> Stated:
    from cli.words.session import area_of_diameter

    if diameter is None:
        raise UsageError(
            "the size of the cone is not given",
            where="--diameter",
            remedy="Measure from mid-surround to mid-surround, such as --diameter 118mm.",
        )
    return area_of_diameter(diameter)


def _expected_q(value: Value | None) -> Stated:
    """Say which Q to expect of the suspension."""
    from fit.given.measured import Stated

    if value is None:
        show.default_taken(f"mechanical Q: {_QMS} (common practice)")
        value = values.read(units.NUMBER, _QMS)
    return Stated(value.value, value.half_width or 0.0, "Qms", f"expected Qms {value.written}")


def _resistance(value: Value | None, known: KnownWinding | None) -> Stated:
    from fit.design.winding import targets
    from fit.given.measured import Stated

    if value is not None:
        words = f"coil resistance {value.written}"
        return Stated(value.value, value.half_width or 0.0, "Re", words)
    if known is None:
        raise UsageError(
            "the force factor needs the coil's resistance",
            where="--re",
            remedy="Give --re 5.6ohm, or describe the winding.",
        )
    (aim,) = targets(known.coil)
    half = ((aim.upper or aim.target) - (aim.lower or aim.target)) / 2
    return Stated(aim.target, half, "winding-resistance", f"the winding's {aim.target:.3g} ohm")


def _exact(value: float, text: str) -> Stated:
    from fit.given.measured import Stated

    return Stated(value, 0.0, text, text)


_AIMS = {
    "fs": ("Hz", 1.0), "Qts": ("", 1.0), "Mms": ("g", 1e-3), "Cms": ("mm/N", 1e-3),
    "Bl": ("Tm", 1.0), "Sd": ("cm2", 1e-4), "Re": ("ohm", 1.0),
}  # fmt: skip


def _put(
    file: Path, found: Intention, known: KnownWinding | None, share: float, *, replace: bool
) -> None:
    from cli.targets import edit, wind

    targets: dict[str, Any] = {}
    for symbol, (unit, scale) in _AIMS.items():
        if symbol not in found.parameters:
            continue
        estimate = found.parameters[symbol]
        low, high = estimate.interval_95
        reach = max(share * estimate.value, estimate.value - low, high - estimate.value)
        percent = math.ceil(100 * reach / estimate.value - 1e-9)
        targets[symbol] = f"{estimate.value / scale:.4g}{unit} ± {percent}%"
    winding = None
    if known is not None:
        targets |= wind.aims(known.coil)
        if known.by_options:
            winding = wind.winding_facts(known.coil, known.gap_height)
    edit.put(file, targets, winding, replace=replace)


def _document(found: Intention) -> dict[str, Any]:
    from fit.results.saved import value_of

    return {
        "format": "freeair-intention/1",
        "parameters": {name: value_of(e) for name, e in found.parameters.items()},
        "findings": [f.as_json() for f in found.findings],
    }


_SHOWN = {
    "Mms": ("g", 1e-3, "moving mass with its air"),
    "Sd": ("cm²", 1e-4, "cone area"),
    "fs": ("Hz", 1.0, "resonance in free air"),
    "Cms": ("mm/N", 1e-3, "compliance that the suspension must have"),
    "Vas": ("L", 1e-3, "the same as a volume of air"),
    "Vb": ("L", 1e-3, "closed box, net"),
    "fc": ("Hz", 1.0, "resonance in the box"),
    "Qtc": ("", 1.0, "total Q in the box"),
    "Qts": ("", 1.0, "total Q in free air"),
    "Qms": ("", 1.0, "of the suspension alone"),
    "Qes": ("", 1.0, "of the motor alone"),
    "Re": ("Ω", 1.0, "coil"),
    "Bl": ("T m", 1.0, "force factor that the motor must have"),
    "B": ("T", 1.0, "field in the gap"),
    "eta0": ("%", 1e-2, "efficiency"),
}


def _print(file: Path, found: Intention) -> None:
    from cli.terminal.sections import facts, measured
    from fit.results.shares import shares

    show.heading("What the driver must become")
    known = {symbol: how for symbol, how in _SHOWN.items() if symbol in found.parameters}
    rows = [measured(symbol, found.parameters[symbol], *how) for symbol, how in known.items()]
    show.say(facts(rows))
    main = shares(found.parameters["Mms"], found.sources)[:1]
    for text, part in main:
        show.say(f"The mass is limited most by: {text} ({100 * part:.0f} %).")
    show.under("Mind", found.findings)
    show.say(
        "", f"Put into {file}. Judge the finished driver: freeair fit TAKE... --targets {file}"
    )

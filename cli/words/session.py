"""From words on the command line to the session: everything measured besides curves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cli.terminal import show
from cli.words import assumed, values
from cli.words.values import Value
from meas.errors import UsageError

if TYPE_CHECKING:
    from fit.box.circuit import Air
    from fit.compare.sitting import Held
    from fit.given.air_load import Mounting
    from fit.given.measured import Session, Stated

GRAMS, LITRES, SQUARE_CM, OHMS = (1e-3, "g"), (1e-3, "L"), (1e-4, "cm²"), (1.0, "Ω")


def stated(
    found: assumed.Assumed, source: str, name: str, unit: tuple[float, str], limits: str = ""
) -> Stated:
    """A value with its limits, saying what was taken for them."""
    from fit.given.measured import Stated

    value, said = found
    half_width = value.half_width or 0.0
    if said:
        show.default_taken(f"{name}: {said}")
    text = f"{name} {value.written}"
    if said:
        text += f" ± {limits or f'{half_width / unit[0]:.2g} {unit[1]}'}"
    return Stated(value.value, half_width, source, text)


@dataclass(frozen=True)
class SessionWords:
    """Values measured besides curves, as written on the command line."""

    diameter: str | None = None
    area: str | None = None
    measured_re: str | None = None
    moving_parts: str | None = None
    air_temperature: str | None = None
    air_pressure: str | None = None
    relative_humidity: str | None = None
    table_tolerance: str | None = None
    mounting: str = "free"
    held: str | None = None


def how_held(words: SessionWords) -> Held:
    """Say how the driver was held, and which way was taken where nobody said.

    Raises:
        UsageError: If there is no such way.
    """
    from fit.compare.sitting import DEFAULT, MOVING_FRAME

    if words.held is None:
        show.default_taken(f"{MOVING_FRAME[DEFAULT][1]}. --held says it otherwise")
        return DEFAULT
    for known in MOVING_FRAME:
        if words.held == known:
            return known
    raise UsageError(
        f"no way to hold a driver '{words.held}'",
        where="--held",
        remedy=f"Known: {', '.join(MOVING_FRAME)}.",
    )


def air(temperature: str | None, pressure: str | None, humidity: str | None) -> Air:
    """Density and sound speed of the air as measured; defaults are said aloud."""
    words = SessionWords(
        air_temperature=temperature, air_pressure=pressure, relative_humidity=humidity
    )
    return around(session(words, boxes=True))


def session(words: SessionWords, *, boxes: bool) -> Session:
    """The session, with every default that was taken said aloud.

    Args:
        boxes: Whether a test box takes part, so that the air matters even without an area.

    Raises:
        UsageError: If a value cannot be read, or diameter and area are both given.
    """
    from fit.given.measured import Session

    area = cone_area(words)
    air_matters = area is not None or boxes
    return Session(
        area=area,
        measured_re=_optional(
            words.measured_re,
            values.resistance,
            assumed.measured_resistance,
            ("--measured-re", "multimeter", "multimeter"),
            OHMS,
        ),
        moving_parts=_optional(
            words.moving_parts,
            values.mass,
            assumed.mass,
            ("--moving-parts", "moving-parts", "weighed moving parts"),
            GRAMS,
        ),
        pressure=_air(
            words.air_pressure, values.pressure, assumed.air_pressure, "pressure", air_matters
        ),
        temperature=_air(
            words.air_temperature,
            values.temperature,
            assumed.air_temperature,
            "temperature",
            air_matters,
        ),
        relative_humidity=_air(
            words.relative_humidity,
            values.relative_humidity,
            assumed.relative_humidity,
            "humidity",
            air_matters,
        ),
        mounting=_mounting(words),
    )


def around(session: Session) -> Air:
    """Density and sound speed of the air of a session."""
    from fit.box.circuit import Air

    state = session.pressure, session.temperature, session.relative_humidity
    return Air.at(*(one.value for one in state))


def _mounting(words: SessionWords) -> Mounting:
    if words.mounting == "free":
        return "free"
    if words.mounting != "baffle":
        raise UsageError(
            f"no mounting '{words.mounting}'",
            where="--mounting",
            remedy="Write free (frame open on both sides) or baffle (rim in a board or a face "
            "plate).",
        )
    if words.moving_parts is None:
        raise UsageError(
            "a mounting says what air moves with weighed parts, and none are given",
            where="--mounting",
            remedy="Leave it away, or add --moving-parts.",
        )
    return "baffle"


def cone_area(words: SessionWords) -> Stated | None:
    """The area [m2] from diameter or area as written, saying which limits were taken.

    Raises:
        UsageError: If it cannot be read, or both are given.
    """
    if words.diameter is not None and words.area is not None:
        raise UsageError(
            "--diameter and --area are both given",
            remedy="Give one of them: the diameter from mid-surround to mid-surround, or the area.",
        )
    if words.diameter is not None:
        return area_of_diameter(values.diameter(words.diameter, "--diameter"))
    if words.area is not None:
        found = assumed.area(values.area(words.area, "--area"))
        return stated(found, "ruler", "cone area", SQUARE_CM)
    return None


def area_of_diameter(diameter: Value) -> Stated:
    """The area [m2] of a cone of such a diameter, saying which limits were taken."""
    value, said = assumed.diameter(diameter)
    area = assumed.area_from_diameter(value)
    limits = f"{1e3 * (value.half_width or 0.0):.2g} mm"
    return stated((area, said), "ruler", "cone diameter", SQUARE_CM, limits)


def _optional(
    text: str | None,
    read: Callable[[str, str], Value],
    complete: Callable[[Value], assumed.Assumed],
    names: tuple[str, str, str],
    unit: tuple[float, str],
) -> Stated | None:
    option, source, name = names
    if text is None:
        return None
    return stated(complete(read(text, option)), source, name, unit)


def _air(
    text: str | None,
    read: Callable[[str, str], Value],
    complete: Callable[[Value | None], assumed.Assumed],
    name: str,
    matters: bool,
) -> Stated:
    from fit.given.measured import Stated

    option = "--relative-humidity" if name == "humidity" else f"--air-{name}"
    value, said = complete(None if text is None else read(text, option))
    if matters or text is not None:
        show.default_taken(said)
    source, words = f"air-{name}", f"air {name} {value.written}"
    return Stated(value.value, value.half_width or 0.0, source, words)

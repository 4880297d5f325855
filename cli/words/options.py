"""Options that several commands share, declared once."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from cli.words import values
from cli.words.units import Quantity
from meas.errors import UsageError


def option(metavar: str, about: str, *names: str, default: Any = None, **more: Any) -> Any:
    """Declare an option, as the default of a command's parameter.

    Args:
        metavar: What stands for the value in the help.
        about: What it is, with an example.
        names: Other names than the parameter's, such as ``--rig``.
        more: What typer knows besides, such as ``min``.
    """
    return typer.Option(default, *names, metavar=metavar, help=about, **more)


def flag(name: str, about: str) -> Any:
    """Declare an option without a value: off unless it is written."""
    return typer.Option(False, name, help=about)


def valued(
    quantity: Quantity, name: str, metavar: str, about: str, default: str | None = None
) -> Any:
    """Declare an option that is written with a unit; its command receives a `values.Value`.

    Args:
        name: Its name, such as ``--volume``, for messages as well.
        default: As it would be written.
    """
    return option(
        metavar, about, name, default=default, parser=lambda text: values.read(quantity, text, name)
    )


def one_of(choices: Sequence[str], what: str, where: str) -> dict[str, Any]:
    """Declare the choices of an option or argument, for its help, its check and completion.

    Args:
        what: What they are, after "no": ``kind of part``.
        where: Option or command, for the message.
    """

    def read(text: str) -> str:
        if text not in choices:
            raise UsageError(
                f"'{text}' is no {what}", where=where, remedy=f"One of: {' '.join(choices)}."
            )
        return text

    return {
        "metavar": "|".join(choices), "parser": read, "autocompletion": lambda: list(choices),
    }  # fmt: skip


ResistorSide = Annotated[
    str,
    typer.Option(
        help="Between source and driver, or below it.",
        **one_of(("hot", "ground"), "side of the driver", "--resistor-side"),
    ),
]
HowHeld = Annotated[
    str | None,
    typer.Option(
        metavar="clamped|magnet-down|hand",
        help="How the frame was held: it moves against the cone. Default magnet-down.",
    ),
]
AsJson = Annotated[
    bool,
    typer.Option("--json", help="Print one JSON object on standard output, all else beside it."),
]
Yes = Annotated[bool, typer.Option("--yes", help="The cautions are read and the wiring is right.")]
RigFile = Annotated[
    Path, typer.Option("--rig", metavar="FILE", help="The bench, made with freeair rig new.")
]
Kind = Annotated[
    str,
    typer.Option(
        help="A driver, a passive part, or a driver in its finished box; the latter two need not "
        "show one resonance.",
        **one_of(("driver", "part", "system"), "kind of unit", "--kind"),
    ),
]
AddedMass = Annotated[
    str | None, typer.Option(metavar="M", help="Mass on the cone, such as 7.5g or 7.5g±0.1g.")
]
TestBox = Annotated[
    str | None, typer.Option(metavar="V", help="Net volume of the test box, such as 6.8L±0.1L.")
]
Label = Annotated[str, typer.Option(metavar="TEXT", help="Your own words about this take.")]
Out = Annotated[
    Path, typer.Option(metavar="DIR", help="Folder in which the take's folder is made.")
]
Substitution = Annotated[
    str | None,
    typer.Option(
        metavar="R",
        help="One input only: a known resistor such as 8.2ohm±1% is recorded in the driver's place "
        "first.",
    ),
]
SourceResistance = Annotated[
    str | None,
    typer.Option(
        metavar="R", help="With --substitution: of the output itself, such as 1ohm±0.5ohm."
    ),
]
TableTolerance = Annotated[
    str | None,
    typer.Option(
        "--table-tolerance",
        metavar="[NAME=]PCT",
        help="Tolerance of the ohms in tables as a whole, such as 0.5%. Default 1% for each "
        "table; a name makes it the same error in all, now and later.",
    ),
]
Quiet = Annotated[bool, typer.Option("--quiet", help="No curve in the terminal.")]
Report = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE.html|pdf|png|md",
        help="Write a page to explore and print, a sheet, one picture, or text: by the ending.",
    ),
]
OpenPage = Annotated[
    bool, typer.Option("--open", help="Show the report in the browser, where there is a desktop.")
]
AirTemperature = Annotated[
    str | None, typer.Option(metavar="T", help="Such as 21C. Default 20C±8K.")
]
AirPressure = Annotated[
    str | None,
    typer.Option(
        metavar="P",
        help="At the bench, not reduced to sea level, such as 985hPa; or its height, such as 340m.",
    ),
]
RelativeHumidity = Annotated[
    str | None, typer.Option(metavar="PCT", help="Such as 45%. Default 50%±30%.")
]
Model = Annotated[
    str,
    typer.Option(
        metavar="auto|NAME",
        help="How coil and moving system are described: auto lets the data choose; else a coil "
        "such as plain, lossy or ladder, perhaps with laws behind it, such as lossy+creep. A name "
        "that is none lists all.",
    ),
]


def check_open(open_page: bool, report: Path | None) -> None:
    """Refuse to open a page that is not made.

    Raises:
        UsageError: If there is no report, or one that no browser shows.
    """
    if open_page and (report is None or report.suffix.lower() == ".md"):
        raise UsageError(
            "there is no page to open", where="--open", remedy="Make one: --report FILE.html."
        )


def check_model(model: str) -> None:
    """Refuse a model that there is not.

    Raises:
        UsageError: If it is not ``auto`` and no model has this name.
    """
    from fit.driver.models import COIL_NAMES, LAW_NAMES, named
    from fit.joint import AUTO

    if model == AUTO:
        return
    try:
        named(model)
    except ValueError:
        raise UsageError(
            f"there is no model '{model}'",
            where="--model",
            remedy=f"{AUTO}, or one of {' '.join(COIL_NAMES)}, alone or with one of "
            f"{' '.join(LAW_NAMES)} behind it.",
        ) from None


ByStatus = Annotated[
    bool,
    typer.Option(
        "--judge-by-status",
        help="End with status 3 when a target is missed, 4 when one is undecided.",
    ),
]

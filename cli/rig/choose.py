"""``freeair rig choose``: the series resistor that serves best, before anything is soldered."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words.options import AsJson, ResistorSide, one_of, option
from meas.errors import Refused, UsageError

if TYPE_CHECKING:
    from fit.design.series_resistor import Choice, Expected, Side

# Sizes that most are near (common practice, no source): Re, fs, Qms, Qes, Le; lowest frequency.
TYPICAL = {
    "woofer": ((6.0, 45.0, 4.0, 0.45, 0.5e-3), 10.0),
    "tweeter": ((5.5, 1000.0, 2.5, 1.2, 0.03e-3), 100.0),
}


def choose(
    driver: Annotated[
        str,
        typer.Option(
            help="The kind of driver expected.",
            **one_of(tuple(TYPICAL), "kind of driver known here", "--driver"),
        ),
    ] = "woofer",
    coil: str | None = option("R", "Its resistance, such as 5.6ohm.", "--re"),
    resonance: str | None = option("F", "Its resonance, such as 38Hz.", "--fs"),
    qms: float | None = option("Q", "Its Qms.", "--qms"),
    qes: float | None = option("Q", "Its Qes.", "--qes"),
    output_volts: str = option(
        "V", "Peak volts of the output at full scale, no load.", default="1.4V"
    ),
    output_impedance: str = option(
        "R", "Resistance of the output; headphone outputs have 0.1 to 30 ohm.", default="1ohm"
    ),
    least_load: str = option("R", "Smallest load that the output is made for.", default="16ohm"),
    input_volts: str = option("V", "Peak volts of an input at full scale.", default="1.4V"),
    noise: str = option("V", "Noise of an input, rms over the band.", default="20uV"),
    tolerance: str = option("PCT", "Tolerance of the resistor to be bought.", default="1%"),
    resistor_side: ResistorSide = "hot",
    series: int = option("N", "Preferred values, E6, E12, E24 ... (IEC 60063).", default=12),
    picture: Path | None = option("FILE.svg|png", "Draw the uncertainty."),
    as_json: AsJson = False,
) -> None:
    """Say which series resistor suits a card and an expected driver, and how well it will do.

    The figures are 95 % limits of |Z|, largest in the band of the sweep.

    \b
    freeair rig choose --driver woofer --re 5.6ohm --fs 38Hz --picture resistor.svg
    """
    from cli.pictures.plots import check_picture, save_picture
    from cli.rig.choice_picture import choice_figure
    from cli.words import values
    from fit.design.preferred import SERIES
    from fit.design.series_resistor import Card, Limits, around
    from fit.design.series_resistor import choose as choose_resistor
    from meas.bench.rig import Assumptions

    if picture is not None:
        check_picture(picture)
    expected, lowest = _expected(driver, coil, resonance, qms, qes)
    side: Side = "ground" if resistor_side == "ground" else "hot"
    if series not in SERIES:
        raise UsageError(
            f"there is no series E{series}",
            where="--series",
            remedy=f"One of: {' '.join(map(str, SERIES))}.",
        )
    card = Card(
        output_volt=values.voltage(output_volts, "--output-volts").value,
        output_ohm=values.resistance(output_impedance, "--output-impedance").value,
        least_load_ohm=values.resistance(least_load, "--least-load").value,
        input_volt=values.voltage(input_volts, "--input-volts").value,
        noise_volt_rms=values.voltage(noise, "--noise").value,
    )
    assumed = Assumptions()
    limits = Limits(
        values.percent(tolerance, "--tolerance").value / 100,
        assumed.calibrated_mismatch_percent / 100,
        assumed.mismatch_percent / 100,
    )
    found = choose_resistor(card, expected, side, limits, series=series, band_hz=(lowest, 20000.0))
    if not found:
        raise Refused.because(
            "load-too-small",
            f"no resistor up to 1000 ohm brings the load to the {least_load} that the output is "
            "made for",
            next_step="Use another output, or an amplifier",
            where="--least-load",
        )
    best, shown = found[0], around(found[0], found)
    if as_json:
        show.document({"best_ohm": best.resistor_ohm, "choices": [_row(c) for c in shown]})
    else:
        _print(best, shown, expected, side)
    if picture is not None:
        save_picture(choice_figure(best, side), picture)
        show.note(f"drawn: {picture}")


def _expected(
    driver: str, coil: str | None, resonance: str | None, qms: float | None, qes: float | None
) -> tuple[Expected, float]:
    from cli.words import values
    from fit.design.series_resistor import Expected

    for given, name in ((qms, "--qms"), (qes, "--qes")):
        if given is not None and not 0.05 <= given <= 100:
            raise UsageError(f"a Q of {given:g}", where=name, remedy="Drivers have 0.05 to 100.")
    (Re, fs, Qms, Qes, Le), lowest = TYPICAL[driver]
    return (
        Expected(
            Re if coil is None else values.resistance(coil, "--re").value,
            fs if resonance is None else values.frequency(resonance, "--fs").value,
            Qms if qms is None else qms,
            Qes if qes is None else qes,
            Le,
        ),
        lowest,
    )


def _row(choice: Choice) -> dict[str, float]:
    import numpy as np

    coil = int(np.argmin(np.abs(choice.impedance_ohm)))
    peak = int(np.argmax(np.abs(choice.impedance_ohm) * (choice.frequency_hz < 4000)))
    calibrated, before = choice.total(), choice.total(calibrated=False)
    return {
        "resistor_ohm": choice.resistor_ohm,
        "at_coil": float(calibrated[coil]),
        "at_peak": float(calibrated[peak]),
        "worst": float(calibrated.max()),
        "worst_uncalibrated": float(before.max()),
        "worst_noise": float(choice.noise.max()),
        "driver_volt_rms": choice.driver_volt_rms,
        "resistor_watt": choice.resistor_watt,
        "level": choice.level,
    }


def _print(best: Choice, shown: tuple[Choice, ...], expected: Expected, side: Side) -> None:
    from cli.terminal.tables import Column, numbers, plain_table

    show.say(
        f"Driver: coil {expected.Re:g} Ω, peak {expected.peak_ohm:.3g} Ω at {expected.fs:g} Hz. "
        f"Resistor on the {side} side. 95 % limits of |Z|:"
    )
    titles = ("R, Ω", "coil %", "peak %", "worst %", "uncal. %", "noise %", "drive V")
    parts = ("at_coil", "at_peak", "worst", "worst_uncalibrated", "worst_noise")
    rows = [
        (
            f"{choice.resistor_ohm:g}",
            *(f"{100 * row[part]:.2g}" for part in parts),
            f"{choice.driver_volt_rms:.2g}",
            "best" if choice is best else "",
        )
        for choice, row in ((choice, _row(choice)) for choice in shown)
    ]
    show.say(plain_table((*numbers(*titles), Column("")), rows))
    show.say(
        "Worst: the largest in the band; uncal.: before the channels are calibrated; noise: of one "
        "point, already inside the others; drive: rms at the driver, at most."
    )
    show.say(
        f"Take {best.resistor_ohm:g} Ω, rated for at least twice {best.resistor_watt:.2g} W, at a "
        f"level near {best.level:.2g} of full scale. A calibration counts for more than the value; "
        "a known resistor of closer tolerance (freeair rig calibrate --standard resistor=...) "
        "takes the place of this one's tolerance."
    )

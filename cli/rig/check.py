"""``freeair rig check``: does the bench measure a known resistor as what it is?"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words.options import AsJson, Yes
from fit.results.numbers import signed
from meas.errors import Finding, Refused, refusals

if TYPE_CHECKING:
    from meas.curve import ImpedanceCurve

BANDS_HZ = (10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10000.0, 30000.0)
COVERAGE = 2.0
"""Coverage factor of errors common to all bands (JCGM 100:2008, 6.3.3)."""
_FALSE_ALARMS = 0.05
"""Share of sound benches that noise alone may call wrong, in whichever band and part."""


@dataclass(frozen=True)
class Band:
    """The mean deviation from the known resistor in one band.

    Attributes:
        resistance_ohm: Mean of the real part.
        reactance_ohm: Mean of the imaginary part.
        limits_ohm: Largest deviation of real and imaginary part that the stated uncertainties
            of bench and resistor explain.
        agrees: Whether both parts lie within.
    """

    low_hz: float
    high_hz: float
    resistance_ohm: float
    reactance_ohm: float
    limits_ohm: tuple[float, float]
    agrees: bool


def check(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Rig file.")],
    resistor: Annotated[
        str, typer.Option(metavar="R", help="What sits in the driver's place, such as 8.2ohm±1%.")
    ],
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Verify the bench on a known resistor.

    Put it in the driver's place. Ends with status 1 when the two disagree beyond their combined
    uncertainty.

    \b
    freeair rig check bench.toml --resistor 8.2ohm±1%
    """
    from cli.bench import audio_path
    from cli.terminal import cautions
    from cli.words import assumed, values
    from meas.bench import rig_file
    from meas.takes import analysis

    rig = rig_file.read(file)
    known, said = assumed.bought_resistor(values.resistance(resistor, "--resistor"))
    show.default_taken(said)
    rig = cautions.before_playing(file, rig, yes=yes)
    audio = audio_path.open_path(rig, standard=known.value)
    played = audio_path.play(audio, rig, "checking")
    played.refuse_unsound("check")
    capture = played.capture
    found = analysis.analyse(
        capture.samples,
        capture.sample_rate_hz,
        rig,
        kind="part",
        stimulus=played.stimulus,
        calibration=rig.calibration,
    )
    if found.refused or found.curve is None:
        refusing = refusals(found.findings)
        raise Refused(
            refusing or [Finding("faint", "no curve came out of the recording", refuses=True)],
            where=str(file),
        )
    bands = compare(found.curve, known.value, known.half_width or 0.0)
    wrong = [band for band in bands if not band.agrees]
    if as_json and not wrong:
        rows = [
            {
                "from_hz": band.low_hz,
                "to_hz": band.high_hz,
                "resistance_ohm": band.resistance_ohm,
                "reactance_ohm": band.reactance_ohm,
                "limits_ohm": list(band.limits_ohm),
            }
            for band in bands
        ]
        show.document({"agrees": True, "resistor_ohm": known.value, "bands": rows})
    if not as_json:
        _print(bands, known.value)
    if wrong:
        raise Refused([_disagreement(wrong, known.value)], where=str(file))
    if not as_json:
        widest = max(max(band.limits_ohm) for band in bands) / known.value
        show.say(
            f"The bench measures {known.written} as what it is, within the {100 * widest:.2g} % "
            "that bench and resistor promise together."
        )
        show.say(f"What limits it at 1 kHz: {_limits(found.curve, known.value)}.")
        if rig.calibration is None:
            show.note("Not calibrated: freeair rig calibrate would narrow this.")
        elif known.value in [one.resistance_ohm for one in rig.calibration.resistors]:
            show.note(
                "The bench was calibrated with a resistor of this very value. If it is the same "
                "one, this shows that nothing moved, not that its value is right: check another.",
                "yellow",
            )


def _limits(curve: ImpedanceCurve, resistor_ohm: float) -> str:
    """The three largest common errors (95 %) at 1 kHz, in words."""
    import numpy as np

    at = int(np.argmin(np.abs(np.log(curve.frequency_hz / 1000.0))))
    sizes = sorted(
        ((COVERAGE * abs(one.derivative_ohm[at]), one.text) for one in curve.systematics),
        reverse=True,
    )
    return "; ".join(f"{text}: {100 * size / resistor_ohm:.2g} %" for size, text in sizes[:3])


def compare(curve: ImpedanceCurve, resistor_ohm: float, half_width_ohm: float) -> list[Band]:
    """Mean deviation from a resistor, band by band, against the combined uncertainty.

    Averaging within a band shrinks the random part by the number of points; the bench's common
    errors and the resistor's tolerance stay. The random part is another one in every band: its
    coverage factor is that of the largest of so many deviations (Z. Sidak, J. Am. Stat. Assoc. 62,
    1967).

    Args:
        resistor_ohm: Its known value.
        half_width_ohm: Its limits.
    """
    import numpy as np

    f = curve.frequency_hz
    parts = {(low, high): (f >= low) & (f < high) for low, high in pairwise(BANDS_HZ)}
    seen = {edges: inside for edges, inside in parts.items() if inside.any()}
    each = (1 - _FALSE_ALARMS) ** (1 / (2 * max(1, len(seen))))
    of_largest = NormalDist().inv_cdf((1 + each) / 2)
    bands = []
    for (low, high), inside in seen.items():
        off = complex(np.mean(curve.impedance_ohm[inside])) - resistor_ohm
        random = 0.0
        if curve.standard_uncertainty_ohm is not None:
            variance = float(np.mean(curve.standard_uncertainty_ohm[inside] ** 2))
            random = of_largest**2 * variance / int(np.count_nonzero(inside))
        common = [complex(np.mean(s.derivative_ohm[inside])) for s in curve.systematics]
        real = sum(part.real**2 for part in common) + half_width_ohm**2 / 3
        imaginary = sum(part.imag**2 for part in common)
        # A resistor at hand has some inductance of its own: 0.1 µH is a few cm of wire.
        wire = 2 * np.pi * float(np.mean(f[inside])) * 1e-7
        limits = (
            float(np.sqrt(random + COVERAGE**2 * real)),
            float(np.sqrt(random + COVERAGE**2 * imaginary)) + wire,
        )
        agrees = abs(off.real) <= limits[0] and abs(off.imag) <= limits[1]
        bands.append(Band(low, high, off.real + resistor_ohm, off.imag, limits, agrees))
    return bands


def _disagreement(wrong: list[Band], resistor_ohm: float) -> Finding:
    worst = max(
        wrong,
        key=lambda band: max(
            abs(band.resistance_ohm - resistor_ohm) / band.limits_ohm[0],
            abs(band.reactance_ohm) / band.limits_ohm[1],
        ),
    )
    off = 100 * (worst.resistance_ohm / resistor_ohm - 1)
    return Finding(
        "bench-disagrees",
        f"between {worst.low_hz:g} and {worst.high_hz:g} Hz the bench reads "
        f"{worst.resistance_ohm:.4g} {worst.reactance_ohm:+.3g}j ohm ({off:+.2g} %), more than "
        "bench and resistor explain",
        refuses=True,
        next_step=(
            "Check the series resistor's value, both resistors with a meter, the contacts, which "
            "input is which, and that nothing else hangs at the terminals. Calibrate, leave the "
            "gains alone, and switch off what mixes channels. Only the highest bands wrong: a "
            "wire-wound resistor with inductance, or an uncalibrated delay"
        ),
    )


def _print(bands: list[Band], resistor_ohm: float) -> None:
    from rich.text import Text

    from cli.terminal.tables import Column, numbers, plain_table

    rows = [
        (
            f"{band.low_hz:g} … {band.high_hz:g}",
            f"{band.resistance_ohm:.4f}",
            f"{signed(100 * (band.resistance_ohm / resistor_ohm - 1), 3)} %",
            f"± {100 * band.limits_ohm[0] / resistor_ohm:.2g} %",
            signed(band.reactance_ohm, 4),
            f"± {band.limits_ohm[1]:.2g}",
            Text("agrees", style="green") if band.agrees else Text("is off", style="bold red"),
        )
        for band in bands
    ]
    titles = numbers("band, Hz", "R, Ω", "off", "allowed", "X, Ω", "allowed")
    show.say(plain_table((*titles, Column("")), rows))

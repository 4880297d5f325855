"""``freeair rig calibrate``: how the two inputs differ, stored in the rig."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli import show
from cli.options import Yes
from meas.errors import UsageError

if TYPE_CHECKING:
    from meas.rig import Calibration

STANDARDS = ("same-node",)


def calibrate(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Rig file; gets the calibration.")],
    standard: Annotated[
        str, typer.Option(metavar="same-node", help="Both inputs on the source node.")
    ] = "same-node",
    yes: Yes = False,
) -> None:
    """Measure how the two inputs differ and store it in the rig.

    Move the driver input to the source node first; the picture shows how.

    \b
    freeair rig calibrate bench.toml --standard same-node --yes
    """
    from cli import bench as benches
    from cli import cautions, taking, wiring
    from meas import calibration as calibrations
    from meas import rig_file

    if standard not in STANDARDS:
        raise UsageError(
            f"'{standard}' is no standard known here",
            where="--standard",
            remedy=f"One of: {' '.join(STANDARDS)}.",
        )
    rig = rig_file.read(file)
    show.note(wiring.as_text(wiring.describe(rig.wiring, same_node=True)))
    asked = (cautions.SAME_NODE, *(c for c in cautions.for_rig(rig) if c.asks))
    cautions.acknowledge(asked, yes=yes)
    audio = benches.open_path(rig, same_node=True)
    played = benches.play(audio, rig, "calibrating")
    played.refuse_unsound("calibration")
    capture = played.capture
    measured = calibrations.measure(
        capture.samples, capture.sample_rate_hz, rig, benches.device_name(rig), taking.now()
    )
    rig_file.store_calibration(file, rig, measured)
    show.say(describe(measured))
    show.note("Move the driver input back between resistor and driver.", "bold yellow")


def describe(measured: Calibration) -> str:
    """What was found, in a sentence."""
    import numpy as np

    middle = int(np.argmin(np.abs(np.log(measured.frequency_hz / 1000.0))))
    ratio = measured.ratio
    gain = 100 * (abs(ratio[middle]) - 1)
    spread = 100 * (np.abs(ratio).max() - np.abs(ratio).min())
    slope = np.polyfit(measured.frequency_hz, np.unwrap(np.angle(ratio)), 1)[0]
    samples = -slope / (2 * np.pi) * measured.sample_rate_hz
    return (
        f"Calibrated: the driver input reads {gain:+.3f} % against the source input at 1 kHz, "
        f"{spread:.3f} % spread over the band, {samples:+.4f} samples late. Taken out from now on."
    )

"""``freeair import``: a take out of a two-channel recording made elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.words.options import (
    AddedMass,
    AsJson,
    Kind,
    Label,
    Out,
    Quiet,
    RigFile,
    SourceResistance,
    Substitution,
    TestBox,
    option,
)

if TYPE_CHECKING:
    from meas.bench.rig import Rig


def import_capture(
    capture: Annotated[
        Path, typer.Argument(metavar="CAPTURE.wav", help="WAV or FLAC, two channels on one clock.")
    ],
    rig: RigFile,
    unit: Annotated[str, typer.Option(metavar="UNIT", help="Name of what was measured.")],
    kind: Kind = "driver",
    added_mass: AddedMass = None,
    test_box: TestBox = None,
    calibration: Path | None = option(
        "CAPTURE.wav", "A recording with both inputs on the source node."
    ),
    known: Path | None = option(
        "KNOWN.wav",
        "With one input: the same excitation with a known resistor in the driver's place "
        "(and --substitution).",
    ),
    substitution: Substitution = None,
    source_resistance: SourceResistance = None,
    label: Label = "",
    out: Out = Path("takes"),
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Make a take out of a recording of source and driver voltage.

    Any sample rate and any broadband excitation will do. The path of the take is printed last; a
    recording that cannot be trusted is kept as a refused take and ends with status 1.

    \b
    freeair import sweep.wav --rig bench.toml --unit lantern-1 --added-mass 7.5g
    """
    from cli.bench import one_input, take_record
    from cli.terminal import progress
    from meas.audio import recording
    from meas.bench import rig_file
    from meas.files.writing import check_folder
    from meas.takes import analysis, take

    who = take_record.subject(unit, kind, added_mass, test_box, label)
    bench = rig_file.read(rig)
    check_folder(out)
    using = one_input.described(bench, substitution, source_resistance)
    if known is not None or substitution is not None:
        made, path = one_input.imported(who, using, known, capture, out)
        take_record.report(made, path, as_json=as_json, quiet=quiet)
        return
    wiring = bench.wiring
    recorded = recording.read(capture, wiring.source_input, wiring.driver_input)
    if calibration is not None:
        bench = _calibrated(bench, calibration)
    with progress.working("looking at the recording"):
        found = analysis.analyse(
            recorded.samples,
            recorded.sample_rate_hz,
            bench,
            kind=who.kind,
            calibration=bench.calibration,
        )
    made = take_record.as_take(
        who,
        bench.model_copy(update={"calibration": found.calibration}),
        found.curve,
        (*recorded.findings, *found.findings, *take_record.aged(found.calibration, bench)),
        sample_rate_hz=recorded.sample_rate_hz,
        peak=found.peak,
        unlike=found.unlike,
        excitation={"kind": "imported", **recorded.description},
    )
    take_record.report(made, take.save(made, recorded.samples, out), as_json=as_json, quiet=quiet)


def _calibrated(bench: Rig, path: Path) -> Rig:
    """The rig with the calibration that a recording of both inputs on one node gives."""
    from cli.bench import audio_path
    from cli.bench.take_record import now
    from meas.audio import recording
    from meas.correction import calibration as calibrations
    from meas.errors import Refused
    from meas.takes.standard import measure_standard

    wiring = bench.wiring
    recorded = recording.read(path, wiring.source_input, wiring.driver_input)
    try:
        standard = measure_standard(
            recorded.samples, recorded.sample_rate_hz, bench, audio_path.device_name(bench), now()
        )
        measured, _ = calibrations.join(bench, standard)
    except Refused as error:
        raise Refused(error.reasons, where=str(path), remedy=error.remedy) from error
    return bench.model_copy(update={"calibration": measured})

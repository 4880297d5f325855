"""``freeair take``: one sweep of one unit, saved as a take."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.options import AddedMass, AsJson, Kind, Label, Out, RigFile, TestBox, Yes

if TYPE_CHECKING:
    from cli.bench import Played
    from cli.taking import Subject
    from meas.curve import ImpedanceCurve
    from meas.errors import Finding
    from meas.rig import Rig
    from meas.take import Take


def take(
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="Name of what is measured.")],
    rig: RigFile,
    kind: Kind = "driver",
    added_mass: AddedMass = None,
    test_box: TestBox = None,
    label: Label = "",
    out: Out = Path("takes"),
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Sweep one unit once and save what the inputs recorded.

    The path of the take is printed last. A take that cannot be trusted is kept, marked refused,
    and ends with status 1.

    \b
    freeair take lantern-1 --rig bench.toml
    freeair take lantern-1 --rig bench.toml --added-mass 7.5g±0.1g
    """
    from cli import cautions, taking
    from meas import rig_file
    from meas.whole_file import check_folder

    who = taking.subject(unit, kind, added_mass, test_box, label)
    bench = rig_file.read(rig)
    check_folder(out)
    cautions.print_cautions(cautions.for_condition(who.condition.name))
    cautions.acknowledge(cautions.for_playing(bench), yes=yes, brief=True)
    made, path = sweep(who, bench, out)
    taking.report(made, path, as_json=as_json)


def sweep(who: Subject, bench: Rig, out: Path) -> tuple[Take, Path]:
    """Play, record, analyse and save; the capture is kept whatever the analysis says.

    Args:
        who: What is measured.
        bench: The rig.
        out: Folder in which the take's folder is made.

    Returns:
        The take and its folder.
    """
    from cli import bench as benches
    from cli import progress, taking
    from meas import take as takes

    condition = who.condition
    audio = benches.open_path(
        bench,
        added_mass_kg=(condition.value or 0.0) if condition.name == "added-mass" else 0.0,
        test_box_m3=condition.value if condition.name == "test-box" else None,
    )
    played = benches.play(audio, bench, f"sweeping {who.unit}")
    capture = played.capture
    with progress.working("looking at the recording"):
        findings, peak, curve = _look(played, who, bench)
    made = takes.Take(
        unit=who.unit,
        kind=who.kind,
        condition=condition,
        label=who.label,
        taken_at=taking.now(),
        rig=bench,
        sample_rate_hz=capture.sample_rate_hz,
        peak=peak,
        excitation={"kind": "sweep-pair", **bench.drive.model_dump()},
        software=taking.software(),
        findings=taking.complete(findings, curve),
        curve=curve,
        stream=dict(capture.path),
        events=capture.events,
    )
    return made, takes.save(made, capture.samples, out)


def _look(
    played: Played, who: Subject, bench: Rig
) -> tuple[tuple[Finding, ...], tuple[float, float], ImpedanceCurve | None]:
    """Findings, peaks and curve; a capture too short to look at says so in its findings."""
    from meas import analysis
    from meas.errors import UnreadableInput

    capture = played.capture
    try:
        found = analysis.analyse(
            capture.samples,
            capture.sample_rate_hz,
            bench,
            kind=who.kind,
            stimulus=played.stimulus,
            calibration=bench.calibration,
        )
    except UnreadableInput:
        if any(finding.refuses for finding in played.findings):
            return played.findings, (0.0, 0.0), None
        raise
    known = {finding.code for finding in found.findings}
    own = tuple(finding for finding in played.findings if finding.code not in known)
    return (*found.findings, *own), found.peak, found.curve

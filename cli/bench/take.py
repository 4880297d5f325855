"""``freeair take``: one sweep of one unit, saved as a take."""

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
    Yes,
    one_of,
    option,
)
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.bench.audio_path import Played
    from cli.bench.take_record import Subject
    from meas.bench.rig import Rig
    from meas.errors import Finding
    from meas.takes.analysis import Analysis
    from meas.takes.take import Take


def take(
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="Name of what is measured.")],
    rig: RigFile,
    kind: Kind = "driver",
    added_mass: AddedMass = None,
    test_box: TestBox = None,
    label: Label = "",
    excitation: Annotated[
        str | None,
        typer.Option(
            help="Instead of the rig's: sweeps; many tones at once, telling noise from even and "
            "odd distortion; one tone after the other, slow, for noisy places.",
            **one_of(("sweep", "multisine", "stepped"), "excitation", "--excitation"),
        ),
    ] = None,
    levels: str | None = option(
        "X,X,...", "One take at each of these peak levels (full scale is 1), the lowest first."
    ),
    repeats: int | None = option(
        "N",
        "Pairs of sweeps, or periods of the multisine; from two pairs on, one that a door "
        "spoilt is left out.",
    ),
    substitution: Substitution = None,
    source_resistance: SourceResistance = None,
    swap_seconds: float | None = option(
        "S",
        "With --substitution: time to put the driver in the resistor's place, where "
        "nobody can press Enter.",
    ),
    out: Out = Path("takes"),
    yes: Yes = False,
    quiet: Quiet = False,
    as_json: AsJson = False,
) -> None:
    """Sweep one unit once and save what the inputs recorded.

    The path of the take is printed last. A take that cannot be trusted is kept, marked refused,
    and ends with status 1.

    \b
    freeair take lantern-1 --rig bench.toml
    freeair take lantern-1 --rig bench.toml --added-mass 7.5g±0.1g
    freeair take lantern-1 --rig bench.toml --levels 0.05,0.1,0.2
    freeair take lantern-1 --rig bench.toml --substitution 8.2ohm±1%
    """
    from cli.bench import drive_options, one_input, take_record
    from cli.terminal import cautions
    from meas.bench import rig_file
    from meas.files.writing import check_folder

    who = take_record.subject(unit, kind, added_mass, test_box, label)
    benches = drive_options.at_levels(
        drive_options.changed(rig_file.read(rig), excitation, repeats), levels
    )
    check_folder(out)
    using = one_input.described(benches[0], substitution, source_resistance)
    mind = cautions.for_condition(who.condition.name)
    if not any(out.glob(f"*_{who.condition.name}_*")):  # said in full before the first such take
        cautions.print_cautions(mind)
        mind = ()
    cautions.before_playing(rig, benches[-1], yes=yes, also=mind)
    if using is not None:
        if levels is not None:
            raise UsageError(
                "several levels and a substitution at once",
                where="--levels, --substitution",
                remedy="Make one take at each level: set drive.level in the rig file.",
            )
        made, path = one_input.take(who, using, out, swap_seconds)
        take_record.report(made, path, as_json=as_json, quiet=quiet)
        return
    if levels is None:
        made, path = sweep(who, benches[0], out)
        take_record.report(made, path, as_json=as_json, quiet=quiet)
        return
    done = []
    for bench in benches:
        done.append(sweep(who, bench, out))
        if not as_json:
            take_record.say(*done[-1], quiet=quiet)
    take_record.report_levels(done, as_json=as_json)


def sweep(who: Subject, bench: Rig, out: Path) -> tuple[Take, Path]:
    """Play, record, analyse and save; the capture is kept whatever the analysis says.

    Args:
        out: Folder in which the take's folder is made.
    """
    from cli.bench import audio_path as benches
    from cli.bench import take_record
    from meas.correction.calibration import check_matches
    from meas.excitation import choice

    if bench.calibration is not None:  # after the sweep it would be too late
        check_matches(bench.calibration, bench, bench.card.sample_rate_hz)
    audio = benches.open_path(bench, condition=who.condition, kind=who.kind)
    stimulus = choice.build(bench)
    take_record.check_room(out, stimulus.samples.size)
    played = benches.play(audio, bench, f"sweeping {who.unit}", stimulus)
    with take_record.kept_first():
        return _kept(played, who, bench, out)


def _kept(played: Played, who: Subject, bench: Rig, out: Path) -> tuple[Take, Path]:
    from cli.bench import drive_options, take_record
    from cli.terminal import progress
    from meas.takes import take as takes
    from meas.takes.drive_volts import of_take

    capture = played.capture
    with progress.working("looking at the recording"):
        findings, found = _look(played, who, bench)
    volts = {}
    if found is not None:
        volts = of_take(capture.samples, found.passes, bench)
        bench = bench.model_copy(update={"calibration": found.calibration})
    made = take_record.as_take(
        who,
        bench,
        None if found is None else found.curve,
        findings,
        sample_rate_hz=capture.sample_rate_hz,
        peak=(0.0, 0.0) if found is None else found.peak,
        unlike=None if found is None else found.unlike,
        excitation={**drive_options.recorded(bench, played.stimulus), **volts},
        stream=dict(capture.path),
        events=capture.events,
        distortion=None if found is None else found.distortion,
    )
    return made, takes.save(made, capture.samples, out)


def _look(played: Played, who: Subject, bench: Rig) -> tuple[tuple[Finding, ...], Analysis | None]:
    """Findings and analysis; a capture that cannot be looked at says so in its findings."""
    from cli.bench import take_record
    from meas.errors import UnreadableInput
    from meas.takes import analysis

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
    except UnreadableInput as error:
        if any(finding.refuses for finding in played.findings):
            return played.findings, None
        return (*played.findings, take_record.unusable(error)), None
    known = {finding.code for finding in found.findings}
    own = tuple(finding for finding in played.findings if finding.code not in known)
    return (*found.findings, *own, *take_record.aged(found.calibration, bench)), found

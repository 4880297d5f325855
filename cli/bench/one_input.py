"""Takes with one input: a known resistor is recorded in the driver's place, then the driver."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from cli.terminal import progress, show
from cli.terminal.ask import wait_until_ready
from meas.errors import UnreadableInput, UsageError

if TYPE_CHECKING:
    from cli.bench.audio_path import Played
    from cli.bench.take_record import Subject
    from meas.audio.recording import Samples
    from meas.bench.rig import Rig
    from meas.errors import Finding
    from meas.excitation.stimulus import Stimulus
    from meas.takes.take import Take


def described(rig: Rig, resistor: str | None, source: str | None) -> Rig | None:
    """The rig with what is known of the substitution; None when none is wanted.

    The options add to and override the table ``[substitution]`` of the rig file.

    Raises:
        UsageError: If a value cannot be read, or the source resistance comes alone.
    """
    from cli.words import assumed, values
    from meas.bench.rig import Substitution

    if resistor is None:
        if source is not None:
            raise UsageError(
                "the source resistance matters with one input only",
                where="--source-resistance",
                remedy="Name the known resistor too: --substitution 8.2ohm±1%.",
            )
        return None
    known = values.resistance(resistor, "--substitution")
    content = rig.substitution.model_dump() if rig.substitution is not None else {}
    content["known_resistor_ohm"] = known.value
    if rig.substitution is None:
        known, said = assumed.bought_resistor(known)
        show.default_taken(said)
    if known.half_width is not None:
        content["tolerance_percent"] = 100 * known.half_width / known.value
    if source is not None:
        own = values.resistance(source, "--source-resistance")
        content["source_resistance_ohm"] = own.value
        limit = own.half_width
        if limit is None:
            limit = own.value / 2
            show.default_taken(f"source resistance {own.written}: ±{limit:g} ohm")
        content["source_resistance_limit_ohm"] = limit
    elif rig.substitution is None:
        show.default_taken("source resistance 0.5ohm±0.5ohm (look it up or measure it)")
    return rig.model_copy(update={"substitution": Substitution.model_validate(content)})


def take(who: Subject, rig: Rig, out: Path, swap_seconds: float | None) -> tuple[Take, Path]:
    """Record the known resistor, then the driver; analyse and save.

    Args:
        rig: The bench, with its ``substitution``.
        out: Folder in which the take's folder is made.
        swap_seconds: Time to swap; None: until Enter is pressed.

    Raises:
        UsageError: If nobody is there to swap and no time was given.
    """
    from cli.bench import audio_path, take_record
    from meas.excitation import stimulus as sweeps

    using = rig.substitution
    if using is None:
        raise ValueError("nothing is substituted")
    simulated = rig.card.is_simulated
    watched = sys.stdin.isatty() and sys.stderr.isatty()
    if not (simulated or watched or swap_seconds is not None):
        raise UsageError(
            "somebody has to put the driver in the resistor's place in between",
            where="--substitution",
            remedy="Run it on a terminal, give the time with --swap-seconds, or record both "
            "elsewhere and import them: freeair import DRIVER.wav --known KNOWN.wav",
        )
    stimulus = sweeps.build(rig.drive, rig.card.sample_rate_hz)
    take_record.check_room(out, stimulus.samples.size)
    ohm = f"{using.known_resistor_ohm:g} ohm"
    if not simulated:
        _wait(f"The known resistor of {ohm} in the driver's place?", watched, 0.0)
    audio = audio_path.open_path(rig, standard=using.known_resistor_ohm, one_input=True)
    first = audio_path.play(audio, rig, f"recording {ohm}", stimulus)
    first.refuse_unsound("known resistor")
    if not simulated:
        _wait(f"{who.unit} instead of the resistor, nothing else touched?", watched, swap_seconds)
    audio = audio_path.open_path(rig, condition=who.condition, one_input=True)
    second = audio_path.play(audio, rig, f"recording {who.unit}", stimulus)
    with take_record.kept_first():
        return _from_played(who, rig, first, second, stimulus, out)


def _wait(question: str, watched: bool, seconds: float | None) -> None:
    if watched and not seconds:
        wait_until_ready(f"{question} Then press Enter", "A sweep plays into what is connected.")
    elif seconds:
        show.note(f"{question} Going on in {seconds:g} s.")
        progress.wait(question, seconds)


def _from_played(
    who: Subject, rig: Rig, first: Played, second: Played, stimulus: Stimulus, out: Path
) -> tuple[Take, Path]:
    from cli.bench import drive_options

    capture = second.capture
    played = drive_options.recorded(rig, stimulus)
    return _saved(
        who,
        rig,
        (first.capture.samples[:, 1:], capture.samples[:, 1:]),
        capture.sample_rate_hz,
        out,
        played={f"drive_{k}" if k == "kind" else k: v for k, v in played.items()},
        findings=second.findings,
        stream=dict(capture.path),
        stimulus=stimulus,
    )


def imported(
    who: Subject, rig: Rig | None, known: Path | None, driver: Path, out: Path
) -> tuple[Take, Path]:
    """A take out of two recordings of one input.

    Raises:
        UsageError: If the known resistor or its recording was not named, or the rates differ.
        UnreadableInput: If a recording cannot be read.
    """
    from meas.audio import recording

    if rig is None or known is None:
        raise UsageError(
            "a substitution needs the known resistor and its recording",
            where="--known, --substitution",
            remedy="Give both: --known KNOWN.wav --substitution 8.2ohm±1%.",
        )
    channel = rig.wiring.driver_input
    both = [recording.read_one(path, channel) for path in (known, driver)]
    rates = [one.sample_rate_hz for one in both]
    if rates[0] != rates[1]:
        raise UsageError(
            f"the recordings have different sample rates, {rates[0]} and {rates[1]} Hz",
            where="--known",
            remedy="Record both the same way.",
        )
    return _saved(
        who,
        rig,
        (both[0].samples[:, 1:], both[1].samples[:, 1:]),
        rates[1],
        out,
        played={"known_file": known.name, **both[1].description},
        findings=tuple(finding for one in both for finding in one.findings),
    )


def _saved(
    who: Subject,
    rig: Rig,
    samples: tuple[Samples, Samples],
    rate: int,
    out: Path,
    *,
    played: dict[str, str | float | bool | None],
    findings: tuple[Finding, ...],
    stream: dict[str, str | float] | None = None,
    stimulus: Stimulus | None = None,
) -> tuple[Take, Path]:
    import numpy as np

    from cli.bench import take_record
    from cli.terminal import progress
    from meas.one_input import analysis
    from meas.takes import take as takes

    using = rig.substitution
    if using is None:
        raise ValueError("nothing is substituted")
    known, driver = (one[:, 0].astype(np.float32) for one in samples)
    with progress.working("looking at the recordings"):
        try:
            found = analysis.analyse_substituted(
                known, driver, rate, rig, using, kind=who.kind, stimulus=stimulus
            )
        except UnreadableInput as error:
            if stream is None:  # the recordings are files already
                raise
            found = analysis.Substituted(None, (take_record.unusable(error),), (0.0, 0.0))
    said = {finding.code for finding in found.findings}
    all_findings = (*found.findings, *(one for one in findings if one.code not in said))
    made = take_record.as_take(
        who,
        rig.model_copy(update={"calibration": None}),
        found.curve,
        all_findings,
        sample_rate_hz=rate,
        peak=found.peak,
        excitation={"kind": takes.SUBSTITUTION, **played},
        stream=stream or {},
    )
    both = np.zeros((max(known.size, driver.size), 2), dtype=np.float32)
    both[: known.size, 0] = known
    both[: driver.size, 1] = driver
    return made, takes.save(made, both, out)

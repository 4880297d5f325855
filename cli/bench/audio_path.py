"""The one place that opens the audio path of a rig."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from meas.errors import Finding, Refused, refusals

if TYPE_CHECKING:
    from meas.audio.protocol import AudioPath, Capture
    from meas.bench.rig import Kind, Rig
    from meas.excitation.stimulus import Stimulus
    from meas.takes.record import TakeCondition


def device_name(rig: Rig) -> str:
    """The device as calibrations know it."""
    return rig.card.device or "default"


def open_path(
    rig: Rig,
    *,
    condition: TakeCondition | None = None,
    kind: Kind = "driver",
    standard: Literal["same-node", "open", "short"] | float | None = None,
    one_input: bool = False,
) -> AudioPath:
    """The sound card of a rig, or its simulated bench under the condition given.

    What it plays stays within ``rig.drive.level``. A command that was asked for another level
    opens a rig that has it.

    Args:
        condition: What loads the simulated cone; None: nothing.
        kind: What the simulated bench measures.
        standard: What is in the simulated driver's place instead: nothing, a short, a resistor
            [ohm], or the driver input moved to the source node.
        one_input: Record the driver input alone.
    """
    from meas.audio.limited import LimitedPath

    if rig.card.is_simulated:
        from meas.audio.simulated_bench import SimulatedBench
        from meas.bench.simulated_settings import SimulatedSettings

        settings = rig.simulated or SimulatedSettings()
        if rig.wiring.series_resistor_ohm is None and settings.series_resistor_ohm is None:
            raise Refused.because(
                "unknown-resistor",
                "the rig does not say what its series resistor is, so nothing can be simulated",
                next_step="Set series_resistor_ohm in the rig file",
                where=rig.name,
            )
        on_cone = {} if condition is None else {condition.name: condition.value}
        path: AudioPath = SimulatedBench(
            settings,
            rig.wiring,
            added_mass_kg=on_cone.get("added-mass") or 0.0,
            test_box_m3=on_cone.get("test-box"),
            kind=kind,
            standard=standard,
        )
    else:
        from meas.audio.soundcard import SoundCard

        source_input = None if one_input else rig.wiring.source_input
        path = SoundCard(rig.card.device, source_input, rig.wiring.driver_input)
    return LimitedPath(path, rig.drive.level)


@dataclass(frozen=True)
class Played:
    """Signal that was played, and what came back.

    Attributes:
        capture: What the inputs recorded, untouched.
        findings: What the audio path itself has to say about it.
    """

    stimulus: Stimulus
    capture: Capture
    findings: tuple[Finding, ...]

    def refuse_unsound(self, where: str) -> None:
        """Raise `Refused` if the audio path failed, for commands that keep no take."""
        if refusing := refusals(self.findings):
            raise Refused(refusing, where=where)


def play(audio: AudioPath, rig: Rig, what: str, stimulus: Stimulus | None = None) -> Played:
    """Play an excitation and record both inputs, with a bar on a terminal.

    Args:
        stimulus: What to play; None: pairs of sweeps, whatever else the rig asks for.

    Raises:
        BenchFailure: If no stream could be opened or started at all.
    """
    from cli.terminal import progress
    from meas.audio.capture import acquire
    from meas.excitation import stimulus as sweeps

    rate = rig.card.sample_rate_hz
    played = sweeps.build(rig.drive, rate) if stimulus is None else stimulus
    with progress.capturing(what, rate, played) as watch:
        capture, findings = acquire(audio, played, rate, watch)
    return Played(played, capture, findings)

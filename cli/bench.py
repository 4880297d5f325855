"""The one place that opens the audio path of a rig."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from meas.audio import AudioPath, Capture, Progress
    from meas.rig import Drive, Rig
    from meas.stimulus import Stimulus

SIMULATED = "simulated"


def device_name(rig: Rig) -> str:
    """The device as calibrations know it."""
    return rig.card.device or "default"


def open_path(
    rig: Rig,
    *,
    added_mass_kg: float = 0.0,
    test_box_m3: float | None = None,
    same_node: bool = False,
    resistor_ohm: float | None = None,
) -> AudioPath:
    """The sound card of a rig, or its simulated bench under the condition given.

    Args:
        rig: The bench.
        added_mass_kg: On the simulated cone.
        test_box_m3: Behind the simulated cone.
        same_node: The simulated driver input is on the source node.
        resistor_ohm: A resistor in the simulated driver's place.
    """
    if rig.card.device == SIMULATED:
        from meas.simulated import SimulatedBench
        from meas.simulated_settings import SimulatedSettings

        standard = "same-node" if same_node else resistor_ohm
        return SimulatedBench(
            rig.simulated or SimulatedSettings(),
            rig.wiring,
            added_mass_kg=added_mass_kg,
            test_box_m3=test_box_m3,
            standard=standard,
        )
    from meas.soundcard import SoundCard

    return SoundCard(rig.card.device, rig.wiring.source_input, rig.wiring.driver_input)


def capture(
    audio: AudioPath, rig: Rig, drive: Drive, told: Callable[[Progress], None] | None
) -> tuple[Capture, Stimulus]:
    """Play a drive through an open path and record both inputs.

    Args:
        audio: The path.
        rig: Whose sample rate to use.
        drive: What to play.
        told: Told the progress.

    Returns:
        The capture and what was played.
    """
    from meas import stimulus

    played = stimulus.build(drive, rig.card.sample_rate_hz)
    return audio.play_and_record(played.samples, rig.card.sample_rate_hz, told), played

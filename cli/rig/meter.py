"""The part of ``freeair rig level`` that reads a multimeter: a tone, and what it measures."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cli.terminal import show
from meas.errors import Refused, UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from meas.bench.rig import Rig

TONE_HZ = 100.0
# Where a plain multimeter reads volts as they are (common practice, no source).
_METER_HZ = (40.0, 400.0)
_TONE_SECONDS = 10.0
_READ_SECONDS = 2.0
_FADE_SECONDS = 0.1
_COARSEST = 0.2
_FAINT = 1e-4


def by_tone(file: Path, rig: Rig, tone: str | None, volts: str | None) -> None:
    """Play a tone at the rig's level; with a reading, store what full scale is in volts.

    Raises:
        UsageError: If the tone is where a multimeter or a tweeter must not be trusted with it.
        Refused: If the inputs hear no tone, or too much of it.
    """
    from cli.words import assumed, values
    from meas.bench import rig_file
    from meas.takes.drive_volts import across_driver, tone_rms

    frequency = TONE_HZ if tone is None else values.frequency(tone, "--tone").value
    _check_tone(frequency)
    reading = None if volts is None else values.voltage(volts, "--volts-at-driver")
    rate = rig.card.sample_rate_hz
    seconds = _TONE_SECONDS if reading is None else _READ_SECONDS
    if reading is None:
        show.note(
            f"Multimeter on alternating volts across the driver: a tone of {frequency:g} Hz plays "
            f"for {seconds:g} s. Plain meters are good to 1 to 2 % below some 400 Hz and read too "
            "little above.",
            "bold",
        )
    samples = _played(rig, frequency, seconds)
    rms = tone_rms(across_driver(samples, rig), rate, frequency)
    if rms < _FAINT:
        raise Refused.because(
            "faint",
            "the tone is not heard at the driver",
            next_step=(
                "Turn the output or the input gain up and check the wiring (freeair rig wiring)"
            ),
            where=str(file),
        )
    if reading is None:
        show.say(f"The tone reads {100 * rms:.3g} % of full scale (rms) across the driver.")
        show.note(
            f"Then: freeair rig level {file} --tone {frequency:g}Hz --volts-at-driver READING"
        )
        return
    reading, said = assumed.voltmeter(reading)
    show.default_taken(said)
    half = reading.half_width or 0.0
    if half > _COARSEST * reading.value:
        raise UsageError(
            f"{reading.written} may be off by {100 * half / reading.value:.0f} %",
            where="--volts-at-driver",
            remedy="Take a lower range of the meter and write all its digits, such as 0.352V.",
        )
    # The rms reading over the rms recorded is volts per full scale, which is a peak value.
    full_scale = reading.value / rms
    card = rig.card.model_copy(
        update={
            "input_volt_full_scale": float(f"{full_scale:.5g}"),
            "input_volt_tolerance_percent": float(f"{100 * half / reading.value:.3g}"),
        }
    )
    rig_file.update(file, rig.model_copy(update={"card": card}), since=rig)
    show.say(
        f"Stored: full scale of an input is {full_scale:.4g} V (peak). Takes state volts across "
        "the driver from now on, until a knob is turned."
    )


def _check_tone(frequency: float) -> None:
    low, high = _METER_HZ
    if not low <= frequency <= high:
        raise UsageError(
            f"a tone of {frequency:g} Hz, where plain multimeters cannot be trusted",
            where="--tone",
            remedy=f"Take one from {low:g} to {high:g} Hz, away from the resonance if you can.",
        )


def _played(rig: Rig, frequency: float, seconds: float) -> NDArray[np.float32]:
    import numpy as np

    from cli.bench import audio_path
    from cli.terminal import progress

    rate, drive = rig.card.sample_rate_hz, rig.drive
    time = np.arange(round(seconds * rate)) / rate
    level = drive.level
    if not drive.woofer and frequency < drive.gentle_below_hz:
        level *= 0.1  # as in every sweep, for the sake of a tweeter
    fade = np.clip(np.minimum(time, time[-1] - time) / _FADE_SECONDS, 0, 1)
    tone = level * np.sin(2 * np.pi * frequency * time) * np.sin(np.pi / 2 * fade) ** 2
    still = np.zeros(round(0.3 * rate))
    output = np.concatenate([still, tone, still]).astype(np.float32)
    audio = audio_path.open_path(rig)
    with progress.capturing(f"tone of {frequency:g} Hz", rate) as watch:
        capture = audio.play_and_record(output, rate, watch)
    if np.abs(capture.samples).max(initial=0.0) >= 0.999:
        raise Refused.because(
            "clipped",
            "an input reaches full scale during the tone",
            next_step="Lower the level or the input gain",
        )
    return capture.samples

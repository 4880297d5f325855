"""``freeair rig level``: find and verify how loud the bench may play."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.rig import meter
from cli.terminal import show
from cli.words.options import Yes, flag, option
from meas.errors import Refused

if TYPE_CHECKING:
    from meas.bench.rig import Rig

# Half of full scale leaves 6 dB for a driver whose impedance is higher than this one's, and for
# the overshoot of the converter's filters (common practice, no source).
AIM = 0.5
# First a tenth of the level: what is too loud at full level shows there, and nothing breaks.
GENTLE = 0.1
SHORT_SECONDS = 1.0
SILENT = 0.0005
NEAR = 1.6
# A higher level is reached in steps of 10 dB, each judged before the next: what overloads or
# rattles shows before the last of them (common practice, no source).
STEP = 3.0
_NOT_HEARD = (
    "neither input hears the sweep. Check that the output is turned up, the inputs are line inputs "
    "and selected, and the wiring is as in the picture (freeair rig wiring)"
)


def level(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Rig file.")],
    set_: bool = flag("--set", "Play the level suggested, even a higher one, and store it."),
    tone: str | None = option(
        "F", "Play a steady tone instead, such as 100Hz, to read a multimeter."
    ),
    volts_at_driver: str | None = option(
        "V",
        "What the multimeter read at the driver during the tone, such as 0.35V±2%; "
        "stored, so that takes state volts.",
    ),
    yes: Yes = False,
) -> None:
    """Set and verify how loud the bench plays.

    Plays short sweeps, gently first, and says whether the level suits both inputs. Connect the
    driver as for a take. Plays nothing louder than the rig's level unless --set asks for it.

    \b
    freeair rig level bench.toml --set
    freeair rig level bench.toml --tone 100Hz
    freeair rig level bench.toml --tone 100Hz --volts-at-driver 0.35V±2%
    """
    from cli.terminal import cautions
    from cli.terminal.progress import level_text
    from meas.bench import rig_file

    rig = rig_file.read(file)
    rig = cautions.before_playing(file, rig, yes=yes)
    if tone is not None or volts_at_driver is not None:
        meter.by_tone(file, rig, tone, volts_at_driver)
        return
    gentle = _peaks(_at(rig, GENTLE * rig.drive.level))
    if max(gentle) < SILENT:
        from meas.validity.of_record import NOT_EVEN_NOISE

        what = NOT_EVEN_NOISE if max(gentle) == 0 else _NOT_HEARD
        raise Refused.because("silent-input", what, where=str(file))
    expected = gentle[0] / GENTLE, gentle[1] / GENTLE
    suggested = min(1.0, _two_digits(AIM * rig.drive.level / max(expected)))
    show.say(f"At level {rig.drive.level:g} the peaks will be: {level_text(expected)}")
    if AIM / NEAR <= max(expected) <= AIM * NEAR:
        show.say(f"Level {rig.drive.level:g} is good.")
        _verify(rig)
        return
    show.say(f"Level {suggested:g} would bring the louder input to {100 * AIM:.0f} %.")
    if suggested > rig.drive.level and not set_:
        show.note(
            f"Nothing is played above this rig's level, {rig.drive.level:g}. To raise it in steps "
            f"and store it: freeair rig level {file} --set"
        )
        _verify(rig)
        return
    for at in _steps(rig.drive.level, suggested):
        _verify(_at(rig, at))
    if set_:
        rig_file.update(file, _at(rig, suggested), since=rig)
        show.say(f"Stored: level = {suggested:g}.")
    else:
        show.note(f"To store it: freeair rig level {file} --set")


def _steps(now: float, wanted: float) -> list[float]:
    """Levels on the way up to the one that is wanted; a lower one is played at once."""
    levels = [wanted]
    while levels[0] > STEP * now:
        levels.insert(0, _two_digits(levels[0] / STEP))
    return levels


def _at(rig: Rig, level: float) -> Rig:
    """Copy the bench with another level."""
    return rig.model_copy(update={"drive": rig.drive.model_copy(update={"level": level})})


def _verify(rig: Rig) -> None:
    """Play at the rig's level itself: amplifiers and inputs may not scale."""
    from cli.terminal.progress import TOO_FAINT, TOO_HOT, level_text

    at = rig.drive.level
    peaks = _peaks(rig)
    show.say(f"Verified at level {at:g}: {level_text(peaks)}")
    if max(peaks) >= TOO_HOT:
        raise Refused.because(
            "clipped",
            f"at level {at:g} an input reaches {100 * max(peaks):.0f} % of full scale",
            next_step="Turn the input gain or the amplifier down and run this again",
        )
    if min(peaks) < TOO_FAINT:
        quiet = "source" if peaks[0] < peaks[1] else "driver"
        raise Refused.because(
            "faint",
            f"at level {at:g} the {quiet} input reaches only {100 * min(peaks):.2g} % of full "
            "scale",
            next_step=(
                "Turn the output or the input gain up, check that input's wiring, and run this "
                "again"
            ),
        )


def _peaks(rig: Rig) -> tuple[float, float]:
    """Peaks of both inputs during one short pair of sweeps at the rig's level."""
    from cli.bench import audio_path
    from cli.terminal import progress
    from meas.audio.capture import peak_levels
    from meas.excitation import stimulus

    short = rig.drive.model_copy(update={"sweep_seconds": SHORT_SECONDS, "repeats": 1})
    rate = rig.card.sample_rate_hz
    with progress.capturing(f"level {rig.drive.level:.3g}", rate) as watch:
        audio = audio_path.open_path(rig)
        return peak_levels(audio, stimulus.build(short, rate).samples, rate, watch)[0]


def _two_digits(value: float) -> float:
    return float(f"{value:.2g}")

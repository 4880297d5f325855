"""``freeair polarity``: which terminal of a driver is plus."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from cli.words.options import AsJson, RigFile, Yes, flag
from meas.errors import UsageError

if TYPE_CHECKING:
    from meas.audio.protocol import AudioPath
    from meas.bench.rig import Rig
    from meas.cone.first_pulse import Pulse
    from meas.curve import FloatArray

_SECONDS = 6.0
_CLEAR_SECONDS = 0.3

Recording = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE.wav", help="A two-channel recording made elsewhere, instead of listening."
    ),
]


@dataclass(frozen=True, eq=False)
class Listened:
    """Recording of both inputs while a cell touched or a hand pressed.

    Attributes:
        samples: Source input and driver input, shape (n, 2).
        lost_s: When the sound system lost blocks of samples [s].
    """

    samples: FloatArray
    rate_hz: int
    lost_s: tuple[float, ...] = ()

    def sound(self, pulse: Pulse) -> Pulse:
        """The pulse, unless blocks were lost around it.

        Raises:
            Refused: ``dropout``.
        """
        from meas.errors import Refused

        if all(abs(at - pulse.at_s) > _CLEAR_SECONDS for at in self.lost_s):
            return pulse
        raise Refused.because(
            "dropout",
            f"the sound system lost blocks beside the pulse at {pulse.at_s:.2f} s, and a gap "
            "looks like a pulse",
            next_step="Close other programs and repeat",
        )


def reference(
    rig: Annotated[Path, typer.Argument(metavar="RIG", help="The rig file.")],
    recording: Recording = None,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Learn the polarity of the driver input from a cell, once for every rig.

    Disconnect driver and amplifier. While it listens, touch the hot contact of the driver input
    with the plus of a 1.5 V cell through 100 kohm, its minus on ground, and hold for a second.

    \b
    freeair polarity reference bench.toml
    """
    from cli.bench import audio_path, take_record
    from meas.bench import rig_file
    from meas.bench.rig import InputPolarity
    from meas.cone.first_pulse import first_pulse, only_touched

    bench = rig_file.read(rig)
    heard = _listen(
        bench, recording, yes, "touch the input with the cell's plus, and hold", cell=True
    )
    pulse = heard.sound(first_pulse(heard.samples[:, 1], heard.rate_hz, bench.mains_hz))
    only_touched(heard.samples[:, 1], heard.rate_hz, bench.mains_hz)
    known = InputPolarity(
        driver_input=bench.wiring.driver_input,
        device=audio_path.device_name(bench),
        inverted=pulse.sign < 0,
        taken_at=take_record.now(),
    )
    rig_file.update(rig, bench.model_copy(update={"polarity": known}), since=bench)
    if as_json:
        document = {
            "format": "freeair-polarity/1",
            "inverted": known.inverted,
            **_pulse_json(pulse),
        }
        show.document(document)
        return
    words = "turns the sign around" if known.inverted else "keeps the sign"
    show.say(f"Input {known.driver_input} {words}. {_pulse_words(pulse)}", f"Kept in {rig}.")


def press(
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="Name of the driver.")],
    rig: RigFile,
    recording: Recording = None,
    pulled: bool = flag("--pulled", "The cone is pulled out instead of pressed in."),
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Listen while the cone is pressed, and say which terminal is plus.

    The driver stays wired as for a sweep; nothing is played. Wait for the word, press the cone in
    gently within a moment, hold it for a second, and let it go.

    \b
    freeair polarity press lantern-1 --rig bench.toml
    """
    from meas.bench import rig_file
    from meas.cone.first_pulse import across_driver, of_press

    bench = rig_file.read(rig)
    inverted = _inverted(bench, rig)
    doing = "pull the cone out" if pulled else "press the cone in"
    heard = _listen(
        bench,
        recording,
        yes,
        f"{doing} gently within a moment, hold for a second, and let go",
        cell=False,
    )
    side = bench.wiring.resistor_side
    across = across_driver(heard.samples, side)
    pulse = heard.sound(of_press(across, heard.rate_hz, bench.mains_hz))
    outwards = pulse.sign * (-1 if inverted else 1)
    # Out makes plus positive, in makes it negative.
    hot_is_plus = outwards > 0 if pulled else outwards < 0
    names = {
        "hot": ("on the driver input", "on ground"),
        "ground": ("on the source node", "on the resistor"),
    }[side]
    where = names[0] if hot_is_plus else names[1]
    if as_json:
        document = {
            "format": "freeair-polarity/1",
            "unit": unit,
            "plus": "amplifier-side" if hot_is_plus else "ground-side",
            "plus_words": where,
            **_pulse_json(pulse),
        }
        show.document(document)
        return
    show.say(f"{unit}: plus is the terminal {where}. {_pulse_words(pulse)}")
    show.note("Mark it. A positive voltage on plus moves the cone out.")


def by_cell() -> None:
    """Explain the plain way without any recording: a cell and a look at the cone.

    \b
    freeair polarity cell
    """
    from cli.terminal import cautions

    cautions.print_cautions([cautions.CELL_ON_DRIVER])
    show.say(
        "1. Disconnect the driver from everything.",
        "2. Touch its terminals with the poles of one 1.5 V cell, for a moment.",
        "3. The cone jumps out: the terminal on the cell's plus is plus. It jumps in: the other.",
        "4. Too little to see? Look along the cone from the side, or feel it with a fingertip.",
        "5. Mark plus. In a cabinet, all drivers of one branch get the same polarity.",
    )


def _inverted(bench: Rig, rig: Path) -> bool:
    from cli.bench import audio_path
    from meas.errors import Refused

    known = bench.polarity
    if known is None:
        raise Refused.because(
            "no-reference",
            "the polarity of the driver input is not known, so a pulse says nothing",
            next_step=f"Take the reference with a cell first: freeair polarity reference {rig}",
            where=str(rig),
        )
    now = (bench.wiring.driver_input, audio_path.device_name(bench))
    if now != (known.driver_input, known.device):
        raise Refused.because(
            "other-input",
            f"the reference was taken on input {known.driver_input} of {known.device}, the rig "
            f"now says input {now[0]} of {now[1]}",
            next_step=f"Take it again: freeair polarity reference {rig}",
            where=str(rig),
        )
    return known.inverted


def _listen(bench: Rig, recording: Path | None, yes: bool, doing: str, *, cell: bool) -> Listened:
    """Read both inputs from a file, or listen to them now."""
    import numpy as np

    from cli.terminal import cautions, progress

    if recording is not None:
        from meas.audio import recording as recordings

        wiring = bench.wiring
        read = recordings.read(recording, wiring.source_input, wiring.driver_input)
        return Listened(np.asarray(read.samples, dtype=np.float64), read.sample_rate_hz)
    found = [cautions.CELL] if cell else [cautions.PRESS]
    if not cell and bench.wiring.amplifier == "bridged":
        found.insert(0, cautions.BRIDGED)
    cautions.acknowledge(found, yes=yes)
    rate = bench.card.sample_rate_hz
    show.note(f"Listening for {_SECONDS:g} s. After the first second: {doing}.", "bold")
    silence = np.zeros(round(_SECONDS * rate), dtype=np.float32)
    with progress.capturing("listening", rate) as watch:
        capture = _path(bench, cell).play_and_record(silence, rate, watch)
    if capture.samples.shape[0] < silence.size:
        raise UsageError(
            "listening was stopped before its end",
            where="freeair polarity",
            remedy="Run it again and let it listen to the end.",
        )
    lost = tuple(e.frame / rate for e in capture.events if e.kind.startswith("input"))
    return Listened(np.asarray(capture.samples, dtype=np.float64), capture.sample_rate_hz, lost)


def _path(bench: Rig, cell: bool) -> AudioPath:
    from cli.bench import audio_path

    if bench.card.is_simulated:
        from meas.audio.simulated_hand import SimulatedHand
        from meas.bench.simulated_settings import SimulatedSettings

        return SimulatedHand(bench.simulated or SimulatedSettings(), bench.wiring, cell=cell)
    return audio_path.open_path(bench)


def _pulse_json(pulse: Pulse) -> dict[str, float | int]:
    return {
        "sign": pulse.sign,
        "pulse_at_s": pulse.at_s,
        "pulse_height": pulse.height,
        "noise": pulse.noise,
    }


def _pulse_words(pulse: Pulse) -> str:
    return (
        f"First pulse at {pulse.at_s:.2f} s, {100 * pulse.height:.2g} % of full scale, "
        f"{min(pulse.height / max(pulse.noise, 1e-9), 9999):.0f} times the noise."
    )

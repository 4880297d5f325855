"""The audio path over a real sound card, through PortAudio (sounddevice).

The only file that imports sounddevice, and where all its failures become `BenchFailure`. One
duplex stream at one explicit rate; the real-time callback copies and writes down what it was
told, nothing more. No call into the library can hang the program.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import os
import sys
import time
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from meas.audio.devices import Device, find_device, no_device, note_for, ranked
from meas.audio.duplex import Duplex
from meas.audio.protocol import Capture, Progress, StreamEvent
from meas.audio.watchdog import BoundedThread, CallHung, kept_stderr
from meas.errors import BenchFailure, Finding, UsageError

OPEN_SECONDS = 20.0  # a sound server that has to start first is slow
CLOSE_SECONDS = 5.0
_BUFFERED_S = 0.3
"""Delay asked of the card each way. PortAudio's own "high" (32 ms over a sound server) lost output
in three of five runs of ten seconds on a busy machine and kept half a processor busy waiting."""
_STARTS = 3
"""Starts of a stream that ends with its first blocks, as one in fifty over a sound server does."""
COMMON_RATES_HZ = (44100, 48000, 88200, 96000, 176400, 192000)

# PaErrorCode of portaudio.h; tests/measuring/audio/test_soundcard.py holds them against the
# library's own words.
INVALID_CHANNEL_COUNT = -9998
INVALID_SAMPLE_RATE = -9997
INVALID_DEVICE = -9996
DEVICE_UNAVAILABLE = -9985

T = TypeVar("T")

_portaudio = BoundedThread("the sound system")


def list_devices() -> list[Device]:
    """List all sound devices, those with inputs and outputs on a trustworthy way first.

    Raises:
        BenchFailure: ``no-sound-library``, ``sound-system-failed``.
    """
    return ranked(_bounded(_devices, ""))


class SoundCard:
    """Plays and records through one device of the system.

    Only as many inputs are opened as the higher of the two needs. Two outputs are opened where
    there are two, and the second stays silent: most systems would copy a single-channel stream
    to both. What hangs on the other output is not known.

    Args:
        device: Host interface and name, or words that fit one device only; ``INPUT | OUTPUT``
            where the system splits a card into two devices (the source node is recorded, so the
            output may run on a clock of its own); None for the system's default.
        source_input: Input on the source node, counted from 1; None: the driver input is recorded
            alone and stands in both columns.
        driver_input: Input on the driver, or on the resistor when that is on the ground side.

    Raises:
        UsageError: If both inputs are the same, or one is below 1.
    """

    def __init__(
        self, device: str | None = None, source_input: int | None = 1, driver_input: int = 2
    ) -> None:
        alone = source_input is None
        source_input = driver_input if source_input is None else source_input
        if min(source_input, driver_input) < 1 or (source_input == driver_input and not alone):
            raise UsageError(
                f"inputs {source_input} and {driver_input} cannot serve as source and driver input",
                remedy="Inputs count from 1 and must be two different ones.",
            )
        self._wanted = device
        self._columns = [source_input - 1, driver_input - 1]
        self._inputs = max(source_input, driver_input)

    def play_and_record(
        self,
        output: NDArray[np.float32],
        sample_rate_hz: int,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Capture:
        """Play and record; see `meas.audio.protocol.AudioPath`.

        The capture's ``path`` holds ``failure`` (in words) when the stream broke off,
        ``measured_rate_hz`` (frames by the computer's clock, between the first and the last
        block), latencies and versions.

        Raises:
            BenchFailure: ``no-sound-library``, ``sound-system-failed``, ``no-device``,
                ``unknown-device``, ``ambiguous-device``, ``too-few-inputs``,
                ``too-few-outputs``, ``device-busy``, ``unsupported-rate``, ``stream-failed``;
                only when nothing was recorded.
            ValueError: If the output is not one-dimensional, is empty or not finite.
        """
        if output.ndim != 1 or output.size == 0 or not np.all(np.isfinite(output)):
            raise ValueError("the output must be one-dimensional, finite and not empty")
        source, sink = _bounded(self._pair, "")
        began = time.monotonic()
        for _ in range(_STARTS):
            duplex = Duplex(output, self._columns)
            try:
                stream, opened = _open(source, sink, self._inputs, sample_rate_hz, duplex)
            except BaseException:
                duplex.abandoned = True  # should the stream come alive late, nothing is to be heard
                raise
            interrupted = False
            failure = ""
            try:
                failure = duplex.wait(sample_rate_hz, on_progress)
            except KeyboardInterrupt:
                interrupted = True
            finally:
                close_failure = _close(stream)
            if interrupted or close_failure or not duplex.ended_unheard:
                break
        path: dict[str, str | float] = {
            **opened,
            "wall_seconds": time.monotonic() - began,
            **duplex.measured_rate(),
        }
        if failure or close_failure:
            path["failure"] = failure or close_failure
        if failure and duplex.done == 0:
            text = f"the stream started, but nothing was recorded: {failure}"
            raise _failure("stream-failed", text, source.identity, _RESTART)
        events = duplex.events()
        if interrupted or failure:
            events = (*events, StreamEvent(duplex.done, "interrupted"))
        return Capture(
            samples=duplex.recorded[: duplex.done],
            sample_rate_hz=sample_rate_hz,
            frames_expected=output.size,
            events=events,
            path=path,
        )

    def _pair(self) -> tuple[Device, Device]:
        devices = _devices()
        if self._wanted is None:
            return _default_pair(devices, self._inputs)
        first, bar, second = self._wanted.partition("|")
        if not bar:
            device = find_device(devices, self._wanted, self._inputs, 1)
            return device, device
        source = find_device(devices, first, self._inputs, 0)
        sink = find_device([d for d in devices if d.host == source.host], second, 0, 1)
        return source, sink


def _sounddevice() -> Any:
    """The library; importing it wakes PortAudio."""
    if os.name == "nt":
        # Only ASIO shows inputs and outputs of a card as one device on Windows.
        os.environ.setdefault("SD_ENABLE_ASIO", "1")
    try:
        import sounddevice
    except (ImportError, OSError) as error:
        text = f"the sound library PortAudio cannot be loaded ({error})"
        remedy = (
            "On Debian or Ubuntu: 'apt-get install libportaudio2'. Recordings made elsewhere "
            "need no sound library: 'freeair import'."
        )
        raise _failure("no-sound-library", text, "", remedy) from error
    except Exception as error:
        text = f"the sound system does not start ({_words(error)})"
        raise _failure("sound-system-failed", text, "", _RESTART) from error
    return sounddevice


def _devices() -> list[Device]:
    sd = _sounddevice()
    try:
        hosts = [host["name"] for host in sd.query_hostapis()]
        entries = sd.query_devices()
    except Exception as error:
        text = f"the sound devices cannot be listed ({_words(error)})"
        raise _failure("sound-system-failed", text, "", _RESTART) from error
    return [
        Device(
            name=entry["name"],
            host=hosts[entry["hostapi"]],
            inputs=entry["max_input_channels"],
            outputs=entry["max_output_channels"],
            default_rate_hz=entry["default_samplerate"],
            note=note_for(hosts[entry["hostapi"]], entry["name"]),
            index=index,
        )
        for index, entry in enumerate(entries)
    ]


def _default_pair(devices: list[Device], inputs: int) -> tuple[Device, Device]:
    """The system's default device, if that is one and the same for both directions."""
    sd = _sounddevice()
    if not devices:
        raise no_device()
    try:
        chosen = [devices[sd.query_devices(kind=kind)["index"]] for kind in ("input", "output")]
    except Exception as error:  # PortAudioError or ValueError: the library has no default
        raise no_device() from error
    source, sink = chosen
    if source != sink:
        named = f"{source.identity} | {sink.identity}"
        text = f"the system's defaults for recording and playing are two devices ({named})"
        remedy = "Name the card by --device in the rig; 'freeair rig devices' lists what there is."
        raise _failure("ambiguous-device", text, "", remedy)
    checked = find_device([source], source.identity, inputs, 1)
    return checked, checked


def _open(
    source: Device, sink: Device, inputs: int, sample_rate_hz: int, duplex: Duplex
) -> tuple[Any, dict[str, str | float]]:
    """Open and start the stream; what is known about it for the take's record."""

    def opening() -> tuple[Any, dict[str, str | float]]:
        sd = _sounddevice()
        duplex.stop, duplex.abort = sd.CallbackStop, sd.CallbackAbort
        stream = None
        try:
            stream = sd.Stream(
                samplerate=sample_rate_hz,
                blocksize=0,  # fixed blocks are cut from the card's own and slip (measured)
                device=(source.index, sink.index),
                channels=(inputs, min(2, sink.outputs)),
                dtype="float32",
                latency=_BUFFERED_S,
                callback=duplex.callback,
                finished_callback=duplex.finished.set,
            )
            _refuse_other_rate(stream.samplerate, sample_rate_hz, source)
            stream.start()
            _alsa_prints(False)
            latency = stream.latency
        except Exception as error:
            if stream is not None:
                stream.close()
            if isinstance(error, BenchFailure):
                raise
            raise _translated(sd, error, source, sink, inputs, sample_rate_hz) from error
        described: dict[str, str | float] = {
            "device": source.identity,
            "output_device": sink.identity,
            "asked_rate_hz": float(sample_rate_hz),
            "rate_hz": float(stream.samplerate),
            "input_latency_s": float(latency[0]),
            "output_latency_s": float(latency[1]),
            "sounddevice": str(sd.__version__),
            "portaudio": str(sd.get_portaudio_version()[1]),
        }
        return stream, described

    return _bounded(opening, source.identity)


def _alsa_prints(allowed: bool) -> None:
    """Stop ALSA from printing a line over the progress bar for every lost block.

    The flags tell the same, with the frame. Outside a running stream it may print: then
    `kept_stderr` keeps it as the explanation of an error.
    """
    if sys.platform != "linux":
        return
    with contextlib.suppress(OSError, AttributeError):
        alsa = ctypes.CDLL("libasound.so.2")
        # Any C function without effect will do as the handler. One in Python could be called
        # by a thread of ALSA while the program ends.
        silent = ctypes.cast(ctypes.CDLL(None).getpid, ctypes.c_void_p)
        alsa.snd_lib_error_set_handler(None if allowed else silent)


def _refuse_other_rate(actual_hz: float, asked_hz: int, device: Device) -> None:
    if abs(actual_hz / asked_hz - 1) > 1e-3:
        text = f"the device runs at {actual_hz:g} Hz although {asked_hz} Hz was asked for"
        remedy = "Set the rate of the rig to a rate that the device has."
        raise _failure("unsupported-rate", text, device.identity, remedy)


def _close(stream: Any) -> str:
    """Stop and close whatever state the stream is in; what went wrong, in words."""

    def closing() -> None:
        # abort() before close(): closing a running stream hangs in some versions of PortAudio.
        stream.abort()
        stream.close()
        _alsa_prints(True)

    while True:
        try:
            with kept_stderr():
                _portaudio.call(closing, CLOSE_SECONDS)
        except KeyboardInterrupt:
            continue  # the capture is worth more than haste; closing twice does no harm
        except CallHung as error:
            _forget_exit_handler()
            return f"the stream could not be closed: {error}"
        except Exception as error:
            return f"the stream could not be closed: {_words(error)}"
        return ""


def _bounded(function: Callable[[], T], where: str) -> T:
    """Run on the sound thread with its chatter kept, a hang turned into an error."""
    with kept_stderr() as said:
        try:
            return _portaudio.call(function, OPEN_SECONDS)
        except CallHung as error:
            _forget_exit_handler()
            text = f"the sound system hangs ({error})"
            failure = _failure("sound-system-failed", text, where, _RESTART)
            _note(failure, said())
            raise failure from error
        except BenchFailure as failure:
            _note(failure, said())
            raise


def _note(failure: BenchFailure, chatter: str) -> None:
    """Keep what the libraries printed with the error, for whoever looks into it."""
    if chatter.strip():
        failure.add_note(f"The sound system said:\n{chatter.strip()}")


def _forget_exit_handler() -> None:
    """Keep the library from waiting at the program's end for a stream that hangs."""
    handler = getattr(sys.modules.get("sounddevice"), "_exit_handler", None)
    if handler is not None:
        atexit.unregister(handler)


_RESTART = (
    "Close other programs that use sound, unplug the card and plug it in again, and repeat; "
    "'freeair rig devices' shows whether the system sees it."
)


def _translated(
    sd: Any, error: Exception, source: Device, sink: Device, inputs: int, sample_rate_hz: int
) -> BenchFailure:
    """Translate what PortAudio said while opening or starting into an error of ours."""
    code = error.args[1] if len(error.args) > 1 else None
    words = _words(error)
    # Linux: errno of ALSA, negative; Windows: text only.
    host_code = error.args[2][1] if len(error.args) > 2 else None
    busy = host_code == -16 or any(word in words.casefold() for word in ("busy", "in use"))
    where = source.identity
    if code == INVALID_SAMPLE_RATE or "sample rate" in words.casefold():
        accepted = _accepted_rates(sd, source, sink, inputs)
        rates = ", ".join(str(rate) for rate in accepted)
        known = f"It accepts {rates} Hz." if rates else f"It prefers {source.default_rate_hz:g} Hz."
        text = f"the device does not run at {sample_rate_hz} Hz ({words})"
        return _failure(
            "unsupported-rate", text, where, f"{known} Set the rate of the rig to one of these."
        )
    if code == INVALID_CHANNEL_COUNT:
        text = f"the device does not record {inputs} inputs while playing ({words})"
        remedy = "Use a card with two line inputs, or correct the input numbers of the rig."
        return _failure("too-few-inputs", text, where, remedy)
    if code == DEVICE_UNAVAILABLE or busy:
        text = f"the device is in use by another program ({words})"
        remedy = "Close other programs that play or record (browsers too) and repeat."
        return _failure("device-busy", text, where, remedy)
    if code == INVALID_DEVICE or host_code in (-2, -19):
        text = f"the device is gone ({words})"
        return _failure("no-device", text, where, _RESTART)
    return _failure("stream-failed", f"the stream did not start ({words})", where, _RESTART)


def _accepted_rates(sd: Any, source: Device, sink: Device, inputs: int) -> list[int]:
    accepted = []
    for rate in COMMON_RATES_HZ:
        try:
            sd.check_input_settings(
                device=source.index, channels=inputs, dtype="float32", samplerate=rate
            )
            sd.check_output_settings(
                device=sink.index, channels=min(2, sink.outputs), dtype="float32", samplerate=rate
            )
        except Exception:  # PortAudioError: that is the answer "no"
            continue
        accepted.append(rate)
    return accepted


def _words(error: BaseException) -> str:
    """Word the library's error without its numbers; with the host's own words where it has any."""
    words = str(error.args[0]) if error.args else type(error).__name__
    if len(error.args) > 2 and error.args[2][2]:
        words += f": {error.args[2][2]}"
    return words


def _failure(code: str, text: str, where: str, remedy: str) -> BenchFailure:
    return BenchFailure([Finding(code, text, refuses=True)], where=where, remedy=remedy)

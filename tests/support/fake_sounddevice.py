"""A stand-in for the sounddevice module that fails in the ways its documentation names.

Install it with ``monkeypatch.setitem(sys.modules, "sounddevice", FakeSounddevice(...))``. Error
texts and codes are those of PortAudio 19 (tests/measuring/audio/test_soundcard.py holds the codes
against the real library where it is installed).
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np


class PortAudioError(Exception):
    pass


class CallbackStop(Exception):
    pass


class CallbackAbort(Exception):
    pass


class CallbackFlags:
    names = (
        "input_underflow",
        "input_overflow",
        "output_underflow",
        "output_overflow",
        "priming_output",
    )

    def __init__(self, *set_flags: str) -> None:
        for name in self.names:
            setattr(self, name, name in set_flags)

    def __bool__(self) -> bool:
        return any(getattr(self, name) for name in self.names)


def device(
    name: str, inputs: int = 2, outputs: int = 2, hostapi: int = 0, rate: float = 48000.0
) -> dict[str, Any]:
    return {
        "name": name,
        "hostapi": hostapi,
        "max_input_channels": inputs,
        "max_output_channels": outputs,
        "default_samplerate": rate,
    }


@dataclass
class Script:
    """What goes wrong, and when.

    ``at_block``: called with the number of the block before its callback; may sleep, return
    flags, or return the word ``end`` (the stream dies) or ``stall`` (no more callbacks).
    """

    open_error: Exception | None = None
    start_error: Exception | None = None
    close_error: Exception | None = None
    open_hangs: bool = False
    close_hangs: bool = False
    at_block: Callable[[int], Sequence[str] | str] = lambda block: ()
    accepted_rates: tuple[int, ...] = (44100, 48000, 96000)
    actual_rate: float | None = None
    block: int = 480
    block_seconds: float = 0.0


class FakeSounddevice:
    __version__ = "fake"
    PortAudioError = PortAudioError
    CallbackStop = CallbackStop
    CallbackAbort = CallbackAbort

    def __init__(
        self,
        devices: Sequence[dict[str, Any]] = (device("bench card"),),
        script: Script | None = None,
        hosts: Sequence[str] = ("ALSA",),
        default: tuple[int, int] = (0, 0),
    ) -> None:
        self.devices = [{**entry, "index": index} for index, entry in enumerate(devices)]
        self.script = script or Script()
        self.hosts = hosts
        self.default = default
        self.opened: list[dict[str, Any]] = []
        self.streams: list[FakeStream] = []
        self.release = threading.Event()

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": name} for name in self.hosts]

    def query_devices(self, kind: str | None = None) -> Any:
        if kind is None:
            return self.devices
        index = self.default[0 if kind == "input" else 1]
        if index < 0 or not self.devices:
            raise PortAudioError("Error querying device -1")
        return self.devices[index]

    def get_portaudio_version(self) -> tuple[int, str]:
        return 0, "fake"

    def check_input_settings(self, *, samplerate: int, **_: Any) -> None:
        if samplerate not in self.script.accepted_rates:
            raise PortAudioError("Invalid sample rate", -9997)

    check_output_settings = check_input_settings

    def Stream(self, **settings: Any) -> FakeStream:  # noqa: N802 - the library's name
        self.opened.append(settings)
        if self.script.open_hangs:
            self.release.wait(30)
        if self.script.open_error is not None:
            raise self.script.open_error
        stream = FakeStream(self, **settings)
        self.streams.append(stream)
        return stream


class FakeStream:
    """Loops the first output back to every input, input n scaled by 1/n."""

    def __init__(
        self,
        library: FakeSounddevice,
        *,
        samplerate: int,
        channels: tuple[int, int],
        callback: Callable[..., None],
        finished_callback: Callable[[], None],
        **_: Any,
    ) -> None:
        self._library = library
        self._script = library.script
        self.samplerate = self._script.actual_rate or float(samplerate)
        self.latency = (0.01, 0.02)
        self._channels = channels
        self._callback = callback
        self._finished = finished_callback
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self.played: list[np.ndarray] = []
        self.aborted = self.closed = False

    def start(self) -> None:
        if self._script.start_error is not None:
            raise self._script.start_error
        self._thread.start()

    def abort(self) -> None:
        if self._script.close_hangs:
            self._library.release.wait(30)
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(5)
        self.aborted = True

    def close(self) -> None:
        self.closed = True
        if self._script.close_error is not None:
            raise self._script.close_error

    def _run(self) -> None:
        size = self._script.block
        scale = 1 / np.arange(1, self._channels[0] + 1)
        before = np.zeros(size, dtype=np.float32)
        block = 0
        while not self._stopping.is_set():
            flags = self._script.at_block(block)
            if flags == "end":
                break
            if flags == "stall":
                self._stopping.wait(30)
                return
            indata = (before[:, None] * scale).astype(np.float32)
            outdata = np.full((size, self._channels[1]), np.nan, dtype=np.float32)
            try:
                self._callback(indata, outdata, size, None, CallbackFlags(*flags))
            except (CallbackStop, CallbackAbort):
                self.played.append(outdata)
                break
            self.played.append(outdata)
            before = outdata[:, 0]
            block += 1
            time.sleep(self._script.block_seconds)
        self._finished()

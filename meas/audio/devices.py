"""Sound devices as a person sees them: named by host interface and name, never by number."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, field

from meas.errors import BenchFailure

# What is known about how each host interface reports trouble, best first. From the trackers of
# PortAudio and python-sounddevice; only ALSA was tried by ourselves.
_HOST_NOTES = {
    "ALSA": "",
    "JACK Audio Connection Kit": "",
    "ASIO": "does not report every lost block",
    "Core Audio": "sometimes reports lost blocks that were not lost",
    "Windows WDM-KS": "",
    "Windows WASAPI": "sound 'enhancements' may alter the recording: switch them off",
    "OSS": "",
    "Windows DirectSound": "does not report lost blocks; resamples silently",
    "MME": "does not report lost blocks; may be 16 bit; cuts names at 31 characters",
}
_RESAMPLERS = ("default", "sysdefault", "pulse", "pipewire")
_RESAMPLER_NOTE = "goes through the sound server, which resamples silently"


@dataclass(frozen=True)
class Device:
    """One sound device as one host interface offers it.

    Attributes:
        name: Its name there.
        host: The host interface: ALSA, ASIO, Core Audio, Windows WASAPI ...
        default_rate_hz: The rate it prefers [Hz].
        note: What is known of this way to reach it; may be empty.
        index: PortAudio's number, good for this process only.
    """

    name: str
    host: str
    inputs: int
    outputs: int
    default_rate_hz: float
    note: str = ""
    index: int = field(default=-1, repr=False, compare=False)

    @property
    def identity(self) -> str:
        """Host interface and name, as a rig file names the device."""
        return f"{self.host}: {self.name}"


def note_for(host: str, name: str) -> str:
    """Say what is known of the way to a device through this host interface."""
    if host == "ALSA" and name.split(":")[0].casefold() in _RESAMPLERS:
        return _RESAMPLER_NOTE
    return _HOST_NOTES.get(host, "")


def ranked(devices: Sequence[Device]) -> list[Device]:
    """Devices with the most trustworthy way to reach them first; stable otherwise."""
    order = list(_HOST_NOTES)

    def rank(device: Device) -> tuple[bool, bool, int]:
        place = order.index(device.host) if device.host in order else len(order)
        return not (device.inputs and device.outputs), device.note == _RESAMPLER_NOTE, place

    return sorted(devices, key=rank)


def find_device(devices: Sequence[Device], wanted: str, inputs: int, outputs: int) -> Device:
    """The one device that a person means.

    The whole identity or the whole name wins; else every word must occur in the identity. Among
    several, those with enough channels count.

    Args:
        wanted: Identity, name, or words of them; case does not matter.

    Raises:
        BenchFailure: ``no-device`` when there is none at all, ``unknown-device``,
            ``ambiguous-device``, ``too-few-inputs`` or ``too-few-outputs``.
    """
    if not devices:
        raise no_device()
    text = wanted.casefold().strip()
    matches = [d for d in devices if text in (d.identity.casefold(), d.name.casefold())]
    if not matches and text:
        words = text.split()
        matches = [d for d in devices if all(word in d.identity.casefold() for word in words)]
    if not matches:
        raise _unknown(devices, wanted)
    able = [d for d in matches if d.inputs >= inputs and d.outputs >= outputs]
    if len(able) == 1:
        return able[0]
    if len(able) > 1:
        names = "; ".join(d.identity for d in ranked(able))
        alike = len({d.identity for d in able}) == 1
        remedy = "unplug one of them, they cannot be told apart" if alike else "name one in full"
        raise BenchFailure.because(
            "ambiguous-device",
            f"'{wanted}' fits {len(able)} devices: {names}",
            remedy=f"{remedy.capitalize()}.",
        )
    raise _too_few(ranked(matches)[0], inputs, outputs)


def no_device() -> BenchFailure:
    """The error for a machine on which the system shows no sound device."""
    return BenchFailure.because(
        "no-device",
        "the system shows no sound device that can be used",
        remedy="Plug the card in and see that the system lists it: 'freeair rig devices'. On "
        "Linux your user may need the group 'audio', or the sound server is not running. A rig "
        "with device 'simulated' needs no hardware.",
    )


def _unknown(devices: Sequence[Device], wanted: str) -> BenchFailure:
    lower = {d.identity.casefold(): d.identity for d in devices}
    lower |= {d.name.casefold(): d.identity for d in devices}
    close = difflib.get_close_matches(wanted.casefold(), list(lower), n=3, cutoff=0.6)
    hint = f"Did you mean {' or '.join(dict.fromkeys(lower[c] for c in close))}? " if close else ""
    names = "; ".join(d.identity for d in ranked(devices))
    return BenchFailure.because(
        "unknown-device",
        f"no sound device is called '{wanted}'",
        remedy=f"{hint}There are: {names}.",
    )


def _too_few(device: Device, inputs: int, outputs: int) -> BenchFailure:
    if device.inputs < inputs:
        return BenchFailure.because(
            "too-few-inputs",
            f"the device has {device.inputs} inputs, but input {inputs} is to be recorded",
            where=device.identity,
            remedy="Use a card with two line inputs, or correct the input numbers of the rig.",
        )
    return BenchFailure.because(
        "too-few-outputs",
        f"the device has {device.outputs} outputs, {outputs} needed to play the sweep",
        where=device.identity,
        remedy="Where the system shows inputs and outputs of a card as two devices, give both as "
        "'INPUT | OUTPUT', of one host interface.",
    )

"""Two-channel recordings from files: WAV or FLAC, as any recorder writes them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meas.bench.rig import MOST_FRAMES
from meas.errors import Finding, UnreadableInput
from meas.files.reading import missing

Samples = NDArray[np.float32] | NDArray[np.float64]

_CONTAINERS = ("WAV", "WAVEX", "RF64", "FLAC")
# Bits of each format; everything else in these containers is compressed with loss, and what
# loses bits by how they sound does not keep the ratio of two channels.
_WITHOUT_LOSS = ("PCM_U8", "PCM_S8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE")
_RATES_HZ = (8000, 768000)
_BLOCK_FRAMES = 4096  # what a broken FLAC file loses at most before the break
# Writers into a pipe cannot go back to fill in the size; they leave one of these.
_UNKNOWN_SIZES = range(0xFFFF0000, 0x100000000)
_ADVICE = "Give an uncompressed WAV or a FLAC file with at least two channels."


@dataclass(frozen=True, eq=False)
class Recording:
    """Two inputs out of a file.

    Attributes:
        samples: Source input and driver input, full scale 1, shape (n, 2); float32, or float64
            where the file resolves more.
        sample_rate_hz: As the file states it [Hz].
        description: File name, format, channels, for the record.
        findings: ``truncated`` when the file ends before its header says.
    """

    samples: Samples
    sample_rate_hz: int
    description: Mapping[str, str | float]
    findings: tuple[Finding, ...] = ()


def read(path: Path, source_input: int | None = 1, driver_input: int = 2) -> Recording:
    """Read two channels of a recording.

    Args:
        path: WAV or FLAC, integer or floating point, any number of channels from two.
        source_input: Channel with the source node, from 1; None: one input was recorded alone and
            stands in both columns.
        driver_input: Channel with the driver node, from 1.

    Raises:
        UnreadableInput: If it is no such file, lacks the channels, or holds no usable samples.
    """
    _check_kind(path)
    import soundfile

    try:
        with soundfile.SoundFile(str(path)) as file:
            _check_coding(path, file)
            if source_input is None:
                source_input = driver_input = min(driver_input, int(file.channels))
            else:
                _check_channels(path, file, source_input, driver_input)
            columns = [source_input - 1, driver_input - 1]
            samples, broken = _samples(path, file, columns, soundfile.LibsndfileError)
            promised, rate = int(file.frames), int(file.samplerate)
            description: dict[str, str | float] = {
                "file": path.name,
                "format": str(file.format),
                "subtype": str(file.subtype),
                "channels": int(file.channels),
            }
    except TypeError as error:
        raise _error(
            path,
            "has a name that stands for samples without a header",
            "Give it a name that ends in .wav or .flac.",
        ) from error
    except (soundfile.SoundFileError, OSError, ValueError) as error:
        raise _error(path, f"cannot be read as audio ({error})") from error
    if not samples.size:
        raise _error(path, "holds no samples")
    _check_finite(path, samples, rate)
    findings = []
    if broken or len(samples) < promised or _ends_early(path):
        findings.append(
            Finding(
                "truncated",
                f"the file {path.name} ends before its header says, after "
                f"{len(samples) / rate:.2f} s: copying or recording broke off",
                refuses=True,
                next_step="Copy it again from where it was recorded.",
            )
        )
    return Recording(samples, rate, description, tuple(findings))


def read_one(path: Path, driver_input: int = 1) -> Recording:
    """Read a recording of one input alone; in a file with one channel that one is meant."""
    return read(path, None, driver_input)


def _check_kind(path: Path) -> None:
    """Tell what is no WAV or FLAC by its first bytes, whatever its name says."""
    try:
        if path.is_dir():
            raise _error(path, "is a folder, not a recording")
        if path.exists() and not path.is_file():  # a pipe could be waited for without end
            raise _error(path, "is a pipe or a device", "Save the recording to a file first.")
        with path.open("rb") as file:
            head = file.read(12)
    except FileNotFoundError as error:
        raise missing(path) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise _error(path, f"cannot be read ({reason})") from error
    if not head:
        raise _error(path, "is empty")
    if head.startswith(b"fLaC") or (
        head[:4] in (b"RIFF", b"RIFX", b"RF64") and head[8:12] == b"WAVE"
    ):
        return
    if head.startswith((b"ID3", b"OggS", b"\xff\xfb", b"\xff\xf3", b"\xff\xf2", b"\xff\xf1")):
        raise _error(
            path,
            "is compressed with loss, which keeps no phase between two channels",
            "Record again as WAV or FLAC; converting the file does not bring back what is lost.",
        )
    raise _error(path, "is neither a WAV nor a FLAC file, whatever its name says")


def _check_coding(path: Path, file: Any) -> None:
    if file.format not in _CONTAINERS or file.subtype not in _WITHOUT_LOSS:
        raise _error(path, f"is compressed with loss or unusual ({file.format}, {file.subtype})")
    low, high = _RATES_HZ
    if not low <= file.samplerate <= high:
        raise _error(
            path, f"states a sample rate of {file.samplerate} Hz, outside {low} to {high} Hz"
        )


def _check_channels(path: Path, file: Any, source_input: int, driver_input: int) -> None:
    if file.channels < 2:
        raise _error(
            path,
            "has one channel",
            "Both nodes must be recorded together: the source on one channel, the driver on "
            "another, on one clock. With one input only, record a known resistor first and "
            "import by substitution (freeair import --known).",
        )
    for name, channel in (("source", source_input), ("driver", driver_input)):
        if not 1 <= channel <= file.channels:
            raise _error(
                path,
                f"has {file.channels} channels and no channel {channel} for the {name} input",
                f"Set wiring.{name}_input in the rig to the channel that holds it.",
            )
    if source_input == driver_input:
        raise _error(
            path,
            f"source and driver input are both channel {source_input}",
            "Set wiring.source_input and wiring.driver_input in the rig.",
        )


def _samples(
    path: Path, file: Any, columns: list[int], decoding_error: type[Exception]
) -> tuple[Samples, bool]:
    """The two columns, and whether decoding broke off."""
    dtype = "float64" if file.subtype in ("PCM_32", "DOUBLE") else "float32"
    blocks = [np.empty((0, 2), dtype)]
    frames = 0
    try:
        while len(block := file.read(_BLOCK_FRAMES, dtype=dtype, always_2d=True)):
            blocks.append(block[:, columns])
            frames += len(block)
            if frames > MOST_FRAMES:  # the header may say less, or nothing
                raise _error(
                    path,
                    f"is longer than {MOST_FRAMES / 1e6:.0f} million samples of each channel",
                    "Cut out the part that holds the sweeps.",
                )
    except decoding_error:
        return np.concatenate(blocks), True
    return np.concatenate(blocks), False


def _check_finite(path: Path, samples: Samples, rate: int) -> None:
    bad = np.argwhere(~np.isfinite(samples))
    if len(bad):
        frame, column = bad[0]
        raise _error(
            path,
            f"holds {len(bad)} samples that are no numbers, the first at {frame / rate:.3f} s of "
            f"the {('source', 'driver')[column]} input",
            "The program that wrote it failed; record again.",
        )


def _ends_early(path: Path) -> bool:
    """Tell whether a RIFF file is shorter than its header says."""
    with path.open("rb") as file:
        head = file.read(8)
    if head[:4] not in (b"RIFF", b"RIFX"):
        return False
    size = int.from_bytes(head[4:8], "little" if head[:4] == b"RIFF" else "big")
    return size not in _UNKNOWN_SIZES and size + 8 > path.stat().st_size


def _error(path: Path, what: str, remedy: str = _ADVICE) -> UnreadableInput:
    return UnreadableInput(what, where=str(path), remedy=remedy)

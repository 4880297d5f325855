"""Files that claim or hide a lot: refused within bounded memory and time.

Each is read in a process that may have two gigabytes of addresses and not one more (RLIMIT_AS): a
reader that believes a header, or holds what it will not use, dies there.
"""

from __future__ import annotations

import io
import json
import os
import struct
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from meas.errors import UnreadableInput

ROOT = Path(__file__).resolve().parents[3]
LIMIT_BYTES = 2_500_000_000

# Imports once, then one process for each file: split off, limited, ended.
_RUN = """
import json, os, resource, sys, time
sys.path[:0] = [{root!r}, {root!r} + "/tests/hostile/fuzz"]
from test_fuzz_memory import CASES, LIMIT_BYTES, readers
from pathlib import Path
import meas.takes.take, meas.audio.recording, soundfile
from meas.errors import FreeairError
folder, read, told = Path(sys.argv[1]), readers(), {{}}
for case, (name, file, content) in CASES.items():
    path = folder / file
    path.unlink(missing_ok=True)
    content(path)
    came, went = os.pipe()
    sys.stdout.flush()
    child = os.fork()
    if not child:
        resource.setrlimit(resource.RLIMIT_AS, (LIMIT_BYTES, LIMIT_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (60, 60))
        try:
            read[name](path)
            said = "read"
        except FreeairError as error:
            said = "refused: " + str(error) if len(str(error)) < 5000 else "too long a message"
        except BaseException as error:
            said = repr(error)[:500]
        os.write(went, said.encode("utf-8", "replace")[:5000])
        os._exit(0)
    os.close(went)
    with os.fdopen(came, "rb") as pipe:
        said = pipe.read().decode("utf-8", "replace")
    usage = os.wait4(child, 0)
    told[case] = [said, usage[1], usage[2].ru_utime + usage[2].ru_stime]
    path.unlink()
print(json.dumps(told))
"""


def readers() -> dict[str, Callable[[Path], object]]:
    from cli.filter import network_file, stock_file
    from cli.sources import opened, targets_file
    from meas.audio import recording
    from meas.bench import rig_file
    from meas.tables import csv_table, touchstone
    from meas.takes import take

    return {
        "wav": recording.read, "flac": recording.read, "table": csv_table.read,
        "touchstone": touchstone.read, "rig": rig_file.read, "targets": targets_file.read,
        "network": network_file.read, "stock": lambda path: stock_file.read([path]),
        "take": take.load, "fit": opened.fit, "part": opened.part,
    }  # fmt: skip


def wav_of_frames(frames: int, channels: int = 2) -> bytes:
    """A header that promises, and a few samples."""
    size = min(frames * 2 * channels, 2**32 - 100)
    head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", min(size + 36, 2**32 - 1), b"WAVE", b"fmt ",
                       16, 1, channels, 48000, (96000 * channels) % 2**32, 2 * channels % 2**16, 16,
                       b"data", size)  # fmt: skip
    return head + bytes(4000)


def flac_of_silence() -> bytes:
    """Half an hour of silence at 48 kHz and more, in a fraction of its size (a long one)."""
    buffer = io.BytesIO()
    with soundfile.SoundFile(buffer, "w", 48000, 2, "PCM_16", format="FLAC") as file:
        for _ in range(105):
            file.write(np.zeros((1_000_000, 2), np.int16))
    return buffer.getvalue()


def flac_of_claims() -> bytes:
    """The stream's description claims 2^36 - 1 samples of each channel."""
    buffer = io.BytesIO()
    soundfile.write(buffer, np.zeros((100, 2)), 48000, format="FLAC", subtype="PCM_16")
    content = bytearray(buffer.getvalue())
    content[21] |= 0x0F
    content[22:26] = b"\xff\xff\xff\xff"
    return bytes(content)


HEAD = b"frequency_hz,resistance_ohm,reactance_ohm"
FIT = b'{"format": "freeair-fit/1", "unit": "x", "model": "plain", "warnings": [], "sources": {}, '


def holding(make: Callable[[], bytes]) -> Callable[[Path], object]:
    return lambda path: path.write_bytes(make())


def hole(size: int) -> Callable[[Path], object]:
    def make(path: Path) -> None:
        with path.open("wb") as file:
            file.truncate(size)

    return make


WAV, FLAC, CSV, S1P = (
    ("wav", "a.wav"),
    ("flac", "a.flac"),
    ("table", "a.csv"),
    ("touchstone", "a.s1p"),
)
FIT_JSON, TAKE_JSON = ("fit", "a.json"), ("take", "take.json")
MILLION = 1_000_000
ZEROS = b"0," * (9 * MILLION) + b"0"
# The limits of the readers leave room for what is honest: files just below, and far above them.
_CASES: dict[str, tuple[tuple[str, str], Callable[[], bytes]]] = {
    "2^31 frames claimed": (WAV, lambda: wav_of_frames(2**31)),
    "1024 channels claimed": (WAV, lambda: wav_of_frames(2**24, 1024)),
    "65535 channels claimed": (WAV, lambda: wav_of_frames(2**24, 65535)),
    "2^36 samples claimed": (FLAC, flac_of_claims),
    "silence without end": (FLAC, flac_of_silence),
    "one long line": (CSV, lambda: b"1," * (49 * MILLION)),
    "a long cell": (CSV, lambda: HEAD + b"\n10," + b"9" * (99 * MILLION)),
    "rows without end": (CSV, lambda: HEAD + b"\n1,2,3" * (16 * MILLION)),
    "a header of many names": (CSV, lambda: b"frequency_hx," * 7_000 + b"\n1"),
    "Touchstone rows without end": (S1P, lambda: b"# HZ Z RI R 1\n" + b"1 2 3\n" * (16 * MILLION)),
    "Touchstone in one line": (S1P, lambda: b"1 " * (49 * MILLION)),
    "nested arrays": (("rig", "a.toml"), lambda: b"a = " + b"[" * (2 * MILLION)),
    "nested tables": (("rig", "a.toml"), lambda: b"a = " + b"{a = " * (MILLION // 2)),
    "a key of many parts": (("targets", "a.toml"), lambda: b"a." * MILLION + b"a = 1"),
    "a header of many parts": (("stock", "a.toml"), lambda: b"[" + b'"a" . ' * 500_000 + b"a]"),
    "one word": (("network", "a.toml"), lambda: b"a" * (3 * MILLION)),
    "dots": (("network", "a.toml"), lambda: b"a. " * MILLION),
    "quotes": (("network", "a.toml"), lambda: b"\"'" * MILLION),
    "a huge integer": (("targets", "a.toml"), lambda: b"[winding]\nturns = 0x" + b"f" * MILLION),
    "many wrong keys": (("rig", "a.toml"), lambda: b"".join(b"k%d=1\n" % k for k in range(50_000))),
    "a long wrong key": (("rig", "a.toml"), lambda: b"k" * MILLION + b" = 1"),
    "nested objects": (("part", "a.json"), lambda: b'{"a":' * (5 * MILLION)),
    "nested lists": (FIT_JSON, lambda: b"[" * (30 * MILLION)),
    "wrong numbers": (
        FIT_JSON,
        lambda: FIT + b'"parameters": {}, "curves": [{"frequency_hz": [' + ZEROS + b"]}]}",
    ),
    "wrong curves": (FIT_JSON, lambda: FIT + b'"parameters": {}, "curves": [' + ZEROS + b"]}"),
    "wrong findings": (
        TAKE_JSON,
        lambda: b'{"format": "freeair-take/1", "findings": [' + ZEROS[-3_900_001:] + b"]}",
    ),
    "wrong points": (
        TAKE_JSON,
        lambda: b'{"format": "freeair-take/1", "rig": {"name": "x", "calibration": {"standards": ['
        b'{"points": [' + ZEROS[-3_900_001:] + b"]}]}}}",
    ),
    "a number of many digits": (("part", "a.json"), lambda: b"9" * (30 * MILLION)),
}  # fmt: skip
CASES = {
    **{case: (*where, holding(make)) for case, (where, make) in _CASES.items()},
    "two gigabytes of table": (*CSV, hole(2 * 10**9)),
    "two gigabytes of TOML": ("rig", "a.toml", hole(2 * 10**9)),
    "two gigabytes of JSON": (*FIT_JSON, hole(2 * 10**9)),
}


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[str, int, float]]:
    """What each reader said of each file, how its process ended, and its time of processor [s]."""
    pytest.importorskip("resource", reason="limits of a process are POSIX")
    done = subprocess.run(
        [sys.executable, "-c", _RUN.format(root=str(ROOT)), str(tmp_path_factory.mktemp("large"))],
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True, text=True, timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    return dict(json.loads(done.stdout))


@pytest.mark.parametrize("case", CASES)
def test_refused_within_bounds(case, outcomes):
    said, status, _ = outcomes[case]
    assert status == 0, f"killed by signal {os.WTERMSIG(status)}"
    # A library may go by what is there instead of what is claimed; the take is then marked as cut.
    assert said.startswith("refused:") or ("claimed" in case and said == "read"), said


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are POSIX")
@pytest.mark.parametrize("name", ["wav", "table", "touchstone", "rig", "fit", "stock"])
def test_pipes_and_devices_are_not_waited_for(name, tmp_path):
    """A pipe that nobody writes to, a device without end: a reader of an archive may meet them."""
    suffix = {"fit": ".json", "wav": ".wav", "touchstone": ".s1p"}.get(name, ".toml")
    pipe, endless = tmp_path / f"pipe{suffix}", tmp_path / f"endless{suffix}"
    os.mkfifo(pipe)
    endless.symlink_to("/dev/zero")
    for path in (pipe, endless):
        with pytest.raises(UnreadableInput):
            readers()[name](path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are POSIX")
def test_a_pipe_with_a_writer_is_read(tmp_path):
    """As a shell's process substitution gives one."""
    import threading

    from meas.tables import csv_table

    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    kept = os.open(pipe, os.O_RDWR)  # the writer is there before the reader, as in a shell
    text = HEAD + b"\n10,6,1\n"
    os.write(kept, text)

    def leave():
        """Go once the reader has taken what was written: a pipe without ends forgets it."""
        import fcntl
        import termios
        import time

        waiting = text
        while any(waiting):
            time.sleep(0.01)
            waiting = fcntl.ioctl(kept, termios.FIONREAD, bytes(4))
        os.close(kept)

    writer = threading.Thread(target=leave, daemon=True)
    writer.start()
    curve = csv_table.read(pipe)
    writer.join()
    assert curve.magnitude_ohm.size == 1

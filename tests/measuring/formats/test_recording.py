"""Recordings made elsewhere: any lossless subtype, and every file that is none."""

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from meas.audio import recording
from meas.errors import FreeairError, UnreadableInput

RATE = 48000


def noise(channels=2, frames=4800):
    return np.random.default_rng(1).uniform(-0.9, 0.9, (frames, channels))


@pytest.mark.parametrize(
    ("name", "subtype", "step"),
    [
        # One step of the format is the most that rounding may change (two's complement).
        ("a.wav", "PCM_U8", 2.0**-7),
        ("a.wav", "PCM_16", 2.0**-15),
        ("a.wav", "PCM_24", 2.0**-23),
        ("a.wav", "PCM_32", 2.0**-31),
        ("a.wav", "FLOAT", 2.0**-24),
        ("a.wav", "DOUBLE", 0.0),
        ("a.flac", "PCM_16", 2.0**-15),
        ("a.flac", "PCM_24", 2.0**-23),
    ],
)
def test_every_lossless_format(tmp_path, name, subtype, step):
    samples = noise()
    soundfile.write(tmp_path / name, samples, RATE, subtype=subtype)
    read = recording.read(tmp_path / name)
    assert read.sample_rate_hz == RATE
    assert np.max(np.abs(read.samples - samples)) <= step
    assert read.findings == ()
    assert read.description["subtype"] == subtype


@pytest.mark.parametrize(
    ("subtype", "bits"), [("PCM_U8", 8), ("PCM_16", 16), ("PCM_24", 24), ("PCM_32", 32)]
)
def test_full_scale_is_what_clipping_reaches(tmp_path, subtype, bits):
    soundfile.write(tmp_path / "a.wav", np.full((100, 2), 1.0), RATE, subtype=subtype)
    read = recording.read(tmp_path / "a.wav")
    assert np.max(read.samples) == pytest.approx(1.0 - 2.0 ** (1 - bits), abs=1e-9)


def test_channels_are_picked_by_number(tmp_path):
    samples = noise(channels=4)
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="DOUBLE")
    read = recording.read(tmp_path / "a.wav", source_input=4, driver_input=2)
    assert np.array_equal(read.samples, samples[:, [3, 1]])


def test_long_recordings_are_read_whole(tmp_path):
    samples = noise(frames=3 * 65536 + 17).astype(np.float32)
    soundfile.write(tmp_path / "a.wav", samples, 192000, subtype="FLOAT")
    read = recording.read(tmp_path / "a.wav")
    assert np.array_equal(read.samples, samples)
    assert read.samples.dtype == np.float32


@pytest.mark.parametrize(
    "how",
    [{"format": "WAVEX"}, {"format": "RF64"}, {"format": "WAV", "endian": "BIG"}],
)
def test_relatives_of_wav(tmp_path, how):
    samples = noise().astype(np.float32)
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT", **how)
    read = recording.read(tmp_path / "a.wav")
    assert np.array_equal(read.samples, samples)
    assert read.findings == ()


def refused(path, **inputs):
    with pytest.raises(UnreadableInput) as caught:
        recording.read(path, **inputs)
    assert str(path) in caught.value.where
    assert caught.value.remedy
    return str(caught.value)


def test_channels_that_are_missing(tmp_path):
    soundfile.write(tmp_path / "mono.wav", noise(channels=1), RATE)
    assert "one channel" in refused(tmp_path / "mono.wav")
    soundfile.write(tmp_path / "two.wav", noise(), RATE)
    assert "no channel 3 for the driver" in refused(tmp_path / "two.wav", driver_input=3)
    assert "both channel 2" in refused(tmp_path / "two.wav", source_input=2)
    assert "no channel 0" in refused(tmp_path / "two.wav", source_input=0)


def test_values_that_are_no_numbers(tmp_path):
    samples = noise().astype(np.float32)
    samples[2400, 1] = np.nan
    samples[2500, 0] = np.inf
    soundfile.write(tmp_path / "a.wav", samples, RATE, subtype="FLOAT")
    said = refused(tmp_path / "a.wav")
    assert "2 samples" in said
    assert "0.050 s of the driver input" in said


@pytest.mark.parametrize("rate", [1, 4000, 2_000_000])
def test_absurd_rates(tmp_path, rate):
    soundfile.write(tmp_path / "a.wav", noise(), rate)
    assert f"sample rate of {rate} Hz" in refused(tmp_path / "a.wav")


@pytest.mark.parametrize("subtype", ["ULAW", "ALAW", "IMA_ADPCM", "MS_ADPCM"])
def test_lossy_compression(tmp_path, subtype):
    soundfile.write(tmp_path / "a.wav", noise(), RATE, subtype=subtype)
    assert "loss" in refused(tmp_path / "a.wav")


@pytest.mark.parametrize("kind", ["MP3", "OGG"])
def test_lossy_files(tmp_path, kind):
    soundfile.write(tmp_path / "a.wav", noise(frames=48000), RATE, format=kind)
    assert "loss" in refused(tmp_path / "a.wav")


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is empty"),
        (b"frequency_hz,magnitude_ohm\n20,8\n", "neither a WAV nor a FLAC"),
        (b"RIFF\x24\x00\x00\x00WAVE", "cannot be read as audio"),
        (b"fLaC" + bytes(40), "cannot be read as audio"),
        (b"RIFF", "neither a WAV nor a FLAC"),
        (bytes(1000), "neither a WAV nor a FLAC"),
    ],
)
def test_what_is_no_recording(tmp_path, content, said):
    (tmp_path / "a.wav").write_bytes(content)
    assert said in refused(tmp_path / "a.wav")


def test_a_name_typed_almost_right_is_offered(tmp_path):
    (tmp_path / "lantern-12-h.json").write_text("{}")
    meant = f"Did you mean '{tmp_path / 'lantern-12-h.json'}'?"
    asked = {"lantern-12h.json": meant, "lantern-12-h.jsn": meant, "spark.wav": "Check the name"}
    for wrong, remedy in asked.items():
        with pytest.raises(UnreadableInput) as caught:
            recording.read(tmp_path / wrong)
        assert remedy in caught.value.remedy


def test_no_file_a_folder_and_no_samples(tmp_path):
    assert "does not exist" in refused(tmp_path / "none.wav")
    assert "folder" in refused(tmp_path)
    soundfile.write(tmp_path / "a.wav", np.empty((0, 2)), RATE)
    assert "holds no samples" in refused(tmp_path / "a.wav")


@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_a_file_cut_short_is_read_and_refused_as_truncated(tmp_path, name):
    path = tmp_path / name
    soundfile.write(path, noise(frames=48000), RATE, subtype="PCM_16")
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    read = recording.read(path)
    (finding,) = read.findings
    assert finding.code == "truncated"
    assert finding.refuses
    assert 0.3 < len(read.samples) / 48000 < 0.6


def test_a_stream_with_unknown_size_is_whole(tmp_path):
    """Recorders that write into a pipe leave the sizes at their greatest value."""
    path = tmp_path / "a.wav"
    soundfile.write(path, noise(), RATE, subtype="PCM_16")
    content = bytearray(path.read_bytes())
    content[4:8] = b"\xff\xff\xff\xff"
    at = content.index(b"data") + 4
    content[at : at + 4] = b"\xff\xff\xff\xff"
    path.write_bytes(content)
    read = recording.read(path)
    assert len(read.samples) == 4800
    assert read.findings == ()


def test_the_name_does_not_matter(tmp_path):
    soundfile.write(tmp_path / "a.wav", noise(), RATE)
    for name in ("a.raw", "a.txt", "a"):
        (tmp_path / name).write_bytes((tmp_path / "a.wav").read_bytes())
    for name in ("a.txt", "a"):
        assert len(recording.read(tmp_path / name).samples) == 4800
    assert "name that ends in .wav" in refused(tmp_path / "a.raw")


def made(tmp_path_factory, name, subtype):
    path = tmp_path_factory.mktemp("made") / name
    soundfile.write(path, noise(frames=64), RATE, subtype=subtype)
    return path.read_bytes()


@pytest.fixture(scope="module")
def whole_files(tmp_path_factory):
    kinds = (("a.wav", "PCM_16"), ("a.wav", "FLOAT"), ("a.flac", "PCM_24"))
    return [made(tmp_path_factory, *kind) for kind in kinds]


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_only_our_errors_escape_from_damaged_files(whole_files, tmp_path_factory, data):
    content = bytearray(data.draw(st.sampled_from(whole_files)))
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, min(len(content) - 1, 120)))] = data.draw(
            st.integers(0, 255)
        )
    content = content[: data.draw(st.integers(0, len(content)))]
    path = tmp_path_factory.getbasetemp() / "damaged.wav"
    path.write_bytes(content)
    try:
        read = recording.read(path)
    except FreeairError:
        return
    assert read.samples.ndim == 2
    assert np.all(np.isfinite(read.samples))

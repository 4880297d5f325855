"""The sound-card code against a library that fails in every way its documentation names.

Failures: the documentation of python-sounddevice (PortAudioError, CallbackFlags, OSError on
import when PortAudio is missing) and the error codes of PortAudio's portaudio.h.
"""

import os
import sys
import time
from collections.abc import Callable

import fake_sounddevice
import numpy as np
import pytest
from fake_sounddevice import FakeSounddevice, PortAudioError, Script, device

import meas.audio.duplex
import meas.audio.soundcard
import meas.audio.watchdog
from meas.audio.protocol import Progress
from meas.audio.soundcard import SoundCard, list_devices
from meas.errors import BenchFailure, UsageError

RATE = 48000
Install = Callable[..., FakeSounddevice]


def ramp(frames: int = 9600) -> np.ndarray:
    return np.linspace(-0.5, 0.5, frames, dtype=np.float32)


@pytest.fixture
def install(monkeypatch: pytest.MonkeyPatch) -> Install:
    """Put a fake library in the place of the real one, with a thread of its own."""
    thread = meas.audio.watchdog.BoundedThread("the sound system")
    monkeypatch.setattr(meas.audio.soundcard, "_portaudio", thread)

    def put(*args: object, **settings: object) -> FakeSounddevice:
        library = FakeSounddevice(*args, **settings)
        monkeypatch.setitem(sys.modules, "sounddevice", library)
        return library

    return put


def refusal(card: SoundCard, rate: int = RATE) -> BenchFailure:
    with pytest.raises(BenchFailure) as caught:
        card.play_and_record(ramp(), rate)
    assert caught.value.exit_status == 1
    assert all(reason.refuses for reason in caught.value.reasons)
    return caught.value


def code(failure: BenchFailure) -> str:
    return failure.reasons[0].code


def test_a_sound_stream_is_recorded_sample_by_sample(install: Install) -> None:
    library = install()
    seen: list[Progress] = []
    capture = SoundCard(source_input=1, driver_input=2).play_and_record(ramp(), RATE, seen.append)
    # The fake's loop is one block late; input n is the output over n.
    late = np.concatenate((np.zeros(480, np.float32), ramp()[:-480]))
    np.testing.assert_array_equal(capture.samples[:, 0], late)
    np.testing.assert_array_equal(capture.samples[:, 1], late / 2)
    assert capture.frames_expected == len(capture.samples) == 9600
    assert capture.events == ()
    assert capture.path["device"] == "ALSA: bench card"
    assert seen[-1].frames_done == 9600 and seen[-1].peak == (0.5, 0.25)
    assert library.streams[0].aborted and library.streams[0].closed


def test_one_duplex_stream_is_opened_no_wider_than_needed(install: Install) -> None:
    library = install([device("bench card", inputs=8, outputs=8)])
    capture = SoundCard(source_input=3, driver_input=1).play_and_record(ramp(), RATE)
    opened = library.opened[0]
    assert len(library.opened) == 1
    assert opened["channels"] == (3, 2)
    assert opened["samplerate"] == RATE
    assert (opened["dtype"], opened["blocksize"]) == ("float32", 0)
    # Meters move ten times a second or more: half a buffer a call at most (measured over a server).
    assert 0.1 < opened["latency"] < 0.4
    # Source is input 3, driver input 1: a third and the whole of the output.
    np.testing.assert_allclose(capture.samples[:, 0], capture.samples[:, 1] / 3, rtol=1e-6)


def test_only_the_first_output_plays(install: Install) -> None:
    library = install()
    SoundCard().play_and_record(ramp(1000), RATE)
    played = np.concatenate(library.streams[0].played)
    np.testing.assert_array_equal(played[:1000, 0], ramp(1000))
    assert not played[1000:].any() and not played[:, 1].any()


def test_every_flag_is_kept_with_its_frame(install: Install) -> None:
    flags = {
        0: ["priming_output"],
        3: ["input_overflow", "output_underflow"],
        5: ["input_underflow"],
        7: ["output_overflow"],
    }
    install(script=Script(at_block=lambda block: flags.get(block, [])))
    events = SoundCard().play_and_record(ramp(), RATE).events
    assert {(e.frame, e.kind) for e in events} == {
        (0, "priming"),
        (3 * 480, "input-overflow"),
        (3 * 480, "output-underflow"),
        (5 * 480, "input-underflow"),
        (7 * 480, "output-overflow"),
    }


def test_no_library(install: Install, monkeypatch: pytest.MonkeyPatch) -> None:
    class Missing:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Missing(), *sys.meta_path])
    failure = refusal(SoundCard())
    assert code(failure) == "no-sound-library"
    assert "PortAudio" in str(failure) and "libportaudio2" in str(failure)
    with pytest.raises(BenchFailure, match="no-sound-library"):
        list_devices()


def test_library_that_does_not_start(install: Install, monkeypatch: pytest.MonkeyPatch) -> None:
    class Broken:
        def find_spec(self, name: str, *_: object) -> None:
            if name == "sounddevice":
                raise PortAudioError("Error initializing PortAudio: Unanticipated host error")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Broken(), *sys.meta_path])
    failure = refusal(SoundCard())
    assert code(failure) == "sound-system-failed"
    assert "initializing PortAudio" in str(failure)


@pytest.mark.parametrize("name", [None, "anything"])
def test_no_device(install: Install, name: str | None) -> None:
    install([], default=(-1, -1))
    failure = refusal(SoundCard(name))
    assert code(failure) == "no-device"
    assert "rig devices" in str(failure) and "simulated" in str(failure)
    assert list_devices() == []


def test_no_default_device(install: Install) -> None:
    install(default=(-1, -1))
    assert code(refusal(SoundCard())) == "no-device"


def test_defaults_of_two_devices_are_not_mixed(install: Install) -> None:
    install([device("microphone", outputs=0), device("speakers", inputs=0)], default=(0, 1))
    failure = refusal(SoundCard())
    assert code(failure) == "ambiguous-device"
    assert "ALSA: microphone | ALSA: speakers" in str(failure)


def test_two_halves_of_one_card_are_named_as_a_pair(install: Install) -> None:
    library = install(
        [device("line", outputs=0), device("speakers", inputs=0)], hosts=("Windows WASAPI",)
    )
    assert code(refusal(SoundCard("line"))) == "too-few-outputs"
    capture = SoundCard("line | speakers").play_and_record(ramp(), RATE)
    assert library.opened[0]["device"] == (0, 1)
    assert capture.path["device"] == "Windows WASAPI: line"
    assert capture.path["output_device"] == "Windows WASAPI: speakers"


def test_halves_of_two_host_interfaces_are_not_paired(install: Install) -> None:
    install(
        [device("line", outputs=0), device("speakers", inputs=0, hostapi=1)],
        hosts=("Windows WASAPI", "MME"),
    )
    failure = refusal(SoundCard("line | speakers"))
    assert code(failure) == "unknown-device" and "There are: Windows WASAPI: line" in str(failure)


CARDS = [
    device("USB bench (hw:1,0)"),
    device("USB bench (hw:2,0)", hostapi=1),
    device("HDMI (hw:0,3)", inputs=0),
    device("default", 32, 32),
]


def test_unknown_name_lists_what_there_is(install: Install) -> None:
    install(CARDS, hosts=("ALSA", "OSS"))
    failure = refusal(SoundCard("hdni (hw:0,3)"))
    assert code(failure) == "unknown-device"
    assert "'hdni (hw:0,3)'" in str(failure)
    assert "Did you mean ALSA: HDMI (hw:0,3)" in str(failure)
    assert "ALSA: default" in str(failure)


def test_ambiguous_name_lists_the_candidates(install: Install) -> None:
    install(CARDS, hosts=("ALSA", "OSS"))
    failure = refusal(SoundCard("usb BENCH"))
    assert code(failure) == "ambiguous-device"
    assert "ALSA: USB bench (hw:1,0); OSS: USB bench (hw:2,0)" in str(failure)
    assert "default" not in str(failure)


@pytest.mark.parametrize(
    ("name", "index"),
    [("alsa usb", 0), ("OSS: USB bench (hw:2,0)", 1), ("usb bench (hw:1,0)", 0), ("default", 3)],
)
def test_names_find_their_device(install: Install, name: str, index: int) -> None:
    library = install(CARDS, hosts=("ALSA", "OSS"))
    SoundCard(name).play_and_record(ramp(), RATE)
    assert library.opened[0]["device"] == (index, index)


def test_alike_devices_cannot_be_told_apart(install: Install) -> None:
    install([device("twin"), device("twin")])
    failure = refusal(SoundCard("twin"))
    assert code(failure) == "ambiguous-device" and "Unplug one" in str(failure)


def test_too_few_inputs_are_seen_before_opening(install: Install) -> None:
    library = install([device("headset", inputs=1)])
    failure = refusal(SoundCard())
    assert code(failure) == "too-few-inputs"
    assert "1 inputs" in str(failure) and "ALSA: headset" in str(failure)
    assert library.opened == []


BUSY_ALSA = PortAudioError(
    "Error opening Stream: Unanticipated host error", -9999, (0, -16, "Device or resource busy")
)
GONE_ALSA = PortAudioError(
    "Error opening Stream: Unanticipated host error", -9999, (0, -19, "No such device")
)


@pytest.mark.parametrize(
    ("error", "expected", "words"),
    [
        (PortAudioError("Device unavailable", -9985), "device-busy", "Close other programs"),
        (BUSY_ALSA, "device-busy", "Device or resource busy"),
        (GONE_ALSA, "no-device", "No such device"),
        (PortAudioError("Invalid device", -9996), "no-device", "Invalid device"),
        (PortAudioError("Invalid number of channels", -9998), "too-few-inputs", "2 inputs"),
        (PortAudioError("Illegal combination of I/O devices", -9993), "stream-failed", "Illegal"),
        (PortAudioError("Internal PortAudio error", -9986), "stream-failed", "Internal"),
        (PortAudioError("Could not obtain stream info"), "stream-failed", "stream info"),
        (ValueError("Input and output device must have the same samplerate"), "stream-failed", ""),
        (MemoryError(), "stream-failed", "MemoryError"),
    ],
)
@pytest.mark.parametrize("when", ["open", "start"])
def test_what_keeps_a_stream_from_running(
    install: Install, error: Exception, expected: str, words: str, when: str
) -> None:
    library = install(script=Script(**{f"{when}_error": error}))
    failure = refusal(SoundCard())
    assert code(failure) == expected
    assert words in str(failure) and failure.where == "ALSA: bench card" and failure.remedy
    assert all(stream.closed for stream in library.streams)


def test_unsupported_rate_names_the_rates_there_are(install: Install) -> None:
    install(script=Script(open_error=PortAudioError("Invalid sample rate", -9997)))
    failure = refusal(SoundCard(), rate=192000)
    assert code(failure) == "unsupported-rate"
    assert "192000 Hz" in str(failure) and "accepts 44100, 48000, 96000 Hz" in str(failure)


def test_unsupported_rate_without_known_rates_names_the_preferred_one(install: Install) -> None:
    script = Script(open_error=PortAudioError("Invalid sample rate", -9997), accepted_rates=())
    install([device("bench card", rate=44100.0)], script)
    assert "prefers 44100 Hz" in str(refusal(SoundCard()))


def test_another_rate_than_asked_for_is_refused(install: Install) -> None:
    library = install(script=Script(actual_rate=44100.0))
    failure = refusal(SoundCard())
    assert code(failure) == "unsupported-rate" and "44100" in str(failure)
    assert library.streams[0].closed


def test_a_stream_that_dies_keeps_what_was_captured(install: Install) -> None:
    install(script=Script(at_block=lambda block: "end" if block == 7 else ()))
    capture = SoundCard().play_and_record(ramp(), RATE)
    np.testing.assert_array_equal(capture.samples[480:, 0], ramp()[: 6 * 480])
    assert capture.frames_expected == 9600
    assert [(e.frame, e.kind) for e in capture.events] == [(7 * 480, "interrupted")]
    assert "ended by itself" in str(capture.path["failure"])


def test_a_stream_that_dies_before_any_sample_is_an_error(install: Install) -> None:
    library = install(script=Script(at_block=lambda block: "end"))
    failure = refusal(SoundCard())
    assert code(failure) == "stream-failed" and "nothing was recorded" in str(failure)
    assert len(library.streams) == 3 and all(stream.closed for stream in library.streams)


def test_a_stream_that_ended_unheard_is_started_again(install: Install) -> None:
    """As a stream over a sound server does now and then; nothing has sounded yet."""
    blocks: list[int] = []

    def at_block(block: int) -> str | tuple[()]:
        blocks.append(block)
        return "end" if len(blocks) == 1 else ()

    library = install(script=Script(at_block=at_block))
    capture = SoundCard().play_and_record(ramp(), RATE)
    np.testing.assert_array_equal(capture.samples[480:, 0], ramp()[:-480])
    assert "failure" not in capture.path
    assert len(library.streams) == 2 and library.streams[0].closed


def test_a_stream_that_stalls_is_given_up(
    install: Install, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(meas.audio.duplex, "STALL_SECONDS", 0.5)
    install(script=Script(at_block=lambda block: "stall" if block == 4 else ()))
    capture = SoundCard().play_and_record(ramp(), RATE)
    assert len(capture.samples) == 4 * 480
    assert capture.events[-1].kind == "interrupted"
    assert "no sample arrived" in str(capture.path["failure"])


def test_the_first_block_may_take_longer_than_any_later_one(
    install: Install, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(meas.audio.duplex, "STALL_SECONDS", 0.0)
    monkeypatch.setattr(meas.audio.duplex, "FIRST_BLOCK_SECONDS", 0.5)
    install(script=Script(at_block=lambda block: "stall" if block == 0 else ()))
    failure = refusal(SoundCard())
    assert code(failure) == "stream-failed" and "no sample arrived for 0.5 s" in str(failure)


def test_a_finished_callback_that_never_comes_costs_nothing(
    install: Install, monkeypatch: pytest.MonkeyPatch
) -> None:
    library = install()
    original = library.Stream

    def deaf(**settings: object) -> object:
        settings["finished_callback"] = lambda: None
        return original(**settings)

    monkeypatch.setattr(library, "Stream", deaf)
    capture = SoundCard().play_and_record(ramp(), RATE)
    assert len(capture.samples) == 9600 and capture.events == ()


def test_an_exception_in_the_callback_reaches_the_caller(
    install: Install, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Bad:
        def __bool__(self) -> bool:
            raise RuntimeError("status of a kind unheard of")

    original = fake_sounddevice.CallbackFlags
    monkeypatch.setattr(
        fake_sounddevice, "CallbackFlags", lambda *flags: Bad() if flags else original()
    )
    install(script=Script(at_block=lambda block: ["input_overflow"] if block == 3 else ()))
    capture = SoundCard().play_and_record(ramp(), RATE)
    assert len(capture.samples) == 3 * 480
    assert "status of a kind unheard of" in str(capture.path["failure"])


def test_ctrl_c_keeps_what_was_captured(install: Install) -> None:
    library = install(script=Script(block_seconds=0.01))

    def pressed(progress: Progress) -> None:
        raise KeyboardInterrupt

    capture = SoundCard().play_and_record(ramp(96000), RATE, pressed)
    assert 0 < len(capture.samples) < 96000
    assert capture.events[-1].kind == "interrupted"
    assert capture.events[-1].frame == len(capture.samples)
    assert "failure" not in capture.path
    assert library.streams[0].closed


def test_an_error_of_the_listener_closes_the_stream(install: Install) -> None:
    library = install(script=Script(block_seconds=0.01))

    def broken(progress: Progress) -> None:
        raise RuntimeError("no terminal")

    with pytest.raises(RuntimeError, match="no terminal"):
        SoundCard().play_and_record(ramp(96000), RATE, broken)
    assert library.streams[0].closed


def test_opening_that_hangs_is_given_up_and_stays_silent(
    install: Install, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(meas.audio.soundcard, "OPEN_SECONDS", 0.3)
    library = install(script=Script(open_hangs=True))
    failure = refusal(SoundCard())
    assert code(failure) == "sound-system-failed" and "did not answer" in str(failure)
    # The next call does not wait a second time.
    assert "never came back" in str(refusal(SoundCard()))
    library.release.set()
    deadline = time.monotonic() + 5
    while not (library.streams and library.streams[0].played):
        assert time.monotonic() < deadline
        time.sleep(0.01)
    assert not np.any(library.streams[0].played[0])


def test_closing_that_hangs_keeps_the_capture(
    install: Install, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(meas.audio.soundcard, "CLOSE_SECONDS", 0.3)
    library = install(script=Script(close_hangs=True))
    capture = SoundCard().play_and_record(ramp(), RATE)
    assert len(capture.samples) == 9600
    assert "could not be closed" in str(capture.path["failure"])
    library.release.set()


def test_closing_that_fails_keeps_the_capture(install: Install) -> None:
    install(script=Script(close_error=PortAudioError("Invalid stream pointer", -9988)))
    capture = SoundCard().play_and_record(ramp(), RATE)
    assert len(capture.samples) == 9600
    assert "Invalid stream pointer" in str(capture.path["failure"])


def test_chatter_of_the_libraries_goes_with_the_error_not_over_it(
    install: Install, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    library = install()

    def chatty(**settings: object) -> object:
        os.write(2, b"ALSA lib pcm.c:2660: Unknown PCM cards.pcm.front\n")
        raise PortAudioError("Device unavailable", -9985)

    monkeypatch.setattr(library, "Stream", chatty)
    failure = refusal(SoundCard())
    assert "ALSA lib" in failure.__notes__[0]
    assert "ALSA lib" not in str(failure)
    os.write(2, b"our own words\n")
    assert capfd.readouterr().err == "our own words\n"


@pytest.mark.parametrize("inputs", [(1, 1), (0, 1), (2, -1)])
def test_inputs_that_cannot_be_are_refused(inputs: tuple[int, int]) -> None:
    with pytest.raises(UsageError, match="count from 1"):
        SoundCard(None, *inputs)


@pytest.mark.parametrize(
    "output", [np.zeros((4, 2), np.float32), np.zeros(0, np.float32), np.float32([0, np.nan])]
)
def test_an_output_that_cannot_be_played_never_reaches_the_card(
    install: Install, output: np.ndarray
) -> None:
    library = install()
    with pytest.raises(ValueError, match="output"):
        SoundCard().play_and_record(output, RATE)
    assert library.opened == []


def test_devices_are_listed_with_the_best_way_first(install: Install) -> None:
    install(
        [
            device("line", hostapi=1),
            device("default"),
            device("USB bench (hw:1,0)", inputs=4),
            device("HDMI (hw:0,3)", inputs=0),
        ],
        hosts=("ALSA", "MME"),
    )
    listed = list_devices()
    assert [d.identity for d in listed] == [
        "ALSA: USB bench (hw:1,0)",
        "MME: line",
        "ALSA: default",
        "ALSA: HDMI (hw:0,3)",
    ]
    assert (listed[0].inputs, listed[0].outputs, listed[0].default_rate_hz) == (4, 2, 48000.0)
    assert listed[0].note == ""
    assert "lost blocks" in listed[1].note and "resamples" in listed[2].note


def test_error_codes_are_those_of_portaudio() -> None:
    """The library's own words for our numbers (portaudio.h)."""
    sd = pytest.importorskip("sounddevice", exc_type=(ImportError, OSError))
    words = {
        -9999: "Unanticipated host error",
        meas.audio.soundcard.INVALID_CHANNEL_COUNT: "Invalid number of channels",
        meas.audio.soundcard.INVALID_SAMPLE_RATE: "Invalid sample rate",
        meas.audio.soundcard.INVALID_DEVICE: "Invalid device",
        meas.audio.soundcard.DEVICE_UNAVAILABLE: "Device unavailable",
    }
    for number, text in words.items():
        assert sd._ffi.string(sd._lib.Pa_GetErrorText(number)).decode() == text

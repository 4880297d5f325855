"""A card with one input: the stream opens that one alone, and substitution works through it."""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
import pytest
from analogue_world import RATE_HZ, World
from fake_sounddevice import FakeSounddevice, device
from virtual_card import VirtualCard

import meas.audio.soundcard
import meas.audio.watchdog
from meas.audio.soundcard import SoundCard
from meas.bench.rig import Drive, Rig, Substitution, Wiring
from meas.curve import ImpedanceCurve
from meas.errors import BenchFailure, UsageError
from meas.excitation import stimulus
from meas.one_input.analysis import analyse_substituted

RESISTOR = World(Re=8.2, Le=0.0, L2=0.0, Qes=1e9)  # a coil that has no motor


def test_one_input_is_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    thread = meas.audio.watchdog.BoundedThread("the sound system")
    monkeypatch.setattr(meas.audio.soundcard, "_portaudio", thread)
    library = FakeSounddevice([device("one", inputs=1)])
    monkeypatch.setitem(sys.modules, "sounddevice", library)
    ramp = np.linspace(-0.5, 0.5, 9600, dtype=np.float32)
    capture = SoundCard(None, None, 1).play_and_record(ramp, 48000)
    assert capture.samples.shape == (9600, 2)
    np.testing.assert_array_equal(capture.samples[:, 0], capture.samples[:, 1])
    assert np.max(np.abs(capture.samples)) > 0.4
    with pytest.raises(UsageError):
        SoundCard(None, None, 0)


@pytest.mark.virtual_card
def test_substitution_through_the_virtual_card(virtual_card: VirtualCard) -> None:
    drive = Drive(woofer=True, sweep_seconds=1.0, gap_seconds=0.5, level=0.3)
    played = stimulus.build(drive, RATE_HZ)
    rig = Rig(name="bench-7f3a", wiring=Wiring(series_resistor_ohm=10.0), drive=drive)
    using = Substitution(known_resistor_ohm=8.2)
    before = virtual_card.world
    told = []
    try:
        # A loaded machine may lose blocks, which must then be refused, or start a stream in which
        # nothing is recorded: that is said, and repeated as its user would.
        for attempt in range(4):
            recorded = []
            try:
                for world in (RESISTOR, World()):
                    virtual_card.set_world(replace(world, noise=1e-5))
                    capture = SoundCard(None, None, 2).play_and_record(played.samples, RATE_HZ)
                    recorded.append(capture.samples[:, 1])
            except BenchFailure as error:
                assert "nothing was recorded" in str(error) and attempt < 3
                continue
            found = analyse_substituted(*recorded, RATE_HZ, rig, using, stimulus=played)
            told = [finding for finding in found.findings if finding.refuses]
            if not told:
                break
    finally:
        virtual_card.set_world(before)
    assert not told, told
    curve = found.curve
    assert isinstance(curve, ImpedanceCurve)
    true = World().impedance(curve.frequency_hz)
    inside = (curve.frequency_hz > 15) & (curve.frequency_hz < 1000)
    # Output of 0.5 ohm and resistors are as described; the phase is good to 0.1 % of Z here.
    assert np.max(np.abs(curve.impedance_ohm / true - 1)[inside]) < 0.005

"""The reduced form of `campaign_world.py`: benches nobody here built, a few faults each way."""

from __future__ import annotations

import warnings

import campaign_runs as runs
import campaign_world
import numpy as np
import pytest
from world import bench, card, circuit, driver, faults

from meas.errors import Refused
from meas.takes.analysis import analyse
from meas.takes.standard import measure_standard
from meas.validity.of_low_end import rising, too_high

NOW = "2026-11-01T10:00:00+00:00"


def test_the_circuit_is_the_divider():
    """Both nodes of a resistor as driver: R Z/(R + Z) by hand, whatever the source has inside."""
    unit = driver.Driver("dead", 8.0, 1e-6, 0.01, 1e-3, 1.0, 0.01)
    for side, share in (("hot", 8.0 / 18.0), ("ground", 10.0 / 18.0)):
        state = circuit.State(unit, 10.0, side, input_ohm=1e12, across_ohm=1e12)
        volts = circuit.nodes(circuit.Drive(20.0).samples, state)
        assert np.max(np.abs(volts[:, 1] - share * volts[:, 0])) < 1e-9


def test_a_free_frame_raises_the_resonance_by_newtons_third_law():
    unit = driver.Driver("it", 6.0, 6.0, 0.02, 1e-3, 1.0, 0.02)
    w = np.sqrt((1 / 0.02 + 1 / 0.4) / 1e-3)
    found = unit.mechanical(np.array([1j * w]), driver.frame(0.4, 0.0, 1e9))
    assert abs(found.imag[0]) < 1e-6 * w * unit.M


@pytest.mark.parametrize("index", range(4))
def test_healthy_benches_are_right(index):
    """Intervals of a calibrated bench hold: four benches, five quantities, three half-widths."""
    rng = runs.rng_of(5, index)
    made = bench.healthy(rng, calibrated=True, loaded=False)
    truth = made.driver.truth
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        seen = bench.sitting(made, rng)
        curves, _ = campaign_world._measured(seen, rng, campaign_world._calibration(seen, rng))
        fit = campaign_world.sitting_of(
            campaign_world.fit_driver(curves, campaign_world._session(made))
        )
    for name in ("Re", "fs", "Qms", "Qes", "Qts"):
        low, high = fit.parameters[name].interval_95
        value = fit.parameters[name].value
        assert value * (low / value) ** 3 < truth[name] < value * (high / value) ** 3, name


def one_way(index, name):
    rng = runs.rng_of(6, index)
    made = bench.healthy(rng, calibrated=True, loaded=False)
    one = circuit.Drive(made.drive.low_hz, both_ways=False)
    return faults.put(bench.replace(made, drive=one), [name], rng), rng


def calibrated(made, rng):
    joined = campaign_world._calibration(made, rng)
    rig = campaign_world._rig(made)
    return analyse(made.take(bench.FREE, rng), circuit.RATE, rig, calibration=joined)


@pytest.mark.parametrize("index", range(6))
def test_a_gain_that_creeps_in_a_single_sweep_is_refused(index):
    """3 % to 60 % over one sweep up, of which there is no second one to compare with."""
    found = calibrated(*one_way(index, "creeping-gain"))
    assert found.refused, [finding.code for finding in found.findings]


@pytest.mark.parametrize("ratio_db", [35.0, 45.0])
def test_a_compressed_calibration_is_refused(ratio_db):
    """A codec whose steps lie 35 and 45 dB below each band: 1.8 and 0.6 % of distortion, which go
    into every take that such a calibration corrects. The same bench without it is calibrated.
    """
    for index in range(3):
        rng = runs.rng_of(6, index)
        made = bench.healthy(rng, calibrated=True, loaded=False)
        rig = campaign_world._rig(made)
        measure_standard(made.calibration(rng), circuit.RATE, rig, "default", NOW)
        codec = bench.replace(made, on_calibration=(card.compressed(ratio_db, 16e3),))
        with pytest.raises(Refused):
            measure_standard(codec.calibration(rng), circuit.RATE, rig, "default", NOW)


def low_end(index, name=None):
    """A drawn bench's curve up to 20 kHz, with a fault, without any noise."""
    rng = runs.rng_of(11, index)
    made = bench.healthy(rng, calibrated=True, loaded=False)
    if name is not None:
        made = faults.put(made, [name], rng)
    f = np.geomspace(made.drive.low_hz, 20000, 300)
    unit, state = made.driver, made.state
    return rng, f, unit.impedance(2j * np.pi * f, state.held, state.moved), unit.truth["fs"]


@pytest.mark.parametrize("seconds", [0.07, 0.13, 0.45])
def test_a_sweep_that_begins_soon_is_no_fault(seconds):
    """So late the recording was started; what came before the sweep is silence all the same."""
    rng = runs.rng_of(21, 1)
    made = bench.replace(bench.healthy(rng, calibrated=True, loaded=False), late_by=0.6 - seconds)
    assert not calibrated(made, rng).refused


@pytest.mark.parametrize("name", [None, "hand-held", "loose-frame", "soft-surface"])
def test_below_its_resonance_the_resistance_of_a_driver_falls(name):
    """Mass on a spring, with creep, its frame moving: monotonic by circuit theory, and so to the
    low end also where inputs differ by 3 % of gain, a sample and 0.3 Hz of coupling."""
    for index in range(40):
        rng, f, z, fs = low_end(index, name)
        gain, delay, corner = rng.uniform(-1, 1, 3) * (0.03, 1.0, 0.3)
        ratio = z / (10.0 + z) * (1 + gain) * np.exp(2j * np.pi * f * delay / 48000)
        ratio = ratio * np.exp(1j * corner / f)
        seen = 10.0 * ratio / (1 - ratio)
        assert not rising(f, seen, 1e-4 * np.abs(seen), 1.1 * fs), index


def test_it_rises_again_where_another_resonance_lies_at_the_low_end():
    """A vented box tuned to a third of fs and less: at its tuning the air in the vent holds the
    cone, below it both give way (Newton's laws); the sweep begins at a fifth."""
    for index in range(40):
        rng, f, _, fs = low_end(index)
        unit = bench.healthy(runs.rng_of(11, index), calibrated=True).driver
        m3 = unit.truth["Vas"]
        box = driver.chamber(unit.Sd, m3, driver.vent(m3, f[0] * float(rng.uniform(1.25, 1.6)), 10))
        z = unit.impedance(2j * np.pi * f, moved=(box,))
        (found,) = rising(f, z, 1e-4 * np.abs(z), fs * 2**0.5)
        assert found.refuses and found.code == "two-resonances"


def test_air_shut_in_below_a_woofer_on_its_face_is_doubted():
    """The spring of the air in a gap of half a litre and less adds to that of the suspension: above
    500 Hz nothing else in the curve tells it from a small driver (Newton's laws)."""
    for index in range(20):
        rng, f, _, fs = low_end(index)
        unit = bench.healthy(runs.rng_of(11, index), calibrated=True).driver
        gap = driver.chamber(unit.Sd, unit.truth["Vas"] / float(rng.uniform(1500, 3000)))
        z = unit.impedance(2j * np.pi * f, moved=(gap,))
        raised = f[np.argmax(np.where(f < 60 * fs, z.real, 0))]
        assert bool(too_high(raised, True)) == (raised >= 500)
        assert bool(too_high(raised, False)) == (raised >= 2500)
        assert not too_high(min(fs, 499.0), True) and not too_high(2499.0, False)


SHOWN_BY_A_CHECK = {
    "nothing": lambda made: made,
    "another resistor than stated": lambda made: made.with_state(
        resistor_ohm=1.1 * made.state.resistor_ohm
    ),
    "a resistor across the driver": lambda made: made.with_state(across_ohm=200.0),
    "channels that mix": lambda made: made.effect(card.mixed(0.02, 0.02), also_calibration=True),
    "a knob touched": lambda made: bench.replace(made, drift=(0.02, 0.0)),
}


@pytest.mark.parametrize("fault", SHOWN_BY_A_CHECK)
def test_a_check_after_the_takes_shows_what_takes_hide(fault):
    """22 ohm within 0.1 % behind 10 ohm within 1 %, calibrated: 10 % of the resistor, 200 ohm
    across it (10 % less) and 2 % of mixing or of gain (5 and 6 % more) are found, a healthy bench
    is not doubted.
    """
    rng = runs.rng_of(9)
    made = bench.healthy(rng, calibrated=True, loaded=False)
    near = 10.0 * (1 + 0.009 * float(rng.uniform(-1, 1)))
    made = bench.replace(
        made.with_state(resistor_ohm=near, side="hot"), resistor_stated=10.0, noise=3e-5
    )
    made = SHOWN_BY_A_CHECK[fault](made)
    standard = campaign_world._calibration(made, rng)
    if fault == "nothing":
        campaign_world._check(made, rng, standard)
        return
    with pytest.raises(Refused) as raised:
        campaign_world._check(made, rng, standard)
    assert [reason.code for reason in raised.value.reasons] == ["bench-disagrees"]


@pytest.mark.parametrize("fault", ["neighbour-value"])
def test_who_follows_the_advice_is_not_silently_wrong(fault):
    """The campaign itself, one bench of each, by an owner with a multimeter and a resistor."""
    row = campaign_world.one(2026, 3, (fault,), False, "mean", "careful")
    assert row["outcome"] in ("right", "outside", "doubted", "refused rightly"), row
    assert campaign_world.by_fault([row])[0][0] == fault


@pytest.mark.parametrize("told", [44100, 96000])
def test_a_header_of_another_rate_shows_in_the_hum_of_a_short_silence(told):
    """0.6 and 0.9 s of silence, which a header of twice the rate makes 0.3 and 0.45 s."""
    for index in range(3):
        rng = runs.rng_of(6, index)
        made = bench.healthy(rng, calibrated=False, loaded=False)
        made = bench.replace(made, rate_told=told, hum=1e-4)
        found = analyse(made.take(bench.FREE, rng), told, campaign_world._rig(made))
        assert "wrong-rate" in [finding.code for finding in found.findings if finding.refuses]

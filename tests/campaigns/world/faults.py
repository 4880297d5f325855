"""The catalogue of what goes wrong: one function each, from the physics of the fault."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from world import card, driver
from world.bench import FREE, Bench

Rng = np.random.Generator


@dataclass(frozen=True)
class Fault:
    """A fault with the reasons for a refusal that name it."""

    family: str
    put: Callable[[Bench, Rng], Bench]
    reasons: frozenset[str]


CATALOGUE: dict[str, Fault] = {}


SCALE = ("unknown-resistor", "bench-disagrees")
"""Refusals by a multimeter and by a known resistor in the driver's place."""


def _fault(family: str, *reasons: str, name: str | None = None):
    def register(put):
        told = name or put.__name__.replace("_", "-")
        CATALOGUE[told] = Fault(family, put, frozenset(reasons))
        return put

    return register


def _log(rng: Rng, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _sign(rng: Rng) -> float:
    return float(rng.choice([-1.0, 1.0]))


def _woofer_like(bench: Bench) -> bool:
    return bench.driver.truth["fs"] < 400


SHAPE = (
    "poor-fit", "two-resonances", "not-a-woofer", "high-resonance", "not-causal", "set-up",
    "no-resonance",
)  # fmt: skip
"""Refusals that say: the curve is not that of one driver in free air."""


# --- mounting -------------------------------------------------------------------------------


@_fault("mounting", *SHAPE)
def face_down(bench: Bench, rng: Rng) -> Bench:
    Sd = bench.driver.Sd
    m3 = Sd * _log(rng, 0.005, 0.03)
    opening = driver.vent(m3, _log(rng, 30, 600), _log(rng, 1, 12))
    return bench.with_state(moved=(driver.chamber(Sd, m3, opening),))


@_fault("mounting", *SHAPE)
def loose_frame(bench: Bench, rng: Rng) -> Bench:
    hz = bench.driver.truth["fs"] * _log(rng, 0.1, 0.6)
    return bench.with_state(held=driver.frame(bench.driver.frame_kg, hz, _log(rng, 2, 15)))


@_fault("mounting", *SHAPE)
def soft_surface(bench: Bench, rng: Rng) -> Bench:
    hz = bench.driver.truth["fs"] * _log(rng, 0.6, 3)
    return bench.with_state(held=driver.frame(bench.driver.frame_kg, hz, _log(rng, 2, 10)))


@_fault("mounting", *SHAPE)
def hand_held(bench: Bench, rng: Rng) -> Bench:
    kg = bench.driver.frame_kg + _log(rng, 0.1, 0.5)
    return bench.with_state(held=driver.frame(kg, _log(rng, 3, 9), _log(rng, 0.7, 2)))


@_fault("mounting", *SHAPE)
def vented_box_tuned_low(bench: Bench, rng: Rng) -> Bench:
    unit = bench.driver
    m3 = unit.truth["Vas"] * _log(rng, 0.5, 3)
    low = unit.truth["fs"] * _log(rng, 0.2, 0.5)
    return bench.with_state(moved=(driver.chamber(unit.Sd, m3, driver.vent(m3, low, 10)),))


def _on_load(name: str, change):
    def put(bench: Bench, rng: Rng) -> Bench:
        if not any(one.name == name for one in bench.conditions):
            value = bench.driver.M * 0.7 if name == "added-mass" else bench.driver.truth["Vas"]
            part = (
                driver.mass(value)
                if name == "added-mass"
                else driver.chamber(bench.driver.Sd, value)
            )
            load = replace(FREE, name=name, stated=value, limits=0.02 * value, moved=(part,))
            bench = replace(bench, conditions=(*bench.conditions, load))
        changed = tuple(
            change(bench, one, rng) if one.name == name else one for one in bench.conditions
        )
        return replace(bench, conditions=changed)

    return put


MASS = ("mass-disagrees", "area-disagrees", "unit-changed", "wrong-condition")
BOX = ("leaky-box", "area-disagrees", "unit-changed", "wrong-condition")


def _soft_putty(bench, load, rng):
    hz = bench.driver.truth["fs"] * _log(rng, 3, 12)
    return replace(load, moved=(driver.resonator(load.stated, hz, _log(rng, 0.7, 5)),))


def _wrong_mass(bench, load, rng):
    return replace(
        load, moved=(driver.mass(load.stated * (1 + _sign(rng) * _log(rng, 0.05, 0.2))),)
    )


def _wrong_box(bench, load, rng):
    true = load.stated * (1 + _sign(rng) * _log(rng, 0.05, 0.2))
    return replace(load, moved=(driver.chamber(bench.driver.Sd, true),))


def _leaking_box(bench, load, rng):
    leak = driver.slit(load.stated, bench.driver.truth["fs"] * _log(rng, 0.03, 0.5))
    return replace(load, moved=(driver.chamber(bench.driver.Sd, load.stated, leak),))


def _lined_box(bench, load, rng):
    """Fibres hold the air at one temperature: up to 1.4 times the volume, and they brake."""
    m3, w = load.stated * float(rng.uniform(1.08, 1.35)), 2 * math.pi * bench.driver.truth["fs"]
    stiff = driver.chamber(bench.driver.Sd, m3)
    brake = float(rng.uniform(0.02, 0.15)) * driver.RHO * driver.SPEED**2 * bench.driver.Sd**2 / m3
    return replace(load, moved=(stiff, lambda s: 0 * s + brake / w))


for _name, _condition, _change, _codes in (
    ("soft-putty", "added-mass", _soft_putty, (*MASS, *SHAPE)),
    ("wrong-mass", "added-mass", _wrong_mass, MASS),
    ("wrong-box", "test-box", _wrong_box, BOX),
    ("leaking-box", "test-box", _leaking_box, BOX),
    ("lined-box", "test-box", _lined_box, BOX),
):
    _fault("load", *_codes, name=_name)(_on_load(_condition, _change))


# --- card and system -------------------------------------------------------------------------


@_fault("card", "mixed-channels", "not-causal", *SCALE, "same-signal")
def mixed_channels(bench: Bench, rng: Rng) -> Bench:
    share = _log(rng, 0.005, 0.8)
    # Mixing is put in before both captures: on one node it shows as nothing but a gain.
    return bench.effect(card.mixed(share, share if rng.random() < 0.7 else 0.0),
                        also_calibration=True)  # fmt: skip


@_fault("card", "mixed-channels", "not-causal", *SCALE)
def crosstalk(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.leaking(_sign(rng) * _log(rng, 1e-3, 3e-2), _log(rng, 2e3, 2e4)),
                        also_calibration=True)  # fmt: skip


@_fault("card", *SCALE)
def common_ground(bench: Bench, rng: Rng) -> Bench:
    return bench.with_state(lead_ohm=bench.state.lead_ohm + _log(rng, 0.02, 0.3))


@_fault("card", *SCALE)
def input_loads(bench: Bench, rng: Rng) -> Bench:
    return replace(bench.with_state(input_ohm=_log(rng, 3e3, 5e4)), input_stated=None)


@_fault("card", "not-causal", "not-a-coil", *SCALE)
def unlike_high_pass(bench: Bench, rng: Rng) -> Bench:
    first = _log(rng, 1, 15)
    return bench.effect(card.high_passed(first, first * (1 + _sign(rng) * _log(rng, 0.03, 0.3))))


@_fault("card", "channel-slip", "dropout")
def slip_of_a_sample(bench: Bench, rng: Rng) -> Bench:
    at = float(rng.uniform(0.1, 0.9)) * bench.drive.samples.size / 48000
    return bench.effect(card.slipped(at, int(rng.integers(1, 3))))


@_fault("card", "gain-riding", "not-causal")
def creeping_gain(bench: Bench, rng: Rng) -> Bench:
    begin = 0.6 + float(rng.uniform(0, 0.3))
    return bench.effect(
        card.creeping_gain(_sign(rng) * _log(rng, 0.03, 0.6), begin, begin + bench.drive.seconds)
    )


@_fault("card", "gain-riding", "not-causal", "processed")
def automatic_gain(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.levelled(_log(rng, 0.05, 1), linked=False))


@_fault("card", "gain-riding", "processed")
def linked_gain(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.levelled(_log(rng, 0.05, 1), linked=True))


@_fault("card", "processed", "gain-riding", "nonlinear", "not-causal", "disturbance", "dropout")
def noise_suppressed(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.gated(_log(rng, 0.3, 0.97), _log(rng, 1e-3, 3e-2)))


@_fault("card", "processed", "gain-riding", "not-causal", "nonlinear")
def echo_cancelled(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.echo_cancelled(_log(rng, 0.05, 0.9), bench.drive.samples))


@_fault("card", "processed", "nonlinear", "not-causal", "gain-riding", "dropout", "disturbance")
def compressed_take(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.compressed(_log(rng, 25, 60), float(rng.choice([11e3, 15e3, 16e3]))))


@_fault("card", "processed", "nonlinear", "calibration")
def compressed_calibration(bench: Bench, rng: Rng) -> Bench:
    codec = card.compressed(_log(rng, 25, 60), float(rng.choice([11e3, 15e3, 16e3])))
    return replace(bench, calibrated=True, on_calibration=(*bench.on_calibration, codec))


@_fault("card", "processed")
def resampled(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.resampled(*((147, 160) if rng.random() < 0.5 else (2, 3))))


@_fault("card", "faint")
def few_bits(bench: Bench, rng: Rng) -> Bench:
    return replace(bench, bits=int(rng.integers(8, 13)))


@_fault("card", "wrong-rate")
def header_of_another_rate(bench: Bench, rng: Rng) -> Bench:
    return replace(bench, rate_told=int(rng.choice([44100, 96000])), hum=max(bench.hum, 1e-4))


@_fault("card", "clipped")
def clipped(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.clipped(1 - _log(rng, 0.005, 0.3)))


@_fault("card", "hum")
def hum(bench: Bench, rng: Rng) -> Bench:
    return bench.effect(card.humming(_log(rng, 1e-3, 3e-2), float(rng.choice([49.98, 59.99]))))


# --- bench -----------------------------------------------------------------------------------


@_fault("bench", "drifted", *SCALE)
def knob_touched(bench: Bench, rng: Rng) -> Bench:
    change = _sign(rng) * _log(rng, 0.003, 0.15)
    return replace(bench, calibrated=True, drift=(change, bench.drift[1]))


@_fault("bench", "drifted", *SCALE)
def delay_changed(bench: Bench, rng: Rng) -> Bench:
    change = _sign(rng) * _log(rng, 0.02, 0.9)
    return replace(bench, calibrated=True, drift=(bench.drift[0], change))


@_fault("bench", *SCALE)
def contact_at_resistor(bench: Bench, rng: Rng) -> Bench:
    return bench.with_state(resistor_ohm=bench.state.resistor_ohm + _log(rng, 0.02, 0.2))


@_fault("bench", *SCALE)
def contact_in_leads(bench: Bench, rng: Rng) -> Bench:
    return bench.with_state(lead_ohm=_log(rng, 0.02, 0.2))


@_fault("bench", "gain-riding", "disturbance", "dropout", "not-causal", "nonlinear")
def stepping_contact(bench: Bench, rng: Rng) -> Bench:
    at = 0.6 + float(rng.uniform(0.1, 0.9)) * bench.drive.seconds
    name = "resistor_ohm" if rng.random() < 0.5 else "lead_ohm"
    worse = replace(bench.state, **{name: getattr(bench.state, name) + _log(rng, 0.02, 0.2)})
    return replace(bench, later=(at, worse))


@_fault("bench", *SCALE)
def wirewound(bench: Bench, rng: Rng) -> Bench:
    return bench.with_state(resistor_henry=_log(rng, 0.5e-6, 2e-5))


@_fault("bench", *SCALE)
def forgotten_resistor(bench: Bench, rng: Rng) -> Bench:
    return bench.with_state(across_ohm=_log(rng, 10, 200))


@_fault("bench", *SCALE)
def neighbour_value(bench: Bench, rng: Rng) -> Bench:
    return bench.with_state(resistor_ohm=bench.state.resistor_ohm * float(rng.choice([0.9, 1.1])))


@_fault("bench")
def late_start(bench: Bench, rng: Rng) -> Bench:
    """The sweep begins this soon in the recording; no fault, but it must not be called one."""
    return replace(bench, late_by=0.6 - float(rng.choice([0.07, 0.13, 0.45])))


# --- driver ----------------------------------------------------------------------------------

BENT = ("nonlinear", "rub", "gain-riding")


@_fault("driver", *BENT)
def amplitude_dependent(bench: Bench, rng: Rng) -> Bench:
    change, uneven = _sign(rng) * _log(rng, 0.005, 0.08), float(rng.uniform(-0.05, 0.05))
    stiff = 1 / bench.driver.C

    def force(x, v):
        top = np.max(np.abs(x))
        return -stiff * x * (change * (x / top) ** 2 + uneven * x / top)

    return bench.with_state(force=force)


@_fault("driver", "unit-changed", "gain-riding", "not-causal")
def coil_heats(bench: Bench, rng: Rng) -> Bench:
    time = np.arange(bench.drive.samples.size) / 48000 - 0.6
    warm = np.clip(time / bench.drive.seconds, 0, 1) * _log(rng, 0.003, 0.03)
    return bench.with_state(heat=warm)


@_fault("driver", *BENT)
def rubbing(bench: Bench, rng: Rng) -> Bench:
    share, from_ = _log(rng, 0.02, 0.3), float(rng.uniform(0.3, 0.8))

    def force(x, v):
        top, fast = np.max(np.abs(x)), np.max(np.abs(v))
        touches = x > from_ * top
        return -share * top / bench.driver.C * touches * np.tanh(20 * v / fast) * 0.2

    return bench.with_state(force=force)


@_fault("driver", *BENT, "small-resonance")
def loose_piece(bench: Bench, rng: Rng) -> Bench:
    hz = bench.driver.truth["fs"] * _log(rng, 2, 15)
    loose = driver.resonator(bench.driver.M * _log(rng, 0.003, 0.05), hz, _log(rng, 5, 30))
    return bench.with_state(moved=(*bench.state.moved, loose))


@_fault("driver", *SHAPE)
def second_resonator(bench: Bench, rng: Rng) -> Bench:
    hz = bench.driver.truth["fs"] * _log(rng, 1.2, 3)
    second = driver.resonator(bench.driver.M * _log(rng, 0.03, 0.5), hz, _log(rng, 3, 20))
    return bench.with_state(moved=(*bench.state.moved, second))


@_fault("driver", "no-resonance", "resonance-at-edge")
def sweep_stops_short(bench: Bench, rng: Rng) -> Bench:
    start = bench.driver.truth["fs"] * _log(rng, 1.1, 2.5)
    return replace(bench, drive=replace(bench.drive, low_hz=start))


def put(bench: Bench, names, rng: Rng) -> Bench:
    for name in names:
        bench = CATALOGUE[name].put(bench, rng)
    return replace(bench, faults=tuple(names))

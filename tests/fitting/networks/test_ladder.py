"""Ladder networks against hand results, two-port theory and the handbook's examples."""

import numpy as np
import pytest
import skrf

from fit.crossover.ladder import Arm, Part, parallel, part_power, solve_ladder
from fit.crossover.textbook import (
    attenuator,
    compensation,
    first_order_parts,
    second_order_parts,
)

FREQUENCY = np.geomspace(20, 20000, 200)
DRIVER = 6.0 + 2j * np.pi * FREQUENCY * 0.4e-3


def test_compensation_makes_the_driver_a_resistor():
    # Re 6, Le 0.5 mH -> 13.889 uF (worked by hand); exactly Re at every frequency.
    R, C = compensation(6.0, 0.5e-3)
    assert pytest.approx(13.889e-6, abs=5e-10) == C
    load = 6.0 + 2j * np.pi * FREQUENCY * 0.5e-3
    arm = Arm("shunt", (Part("resistor", R), Part("capacitor", C)))
    assert solve_ladder(FREQUENCY, [arm], load).input_ohm == pytest.approx(6.0, rel=1e-12)


def test_first_order_values():
    # 8 ohm at 3 kHz: 6.6315 uF, 0.42441 mH (worked by hand).
    C, L = first_order_parts(3000.0, 8.0)
    assert (C, L) == pytest.approx((6.6315e-6, 0.42441e-3), abs=5e-9)


def test_second_order_has_its_q_at_the_corner():
    C, L = second_order_parts(2000.0, 8.0, 0.7)
    arms = [Arm("series", (Part("inductor", L),)), Arm("shunt", (Part("capacitor", C),))]
    at_corner = np.array([2000.0])
    transfer = solve_ladder(at_corner, arms, np.array([8.0 + 0j])).transfer
    assert abs(transfer[0]) == pytest.approx(0.7, rel=1e-12)


def test_attenuator_keeps_the_load():
    series, shunt = attenuator(8.0, 6.0)
    arms = [Arm("series", (Part("resistor", series),)), Arm("shunt", (Part("resistor", shunt),))]
    solution = solve_ladder(FREQUENCY, arms, np.full(FREQUENCY.shape, 8.0 + 0j))
    assert solution.input_ohm == pytest.approx(8.0)
    assert 20 * np.log10(abs(solution.transfer)) == pytest.approx(-6.0)


def test_against_a_network_analysis_library():
    """scikit-rf cascades the same four arms as two-ports; agreement to rounding."""
    arms = [
        Arm("series", (Part("inductor", 0.9e-3, series_ohm=0.4),)),
        Arm("shunt", (Part("capacitor", 12e-6, series_ohm=0.1), Part("resistor", 2.2))),
        Arm("series", (Part("resistor", 1.5),)),
        Arm("shunt", (Part("inductor", 0.35e-3, series_ohm=0.3, core_ohm=900.0),)),
    ]
    solution = solve_ladder(FREQUENCY, arms, DRIVER)
    cascade = np.tile(np.eye(2, dtype=complex), (FREQUENCY.size, 1, 1))
    for arm in arms:
        step = np.tile(np.eye(2, dtype=complex), (FREQUENCY.size, 1, 1))
        z = arm.impedance(FREQUENCY)
        if arm.place == "series":
            step[:, 0, 1] = z
        else:
            step[:, 1, 0] = 1 / z
        cascade = cascade @ step
    z = skrf.network.a2z(cascade)
    expected = z[:, 0, 0] - z[:, 0, 1] * z[:, 1, 0] / (z[:, 1, 1] + DRIVER)
    assert solution.input_ohm == pytest.approx(expected, rel=1e-9)


def test_power_balances():
    """What the source delivers is what parts and load turn into heat (Tellegen)."""
    arms = [
        Arm("series", (Part("capacitor", 6.8e-6, series_ohm=0.2),)),
        Arm("shunt", (Part("inductor", 0.4e-3, series_ohm=0.5),)),
    ]
    solution = solve_ladder(FREQUENCY, arms, DRIVER)
    heat = sum(p for arm in part_power(FREQUENCY, arms, solution, 2.83) for p in arm)
    load = abs(solution.transfer / DRIVER * 2.83) ** 2 * DRIVER.real
    delivered = 2.83**2 * (1 / solution.input_ohm).real
    assert heat + load == pytest.approx(delivered, rel=1e-12)


def test_parallel_branches():
    assert parallel([np.array([8 + 0j]), np.array([8 + 0j])])[0] == pytest.approx(4.0)

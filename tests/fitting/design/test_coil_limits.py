"""Limits of former and gap through a coil plan, against hand results."""

import math

import pytest

from fit.design.coil_limits import coil_uncertainty
from fit.design.winding import Coil, Former, Gap
from fit.design.wire import COPPER, enamelled
from fit.given.measured import Stated

COIL = Coil(enamelled(0.2e-3, COPPER), Former(19.8e-3, 0.1e-3), 4, 152)
GAP = Gap(19.2e-3, 22.6e-3, 6e-3)


def stated(value: float, half_width: float, name: str) -> Stated:
    return Stated(value, half_width, name, name)


def test_length_grows_with_the_former_by_pi_per_turn():
    # Length = pi * sum of diameters, so d length / d former = pi * turns, exactly.
    found = coil_uncertainty(COIL, None, None, {"former": stated(20e-3, 0.1e-3, "former")})
    expected = math.pi * 152 * 0.1e-3 / math.sqrt(3)  # rectangular limits: JCGM 100, 4.3.7
    assert found["length_m"].standard_uncertainty == pytest.approx(expected, rel=1e-6)
    relative = expected / COIL.length
    resistance = found["resistance_20C_ohm"]
    assert resistance.standard_uncertainty / resistance.value == pytest.approx(relative, rel=1e-6)


def test_clearance_is_half_the_difference_of_diameters():
    given = {"plate": stated(22.6e-3, 0.06e-3, "plate"), "pole": stated(19.2e-3, 0.04e-3, "pole")}
    found = coil_uncertainty(COIL, GAP, None, given)
    assert found["clearance_outside_m"].standard_uncertainty == pytest.approx(
        0.03e-3 / math.sqrt(3), rel=1e-6
    )
    assert found["clearance_inside_m"].standard_uncertainty == pytest.approx(
        0.02e-3 / math.sqrt(3), rel=1e-6
    )
    assert found["length_m"].standard_uncertainty == 0


def test_program_shows_what_limits_leave_open(capsys):
    from cli.main import run

    words = ["wind", "--wire", "0.2mm", "--former", "20mm±0.1mm", "--layers", "4", "--turns", "152"]
    assert run(words) == 0
    shown = capsys.readouterr().out
    assert "By the limits of former and gap" in shown
    assert run([*words[:2], "0.2mm±0.01mm", *words[3:]]) == 2
    assert "--wire" in capsys.readouterr().err

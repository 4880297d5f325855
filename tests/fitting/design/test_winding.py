"""Coils against elementary geometry, elliptic integrals and facts of the trade."""

import math

import numpy as np
import pytest
from scipy.special import ellipe, ellipk

from fit.design.winding import Coil, Former, Gap, cautions, targets, turns_in_height
from fit.design.winding_search import WantedCoil, solutions
from fit.design.wire import ALUMINIUM, PREFERRED_MM, Wire, awg, enamelled
from fit.results.judge import judge
from fit.results.result import Estimate
from meas.errors import Refused, UsageError

FORMER = Former(inside_diameter=19.8e-3, thickness=0.1e-3)
WIRE = enamelled(0.2e-3)
GAP = Gap(pole_diameter=19.2e-3, plate_diameter=22.6e-3, height=6e-3)


def test_a_coil_by_hand():
    # Exact wire 0.20 over 0.22 mm on 20 mm, 2 layers of 40: mean diameters 20.22 and 20.66 mm,
    # length 40 pi (20.22 + 20.66) mm = 5.1371 m, height 8.8 mm, outside 20.88 mm;
    # 5.1371 m x 0.54412 ohm/m = 2.7952 ohm.
    coil = Coil(Wire(0.2e-3, 0.22e-3, 0.22e-3), FORMER, 2, 80)
    assert coil.mean_diameters == pytest.approx((20.22e-3, 20.66e-3))
    assert coil.length == pytest.approx(5.1371, abs=5e-5)
    assert coil.height == pytest.approx(8.8e-3)
    assert coil.outside_diameter == pytest.approx(20.88e-3)
    assert coil.resistance[1] == pytest.approx(2.7952, abs=3e-4)
    low, nominal, high = coil.resistance
    assert low < nominal < high
    # Copper at 120 C: 1 + 0.00393 x 100 (IEC 60028).
    assert coil.resistance_at(393.15) == pytest.approx(1.393 * nominal, rel=1e-9)
    # 8.89 g/cm3 on 31.416e-3 mm2 and enamel of 6.6e-3 mm2: 0.2886 g/m.
    assert coil.mass == pytest.approx(5.1371 * 0.2886e-3, rel=1e-3)


def test_the_coil_of_common_practice():
    # 0.2 mm wire in 4 layers on a former of about 20 mm makes about 5.5 ohm (common practice, no
    # source), at a winding height of 7 to 11 mm.
    (best, *_) = solutions(WantedCoil(5.5), FORMER, [WIRE], [4])
    assert best.resistance[1] == pytest.approx(5.5, rel=0.02)
    assert 7e-3 < best.height < 11e-3
    assert best.layers == 4


@pytest.mark.parametrize(
    ("layers", "turns", "rows"),
    [(2, 80, (40, 40)), (4, 150, (38, 38, 38, 36)), (3, 4, (2, 1, 1)), (4, 4, (1, 1, 1, 1)),
     (1, 7, (7,))],
)  # fmt: skip
def test_turns_are_shared_out_among_layers(layers, turns, rows):
    assert Coil(WIRE, FORMER, layers, turns).turns_per_layer == rows
    assert sum(rows) == turns


def _loops(coil):
    """Inductance by the sum over all pairs of turns; J. C. Maxwell, Treatise, 1873, art. 701.

    Self-inductance of a loop of uniform current: mu0 R (ln(8 R/r) - 7/4).
    """
    radius, height = [], []
    for n, d in zip(coil.turns_per_layer, coil.mean_diameters, strict=True):
        radius += [d / 2] * n
        height += list(np.arange(n) * coil.wire.overall)
    a, z = np.array(radius), np.array(height)
    mu0 = 4e-7 * np.pi
    gap2 = (z[:, None] - z) ** 2
    product = a[:, None] * a
    m = 4 * product / ((a[:, None] + a) ** 2 + gap2)
    np.fill_diagonal(m, 0.5)  # any value: replaced below
    k = np.sqrt(m)
    mutual = mu0 * np.sqrt(product) * ((2 / k - k) * ellipk(m) - 2 / k * ellipe(m))
    np.fill_diagonal(mutual, mu0 * a * (np.log(8 * a / (coil.wire.bare / 2)) - 1.75))
    return float(mutual.sum())


@pytest.mark.parametrize(
    ("bare", "layers", "turns"),
    [(0.2, 4, 154), (0.2, 2, 80), (0.1, 2, 100), (0.3, 2, 60), (0.16, 8, 400), (0.1, 2, 60)],
)
def test_inductance_without_iron(bare, layers, turns):
    coil = Coil(enamelled(bare / 1e3), FORMER, layers, turns)
    assert coil.air_core_inductance == pytest.approx(_loops(coil), rel=0.05)


def test_clearances_and_what_they_mean():
    coil = Coil(WIRE, FORMER, 4, 152)
    inner, outer = coil.clearances(GAP)
    assert inner == pytest.approx(0.3e-3)
    # Largest overall diameter 0.226 mm: 20 + 8 x 0.226 = 21.808 mm in 22.6 mm.
    assert outer == pytest.approx(0.396e-3)
    assert cautions(coil, GAP) == ()
    (tight,) = cautions(coil, Gap(19.2e-3, 22.1e-3, 6e-3))
    assert (tight.code, tight.refuses) == ("tight-gap", False)
    assert "0.15 mm between coil and plate" in tight.text
    (jammed,) = cautions(coil, Gap(19.2e-3, 21.5e-3, 6e-3))
    assert (jammed.code, jammed.refuses) == ("does-not-fit", True)
    assert "0.15 mm are missing" in jammed.text


def test_odd_layers_are_told():
    assert [f.code for f in cautions(Coil(WIRE, FORMER, 3, 114))] == ["odd-layers"]


def test_current_density():
    coil = Coil(WIRE, FORMER, 4, 152)
    # 30 A/mm2 x 0.031416 mm2 = 0.9425 A; squared times R.
    assert coil.power_at_density() == pytest.approx(0.9425**2 * coil.resistance[1], rel=1e-4)
    assert cautions(coil, power=4.0) == ()
    (hot,) = cautions(coil, power=20.0)
    assert hot.code == "hot-coil"
    assert "61 A/mm2" in hot.text  # sqrt(20/5.4)/0.0314


def test_wire_in_the_gap():
    coil = Coil(WIRE, FORMER, 4, 152)  # 38 x 0.22 mm = 8.36 mm high
    assert coil.length_in_gap(GAP.height) == pytest.approx(coil.length * 6 / 8.36)
    assert coil.length_in_gap(12e-3) == coil.length


def test_turns_by_winding_height():
    assert turns_in_height(WIRE, 4, 8.8e-3) == 160
    assert turns_in_height(WIRE, 4, 8.79e-3) == 156


def test_backwards_finds_what_forwards_makes():
    coil = Coil(enamelled(0.16e-3), FORMER, 2, 90)
    wires = [enamelled(d / 1e3) for d in (0.1, 0.125, 0.16, 0.2, 0.25)]
    found = solutions(WantedCoil(coil.resistance[1]), FORMER, wires, [2, 4])
    assert found[0] == coil
    distances = [abs(math.log(c.resistance[1] / coil.resistance[1])) for c in found]
    assert distances == sorted(distances)


def test_at_least_means_even_with_the_best_copper():
    wires = [enamelled(awg(n)) for n in (28, 30, 32, 34)]
    for coil in solutions(WantedCoil(6.0, at_least=True), FORMER, wires, [2, 4]):
        assert coil.resistance[0] >= 6.0


def test_room_is_respected():
    wish = WantedCoil(5.5, height=10e-3, gap=GAP)
    wires = [enamelled(d / 1e3) for d in (0.1, 0.16, 0.2, 0.25, 0.315)]
    found = solutions(wish, FORMER, wires, [2, 4, 8])
    assert found
    for coil in found:
        assert coil.height <= 10e-3
        assert min(coil.clearances(GAP)) > 0
        assert coil.resistance[1] == pytest.approx(5.5, rel=0.11)


def test_no_room_says_what_came_closest():
    with pytest.raises(Refused, match="no-coil") as refusal:
        solutions(WantedCoil(5.5, height=2e-3, gap=GAP), FORMER, [WIRE], [4])
    text = refusal.value.reasons[0].text
    assert "4 layers of 0.2 mm" in text
    assert "where 2.0 mm may be" in text


def test_aluminium_needs_fewer_turns_and_weighs_less():
    light = solutions(WantedCoil(5.5), FORMER, [enamelled(0.2e-3, ALUMINIUM)], [4])[0]
    copper = solutions(WantedCoil(5.5), FORMER, [WIRE], [4])[0]
    assert light.turns < copper.turns
    # Resistivity over density: (58.5/35.7) x (2703/8890) with enamel on top: less than 0.5.
    assert light.mass < 0.3 * copper.mass


def test_targets_of_a_plan_judge_the_coil_that_was_wound():
    coil = Coil(WIRE, FORMER, 4, 152)
    measured = {"Re": Estimate(coil.resistance[1], "ohm", {"random:x": 0.02})}
    assert judge(measured, targets(coil))[0].verdict == "inside"
    short = {"Re": Estimate(coil.resistance[1] * 140 / 152, "ohm", {"random:x": 0.02})}
    assert judge(short, targets(coil))[0].verdict == "outside"


@pytest.mark.parametrize(
    "call",
    [
        lambda: Coil(WIRE, FORMER, 0, 10),
        lambda: Coil(WIRE, FORMER, 4, 3),
        lambda: Former(0.0, 0.1e-3),
        lambda: Former(20e-3, -0.1e-3),
        lambda: Gap(20e-3, 19e-3, 6e-3),
        lambda: Gap(20e-3, 22e-3, 0.0),
        lambda: solutions(WantedCoil(0.0), FORMER, [WIRE], [4]),
        lambda: solutions(WantedCoil(float("nan")), FORMER, [WIRE], [4]),
        lambda: solutions(WantedCoil(5.0), FORMER, [], [4]),
        lambda: solutions(WantedCoil(5.0), FORMER, [WIRE], []),
    ],
)
def test_impossible_coils(call):
    with pytest.raises(UsageError) as error:
        call()
    assert error.value.remedy


def test_every_coil_found_could_move_a_cone():
    """Whatever wire and resistance: no rod of several metres, no kilogram of wire."""
    found = []
    for resistance in (3.2, 5.6, 7.2, 15.0, 64.0):
        for diameter in (14e-3, 20e-3, 38e-3):
            former = Former(diameter, 0.1e-3)
            wires = [enamelled(mm / 1e3) for mm in PREFERRED_MM]
            try:
                found += solutions(WantedCoil(resistance), former, wires, (2, 4, 8))
            except Refused as refused:
                assert "no voice coil" in str(refused)
    assert len(found) > 50
    for coil in found:
        assert coil.height <= coil.former.diameter
        # Solid copper in that room: a tube of 38 mm, as high, 3 mm thick, at 8.9 g/cm3.
        assert coil.mass < 8900 * math.pi * 41.2e-3 * 38.2e-3 * 3.06e-3


def test_sizes_of_a_coil_are_bounded():
    with pytest.raises(UsageError, match="no voice coil"):
        Coil(enamelled(0.2e-3), Former(20e-3, 0.1e-3), 1_000_000_000, 2_000_000_000)

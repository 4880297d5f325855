"""Winding wire against the tables of its standards."""

import pytest

from fit.design.wire import ALUMINIUM, COPPER, at_temperature, awg, enamelled, identify, in_words
from meas.errors import UsageError

# Enamelled copper, ohm/m at 20 C, lowest, nominal, highest. The first three rows were read in a
# wire maker's table after IEC 60317; the others follow from the rule that reproduces those.
OHM_PER_METRE = [
    (0.100, 2.034, 2.176, 2.333),
    (0.112, 1.632, 1.735, 1.848),
    (0.118, 1.474, 1.563, 1.660),
    (0.150, 0.9219, 0.9673, 1.0159),
    (0.200, 0.5237, 0.5441, 0.5657),
    (0.250, 0.3345, 0.3482, 0.3628),
    (0.315, 0.2121, 0.2193, 0.2270),
]

# Grade 1, smallest and largest overall diameter [mm]: open magnetics data labelled IEC 60317.
OVERALL_MM = [
    (0.100, 0.108, 0.117),
    (0.150, 0.162, 0.171),
    (0.200, 0.214, 0.226),
    (0.250, 0.267, 0.281),
    (0.315, 0.334, 0.349),
]

# Largest overall diameter of grade 1 [mm], IEC 60317-0-1, from memory; not used by the code.
OVERALL_MAX_MM = [
    (0.050, 0.060), (0.071, 0.084), (0.125, 0.144), (0.180, 0.204), (0.224, 0.252),
    (0.280, 0.312), (0.400, 0.439), (0.500, 0.544), (0.800, 0.855), (1.000, 1.062),
]  # fmt: skip


@pytest.mark.parametrize(("bare", "low", "nominal", "high"), OHM_PER_METRE)
def test_resistance_per_metre(bare, low, nominal, high):
    # Half of the last digit printed.
    digit = 0.5e-3 if bare < 0.15 else 0.5e-4
    assert enamelled(bare / 1e3).ohm_per_metre == pytest.approx(
        (low, nominal, high), abs=1.01 * digit
    )


@pytest.mark.parametrize(("bare", "low", "high"), OVERALL_MM)
def test_overall_diameter_of_the_table(bare, low, high):
    wire = enamelled(bare / 1e3)
    assert wire.overall_max == pytest.approx(high / 1e3, rel=1e-9)
    assert wire.overall == pytest.approx((low + high) / 2e3, rel=1e-9)


@pytest.mark.parametrize(("bare", "high"), OVERALL_MAX_MM)
def test_overall_diameter_between_and_beyond_the_table(bare, high):
    # Beyond the table the enamel (not the diameter) errs by up to 15 %, between by 1 um and 5 %.
    found = enamelled(bare / 1e3).overall_max * 1e3
    allowed = 0.001 + 0.05 * (high - bare) if 0.1 <= bare <= 0.315 else 0.15 * (high - bare)
    assert found == pytest.approx(high, abs=allowed)


@pytest.mark.parametrize(("number", "millimetre"), [(30, 0.2546), (28, 0.3211), (24, 0.5106)])
def test_american_gauge(number, millimetre):
    # ASTM B258, from memory, half of the last digit.
    assert awg(number) * 1e3 == pytest.approx(millimetre, abs=0.51e-4)


def test_resistivity_of_the_standard_lies_within_the_limits():
    # 0.0172414 ohm mm2/m, IEC 60028, is 58 MS/m: the poorest copper allowed in winding wire.
    wire = enamelled(0.5e-3)
    standard = 0.0172414e-6 / wire.bare_area
    low, _, high = wire.ohm_per_metre
    assert low < standard < high


def test_warm_copper():
    # IEC 60028: 0.00393 /K at 20 C.
    assert at_temperature(6.0, COPPER, 393.15) == pytest.approx(6.0 * 1.393, rel=1e-9)
    assert at_temperature(6.0, ALUMINIUM, 393.15) == pytest.approx(6.0 * 1.403, rel=1e-9)


def test_mass_per_metre():
    # 0.2 mm copper: 8.89 g/cm3 x 0.031416 mm2 = 0.2793 g/m bare; enamel of 10 um on each side
    # weighs 0.0066 mm2 x 1.4 g/cm3 = 0.0092 g/m.
    assert enamelled(0.2e-3).kilogram_per_metre * 1e3 == pytest.approx(0.2793 + 0.0092, abs=3e-4)


@pytest.mark.parametrize("bare", [0.1, 0.16, 0.25, 0.5])
def test_salvaged_copper_is_named(bare):
    length = 5.0
    resistance = length * enamelled(bare / 1e3).ohm_per_metre[1]
    best, other = identify(
        length,
        at_temperature(resistance, COPPER, 298.15),
        relative_uncertainty=0.005,
        overall=enamelled(bare / 1e3).overall,
        temperature=298.15,
    )
    assert best.metal is COPPER
    assert best.bare * 1e3 == pytest.approx(bare, rel=1e-6)
    assert best.preferred * 1e3 == bare
    # Half of 0.5 % for the measurement and 0.5 % for the metal, in quadrature.
    assert best.standard_uncertainty / best.bare == pytest.approx(0.00354, rel=0.01)
    assert not other.plausible
    assert in_words((best, other)).code == "wire-named"


def test_salvaged_aluminium_is_named():
    wire = enamelled(0.25e-3, ALUMINIUM)
    best, _ = identify(
        3.0, 3.0 * wire.ohm_per_metre[1], relative_uncertainty=0.005, overall=wire.overall
    )
    assert best.metal is ALUMINIUM
    assert best.preferred == 0.25e-3


def test_without_a_diameter_the_metal_stays_open():
    found = identify(5.0, 5.0 * 0.5441, relative_uncertainty=0.005)
    finding = in_words(found)
    assert finding.code == "wire-ambiguous"
    assert "copper of 0.2000 mm" in finding.text
    # Thicker by the root of the conductivities, 58.5 over 35.7 MS/m: 1.280.
    assert "aluminium of 0.2560 mm" in finding.text


def test_neither_metal():
    found = identify(5.0, 5.0 * 0.5441, relative_uncertainty=0.005, overall=0.5e-3)
    assert in_words(found).code == "wire-unknown"


@pytest.mark.parametrize(
    "call",
    [
        lambda: awg(0),
        lambda: awg(60),
        lambda: enamelled(0.2),  # metres for millimetres
        lambda: enamelled(0.01e-3),
        lambda: enamelled(0.2e-3, overall=0.19e-3),
        lambda: enamelled(0.2e-3, overall=0.5e-3),
        lambda: identify(0.0, 1.0, relative_uncertainty=0.01),
        lambda: identify(1.0, -1.0, relative_uncertainty=0.01),
        lambda: identify(1.0, 1e6, relative_uncertainty=0.01),
        lambda: identify(float("nan"), 1.0, relative_uncertainty=0.01),
    ],
)
def test_impossible_wires(call):
    with pytest.raises(UsageError) as error:
        call()
    assert error.value.remedy

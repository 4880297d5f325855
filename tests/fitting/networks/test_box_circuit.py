"""The box circuit against Small's transfer functions and the handbook's level constant."""

import math
from dataclasses import replace

import numpy as np
import pytest

from fit.box.circuit import Air, Box, Mounted, behaviour
from fit.box.sealed import sealed_by_volume
from fit.box.vented import response, vented_flattest
from fit.driver.coils.plain import Plain
from fit.driver.impedance import Driver
from fit.driver.mechanics import IDEAL

DENSITY, SOUND_SPEED = 1.204, 343.2  # dry air, 20 C: ISO 9613-1 sound speed
FREQUENCY = np.geomspace(10, 1000, 2000)
RE, BL, MMS, CMS, RMS, SD = 6.0, 6.2, 0.014, 0.78e-3, 1.0, 0.0113
FS = 1 / (2 * math.pi * math.sqrt(MMS * CMS))
QES = 2 * math.pi * FS * MMS * RE / BL**2
QMS = 2 * math.pi * FS * MMS / RMS
QTS = QES * QMS / (QES + QMS)
VAS = DENSITY * SOUND_SPEED**2 * SD**2 * CMS


def mounted(volume, fb=None, QL=math.inf):
    driver = Driver(Plain(), IDEAL)
    theta = np.log([RE, BL**2 / MMS, 2 * math.pi * FS, RMS / MMS, 1e-18])
    box = Box(volume, fb, QL)
    return Mounted(driver, theta, MMS, VAS, box, Air(DENSITY, SOUND_SPEED))


def plateau_pa(volt):
    """Mass-controlled pressure at 1 m: rho Sd Bl e/(2 pi Re Mms) (Beranek 1954, chapter 7)."""
    return DENSITY * SD * BL * volt / (2 * math.pi * RE * MMS)


def test_closed_box_is_the_second_order_high_pass():
    box = sealed_by_volume(FS, QTS, VAS, 0.02)
    x = FREQUENCY / box.fc
    second_order = x**2 / np.sqrt((1 - x**2) ** 2 + (x / box.Qtc) ** 2)  # Small 1972
    pressure = abs(behaviour(FREQUENCY, mounted(0.02), 2.83).pressure_pa)
    # Identical circuits: rounding only.
    assert pressure == pytest.approx(plateau_pa(2.83) * second_order, rel=1e-9)


@pytest.mark.parametrize("QL", [math.inf, 7.0])
def test_vented_box_is_smalls_fourth_order_polynomial(QL):
    box = vented_flattest(FS, QTS, VAS, QL)
    pressure = behaviour(FREQUENCY, mounted(box.volume, box.fb, QL), 2.83).pressure_pa
    expected = abs(response(FREQUENCY, FS, QTS, QL, box.alpha, box.h))
    assert abs(pressure) == pytest.approx(plateau_pa(2.83) * expected, rel=1e-9)


def test_level_constant():
    # 1 W into Re: 112.16 dB + 10 log10 eta0 with rho 1.204, c 343.2 (computed by hand from
    # 10 log10[rho c/(2 pi)/(20 uPa)^2]); eta0 = (4 pi^2/c^3) fs^3 Vas/Qes (Small 1972).
    eta0 = 4 * math.pi**2 / SOUND_SPEED**3 * FS**3 * VAS / QES
    level = 20 * math.log10(plateau_pa(math.sqrt(RE)) / 20e-6)
    assert level == pytest.approx(112.159 + 10 * math.log10(eta0), abs=1e-3)


def test_excursion_of_a_vented_box_has_its_minimum_at_the_tuning():
    # Small 1973: the cone stands nearly still at fb.
    box = behaviour(FREQUENCY, mounted(0.03, 35.0, 50.0), 2.83)
    band = (FREQUENCY > 25) & (FREQUENCY < 60)
    lowest = FREQUENCY[band][np.argmin(box.excursion_m[band])]
    assert lowest == pytest.approx(35.0, rel=0.02)
    assert box.vent_flow_m3_s[band].max() > 0.5 * 2e-3  # half a metre a second in 20 cm2


def test_static_excursion_limit():
    # Far below resonance the suspension and the box's air hold the force Bl e/Re alone.
    low = np.array([0.1, 0.11])
    box = behaviour(low, mounted(0.02), 1.0)
    stiffness = 1 / CMS + DENSITY * SOUND_SPEED**2 * SD**2 / 0.02
    assert box.excursion_m[0] == pytest.approx(math.sqrt(2) * BL / RE / stiffness, rel=1e-3)


def test_group_delay_of_a_closed_box():
    # -d arg/d omega of the second-order high-pass at its resonance: 2 Q/omega_c.
    box = sealed_by_volume(FS, QTS, VAS, 0.02)
    around = box.fc * np.array([0.9999, 1.0, 1.0001])
    delay = behaviour(around, mounted(0.02), 1.0).group_delay_s[1]
    assert delay == pytest.approx(2 * box.Qtc / (2 * math.pi * box.fc), rel=1e-5)


def test_source_resistance_raises_the_q():
    # At resonance the response over the plateau is Qtc; source resistance adds to Re (Small 1972).
    fc = sealed_by_volume(FS, QTS, VAS, 0.02).fc
    at_fc = np.array([fc, 1.01 * fc])
    soft = replace(mounted(0.02), source_ohm=2.0)
    level = abs(behaviour(at_fc, soft, 1.0).pressure_pa[0])
    growth = fc / FS
    Qec, Qmc = QES * growth * (RE + 2.0) / RE, QMS * growth
    plateau = plateau_pa(1.0) * RE / (RE + 2.0)
    assert level / plateau == pytest.approx(Qec * Qmc / (Qec + Qmc), rel=1e-9)

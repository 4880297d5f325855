"""Boxes against published alignments; sources beside the numbers."""

import math
import re

import numpy as np
import pytest

from fit.box.sealed import half_power_ratio, sealed_by_Qtc, sealed_by_volume
from fit.box.vent import FLANGED_END, FREE_END, tube_length, tuning
from fit.box.vented import butterworth_Q, response, vented_by_volume, vented_flattest
from meas.errors import Refused, UsageError

# A. N. Thiele, J. Audio Eng. Soc. 19(5), 1971 (first printed 1961), Table I, as carried by a
# secondary reprint: QT, Vb/Vas, fb/fs, f3/fs of the lossless box. Printed to three digits, and
# the reprint departs from the exact polynomials by up to 0.6 %.
THIELE = [
    (0.180, 0.0954, 2.000, 2.68),
    (0.209, 0.1337, 1.730, 2.28),
    (0.259, 0.2242, 1.420, 1.77),
    (0.303, 0.3390, 1.230, 1.45),
    (0.383, 0.7072, 1.000, 1.00),
    (0.415, 0.9479, 0.927, 0.867),
    (0.557, 2.062, 0.716, 0.600),
]


@pytest.mark.parametrize(("QT", "ratio", "h", "f3"), THIELE)
def test_flattest_vented_box_is_thieles(QT, ratio, h, f3):
    box = vented_flattest(fs=1.0, QT=QT, Vas=1.0, QL=math.inf)
    assert box.volume == pytest.approx(ratio, rel=0.006)
    assert box.h == pytest.approx(h, rel=0.006)
    assert box.f3 == pytest.approx(f3, rel=0.006)


# Computed once from Small's polynomials (J. Audio Eng. Soc. 21, 1973) outside this project:
# QL = 7 rows QT, alpha, h, f3/fs. Four printed digits.
LOSSY = [
    (0.200, 7.7775, 1.9393, 2.5289),
    (0.300, 2.8452, 1.3145, 1.5732),
    (0.350, 1.7964, 1.1395, 1.2702),
    (0.450, 0.6868, 0.8992, 0.8348),
    (0.550, 0.3453, 0.7321, 0.6393),
]


@pytest.mark.parametrize(("QT", "alpha", "h", "f3"), LOSSY)
def test_flattest_lossy_vented_box(QT, alpha, h, f3):
    box = vented_flattest(fs=1.0, QT=QT, Vas=1.0, QL=7.0)
    assert box.alpha == pytest.approx(alpha, abs=2e-4)
    assert box.h == pytest.approx(h, abs=1e-4)
    assert box.f3 == pytest.approx(f3, abs=1e-4)


def test_butterworth_point():
    # B4: QT 0.3827, alpha sqrt 2, h 1, f3 = fs (Small 1973); with QL 7: 0.4048.
    assert butterworth_Q(math.inf) == pytest.approx(0.38268, abs=1e-5)
    assert butterworth_Q(7.0) == pytest.approx(0.4048, abs=5e-5)
    box = vented_flattest(1.0, butterworth_Q(math.inf), 1.0, math.inf)
    assert (box.alpha, box.h, box.f3) == pytest.approx((math.sqrt(2), 1.0, 1.0), rel=1e-6)


def test_no_flat_vented_box_for_a_very_high_q_is_refused_not_invented():
    with pytest.raises(Refused, match="no-alignment"):
        vented_flattest(50.0, 3.0, 0.02, 1.0)


def test_f3_is_where_the_response_is_half_power():
    box = vented_by_volume(fs=40.0, QT=0.45, Vas=0.05, volume=0.03, fb=35.0, QL=10.0)
    level = abs(response(np.array([box.f3]), 40.0, 0.45, 10.0, box.alpha, box.h)[0])
    assert level == pytest.approx(math.sqrt(0.5), rel=1e-9)


@pytest.mark.parametrize(
    ("Q", "ratio"),
    # Small 1972's expression evaluated by hand; 1/sqrt 3 is the Bessel response.
    [(0.5, 1.5538), (0.57735, 1.2720), (math.sqrt(0.5), 1.0), (1.0, 0.7862)],
)
def test_closed_box_cut_off(Q, ratio):
    assert half_power_ratio(Q) == pytest.approx(ratio, abs=5e-5)


def test_closed_box_both_ways_agree():
    box = sealed_by_Qtc(fs=48.0, Qts=0.41, Vas=0.021, Qtc=math.sqrt(0.5))
    again = sealed_by_volume(fs=48.0, Qts=0.41, Vas=0.021, volume=box.volume)
    assert again.Qtc == pytest.approx(math.sqrt(0.5))
    assert box.f3 == pytest.approx(box.fc)
    assert box.peak_db == 0


def test_a_box_cannot_lower_q():
    with pytest.raises(UsageError, match="only raises"):
        sealed_by_Qtc(fs=48.0, Qts=0.8, Vas=0.021, Qtc=0.7)


def test_vent_end_corrections_and_round_trip():
    # Levine and Schwinger 1948: 0.6133 a; Norris and Sheng 1989: 0.8216 a; together 1.435 a.
    both_ends = FREE_END + FLANGED_END
    assert both_ends == pytest.approx(1.435, abs=5e-4)
    length = tube_length(fb=38.0, volume=0.025, bore=0.05, sound_speed=343.2)
    assert tuning(length, 0.025, 0.05, 343.2) == pytest.approx(38.0)


def test_a_bore_too_narrow_for_the_tuning_is_said():
    with pytest.raises(Refused, match="wider bore"):
        tube_length(fb=90.0, volume=0.05, bore=0.02, sound_speed=343.2)


def test_tubes_that_nobody_can_build_are_refused_with_those_that_one_can():
    """The bores that the refusal names give what it says: a bare hole, and a tube that fits."""
    box = {"fb": 41.0, "volume": 0.024, "sound_speed": 343.2}
    with pytest.raises(Refused, match="more air than the box") as refused:
        tube_length(bore=5.0, **box)
    advice = refused.value.reasons[0].next_step
    low, high = map(float, re.findall(r"([0-9]+) mm", advice))
    assert 0 <= tube_length(bore=low / 1e3, **box) < 2e-3
    edge = 0.024 ** (1 / 3)
    assert 0.75 * edge < tube_length(bore=high / 1e3, **box) <= 0.8 * edge
    with pytest.raises(Refused):
        tube_length(bore=(low - 1) / 1e3, **box)


def test_a_tube_is_refused_where_its_air_is_no_plug_any_more():
    """At the edge of what is refused the tube is c/(2 pi fb) long with its ends, less one."""
    fb, volume, c = 41.0, 0.024, 343.2
    wave = c / (2 * math.pi * fb)
    bore = 2 * math.sqrt(volume / (math.pi * wave))
    assert tube_length(fb, volume, bore, c) < wave
    with pytest.raises(Refused, match="more air"):
        tube_length(fb, volume, 1.1 * bore, c)

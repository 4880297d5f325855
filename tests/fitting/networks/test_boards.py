"""The cutting list of a box: wood and air together are the box from outside."""

from __future__ import annotations

import math

import pytest

from fit.box.boards import cut, driver_volume, vent_volume


@pytest.mark.parametrize("litres", [3.0, 22.0, 120.0])
@pytest.mark.parametrize("thickness", [0.009, 0.018, 0.025])
def test_wood_and_air_fill_the_outer_box(litres: float, thickness: float) -> None:
    found = cut(litres * 1e-3, thickness, 0.4e-3, 0.3e-3)
    wood = sum(one.count * one.length * one.width * thickness for one in found.boards)
    air = litres * 1e-3 + 0.4e-3 + 0.3e-3
    assert math.prod(found.outside) == pytest.approx(wood + air, rel=1e-12)
    assert math.prod(found.inside) == pytest.approx(air, rel=1e-12)


def test_by_hand() -> None:
    """A tube of 50 mm bore and 3 mm wall, 148 mm long: pi/4 x 56^2 x 148 mm3 = 0.365 L."""
    assert vent_volume(0.050, 0.148, 0.003) == pytest.approx(0.3645e-3, rel=1e-3)
    assert driver_volume(0.118) == pytest.approx(0.411e-3, rel=1e-3)
    # 15 L with depth 1, width 2^(1/3), height 2^(2/3): their product is 2, so depth^3 = 7.5 L.
    depth, width, height = cut(15e-3, 0.018, 0.0, 0.0).inside
    assert depth == pytest.approx(0.19574, rel=1e-4)
    assert (width / depth, height / width) == pytest.approx((2 ** (1 / 3),) * 2)

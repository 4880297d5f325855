"""What stays unseen in the curves is said until somebody has measured it another way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fit.given import in_python
from fit.uncertainty.unproven import unproven
from meas.curve import MagnitudeCurve

CURVE = MagnitudeCurve(np.geomspace(10, 1000, 40), np.full(40, 6.0))
FREE = in_python.in_free_air(CURVE)


def weighed(grams: float, source: str):
    """A take with a mass on the cone; each weighing has an error of its own."""
    measured = in_python.with_added_mass(CURVE, (1e-3 * grams, 1e-4))
    mass = replace(measured.condition.mass, source=source)
    return replace(measured, condition=replace(measured.condition, mass=mass))


BOX = in_python.in_test_box(CURVE, (6.8e-3, 1e-4))
ONE, OTHER = weighed(7.5, "one"), weighed(5.0, "other")
METER = {"measured_re": (6.0, 0.1)}
SCALES = {"moving_parts": (12e-3, 1e-4)}


@pytest.mark.parametrize(
    ("curves", "stated", "codes"),
    [
        ([FREE], {}, ["ohms-unproven"]),
        ([FREE], METER, []),
        ([FREE, ONE], {}, ["ohms-unproven", "load-unproven"]),
        ([FREE, ONE, ONE], METER, ["load-unproven"]),  # one weighing, however often it is used
        ([FREE, BOX], METER, ["load-unproven"]),
        ([FREE, ONE, OTHER], METER, []),
        ([FREE, ONE, BOX], METER, []),
        ([FREE, ONE], METER | SCALES, []),
    ],
)
def test_what_nothing_else_has_shown_is_said(curves, stated, codes):
    session = in_python.session(pressure=(101325.0, 300.0), **stated)
    found = unproven(curves, [None] * len(curves), session)
    assert [one.code for one in found] == codes
    assert all(one.next_step and not one.refuses for one in found)


def test_takes_have_a_bench_that_tables_have_not():
    session = in_python.session(pressure=(101325.0, 300.0))
    (of_take,) = unproven([FREE], [object()], session)
    (of_table,) = unproven([FREE], [None], session)
    assert "series resistor" in of_take.text and "meter" in of_table.text

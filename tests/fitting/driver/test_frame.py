"""A frame that moves, and a second resonance: Newton's third law, and what a fit makes of them.

Truth comes from masses and springs in series, solved here, and from `world`, which knows nothing
of `fit`.
"""

from __future__ import annotations

import driver_bench as bench
import numpy as np
import pytest
from world import driver as of_world

from fit.driver.laws.frame import Frame, Second
from fit.driver.mechanics import Mechanics
from fit.given.in_python import in_free_air, session, with_added_mass
from fit.joint import fit_driver
from fit.results import model_findings
from fit.results.result import Estimate
from meas.curve import ImpedanceCurve
from meas.errors import Refused

D = bench.WOOFER
W0 = 1 / np.sqrt(D.Mms * D.Cms)
F = np.geomspace(5, 5e3, 220)
UNIT = of_world.Driver("it", D.Re, D.Bl, D.Mms, D.Cms, D.Rms, D.Sd, L=0.4e-3)
NOISE = 2e-4


@pytest.mark.parametrize("more", [0.0, 0.7])
def test_a_frame_is_a_mass_in_series(more):
    """Two bodies pushed apart by one force, their accelerations from Newton's second law: the
    force over the velocity between them, as two equations solved at each frequency."""
    kg, hz, Q = 20 * D.Mms, 14.0, 5.0
    wf, cone = 2 * np.pi * hz, D.Mms * (1 + more)
    s = 2j * np.pi * F
    force = []
    for jw in s:
        hangs = kg * (jw + wf / Q + wf**2 / jw)
        # Unknown: velocities of cone and frame, for a force of 1 N between them.
        v_cone, v_frame = np.linalg.solve([[jw * cone, 0], [0, hangs]], [1.0, -1.0])
        force.append(1 / (v_cone - v_frame))
    internal = np.log([D.Mms / kg, wf / W0, Q])
    reaction = Frame().reaction(s / W0, internal, 1 + more)[0]
    law = (s * s * (1 + more) + W0**2 * reaction) * D.Mms / s
    np.testing.assert_allclose(law, force, rtol=1e-10)


def test_a_second_resonance_is_a_vented_box():
    """Air and a vent in parallel behind the cone, from pressure and flow (`world`)."""
    m3, hz, Q = 0.03, 22.0, 10.0
    s = 2j * np.pi * F
    box = of_world.chamber(D.Sd, m3, of_world.vent(m3, hz, Q))(s)
    stiff = of_world.RHO * of_world.SPEED**2 * D.Sd**2 / m3
    internal = np.log([stiff * D.Cms, 2 * np.pi * hz / W0, Q])
    law = Second().reaction(s / W0, internal, 1.0)[0] / D.Cms / s
    np.testing.assert_allclose(law, box, rtol=1e-10)


@pytest.mark.parametrize("law", [Frame(), Second()], ids=lambda law: law.name)
def test_derivatives(law):
    """Against central differences of second order, in error by h^2 (2 Q)^3 of the size."""
    x, internal, h = 1j * np.geomspace(0.1, 20, 40), law.typical, 2e-5
    whole, along, by_inertia, slopes = law.reaction(x, internal, 1.3)
    size = np.max(np.abs(whole))

    def close(found, up, down):
        np.testing.assert_allclose(found, (up - down) / (2 * h), rtol=0, atol=2e-6 * size)

    close(along, *(law.reaction(x * np.exp(k), internal, 1.3)[0] for k in (h, -h)))
    close(by_inertia, *(law.reaction(x, internal, 1.3 + k)[0] for k in (h, -h)))
    for row, step in zip(slopes, h * np.eye(3), strict=True):
        close(row, *(law.reaction(x, internal + k * step, 1.3)[0] for k in (1, -1)))


def taken(seed=0, **moves):
    z = UNIT.impedance(2j * np.pi * F, **moves)
    rng = np.random.default_rng(seed)
    scatter = NOISE * np.abs(z) * (rng.normal(size=F.size) + 1j * rng.normal(size=F.size))
    return ImpedanceCurve(F, z + scatter, NOISE * np.abs(z))


def test_a_loose_frame_is_named_and_the_driver_is_that_held_still():
    """25 times the cone on a mounting of 16 Hz: fs would read 2 % too high. Free air and mass."""
    held, mass = of_world.frame(25 * D.Mms, 16.0, 6.0), 0.7 * D.Mms
    takes = [
        in_free_air(taken(held=held)),
        with_added_mass(taken(1, held=held, moved=(of_world.mass(mass),)), (mass, 0.001 * mass)),
    ]
    fit = fit_driver(takes, session(pressure=(101325, 200)))
    assert fit.model.endswith("+frame")
    assert "frame-moves" in [finding.code for finding in fit.warnings]
    truth = {"fs": UNIT.truth["fs"], "Qms": UNIT.truth["Qms"], "Mms": D.Mms, "Bl": D.Bl,
             "frame": 1 / 25, "f_frame": 16.0}  # fmt: skip
    for symbol, value in truth.items():
        estimate = fit.parameters[symbol]
        assert abs(np.log(estimate.value / value)) < 3 * estimate.standard_uncertainty / value
        assert estimate.standard_uncertainty < 0.1 * value


@pytest.mark.parametrize("hz", [14.0, 22.0])
def test_a_vented_box_tuned_low_is_refused(hz):
    """Called free air: fs would be half again too high."""
    m3 = UNIT.truth["Vas"]
    box = of_world.chamber(D.Sd, m3, of_world.vent(m3, hz, 10.0))
    with pytest.raises(Refused) as refused:
        fit_driver([in_free_air(taken(moved=(box,)))], session(pressure=(101325, 200)))
    assert {reason.code for reason in refused.value.reasons} & {"two-resonances", "poor-fit"}


def test_a_healthy_driver_shows_neither():
    fit = fit_driver([in_free_air(taken())], session(pressure=(101325, 200)))
    assert not fit.model.endswith("+frame")
    assert not fit.warnings


def test_a_suspension_stands_before_the_frame():
    """Parameters of both laws, in the order of the name."""
    from fit.driver.models import named

    _, both = named("plain+creep+frame")
    assert isinstance(both.beside, Frame)
    assert both.symbols == ("creep", "frame", "f_frame", "Q_frame")
    assert Mechanics().reaction(np.array([1j]), np.zeros(0), 1.0) is None


def test_a_frame_of_unknown_mass_is_passed_over():
    """The takes may tell where a frame resonates and leave its mass open: no value, no finding."""
    known = {"f_frame": Estimate(12.0, "Hz", {"random:noise": 0.5})}
    assert not model_findings.doubts("lossy+frame", known, (5.0, 20000.0))

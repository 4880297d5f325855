"""A suspension that creeps."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from fit.driver.elements.quantity import Quantity, rounded
from fit.driver.elements.sections import STEP, Section, highest_corner, lowest_step
from fit.driver.elements.unbounded import Share, logistic
from fit.driver.laws.law import AT_FS, NO_FAULT, Band, Law, Stiffness, Written, percent
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

STEEPEST = 0.3
"""Greatest creep per decade: three decades above resonance the compliance is still positive."""


class Creep(Law):
    """Compliance C0 [1 - creep log10(s/ws)]: softer by the share `creep` for each decade down.

    M. H. Knudsen, J. G. Jensen, J. Audio Eng. Soc. 41(1/2), 1993. Its imaginary part, 0.682
    creep C0 on the imaginary axis, is a loss inverse to frequency, as that of rubber and foam.
    The compliance grows without limit, but slowly, towards zero frequency, and reaches zero
    1/creep decades above resonance, where the law ends.
    """

    name = "creep"
    quantities: Mapping[str, Quantity] = {
        "creep": Quantity("1", "creep of the suspension per decade", 1e-2, "%")
    }
    maps = (Share(STEEPEST),)
    typical: FloatArray = np.array([-0.7])
    starts: tuple[FloatArray, ...] = (np.array([-1.6]), np.array([0.7]))

    def stiffness(self, x: ComplexArray, internal: FloatArray) -> Stiffness:
        """Stiffness by the logit of creep over `STEEPEST`."""
        share = logistic(internal[0])
        creep = STEEPEST * share
        decades = np.log10(x)
        compliance: ComplexArray = 1 - creep * decades
        slope: ComplexArray = creep / np.log(10.0) / compliance**2
        by_creep = decades / compliance**2
        by_logit: ComplexArray = by_creep * (creep * (1 - share))
        return 1 / compliance, slope, by_logit[None]

    def words(self, written: Written) -> str:
        """Amount of creep in words."""
        return f"suspension creeps {written('creep')} per decade of frequency"

    def finding(self, written: Written, values: Mapping[str, float], share: float) -> Finding:
        """Say how much softer the suspension is below resonance, and what that costs."""
        return Finding(
            "suspension-creeps",
            f"The suspension creeps: its compliance grows by {written('creep')} for each decade "
            f"of frequency downwards, so that it is {100 * values['creep']:.0f} % softer at "
            f"{rounded(values['fs'] / 10, 2)} Hz than at resonance. {AT_FS}. Its creep takes "
            f"{percent(share)} of the mechanical loss at resonance.",
            ground=NO_FAULT,
        )

    def circuit(
        self, internal: FloatArray, spring: float, fs: float, band_hz: Band
    ) -> list[Section]:
        """s L [1 - creep log10(s/ws)] as a spring and a chain of elements that give slowly.

        ln(W/s) = integral of w/(s + w) d ln w up to a W far above s (J. D. Ferry, Viscoelastic
        Properties of Polymers, 3rd ed. 1980, ch. 3: a retardation spectrum of equal weights), by
        the trapezoidal rule; each term is a resistance parallel to an inductance with corner w.
        Terms below the band act as resistances, a geometric sum; the terms end so far above it as
        the spring left over, which makes the compliance at resonance right, stays positive. For a
        creep of 0.15 per decade the impedance of a driver is right to 3e-6 of |Z| within the
        band, for 0.2 to 1e-5, for the steepest of 0.3 to 1e-3.
        """
        creep, _ = self.reported(internal, fs)["creep"]
        weight = spring * creep / math.log(10) * STEP
        resonance = math.log(2 * math.pi * fs)
        first = lowest_step(band_hz[0])
        end = min(highest_corner(band_hz[1]), resonance + math.log(10) / creep)
        corners = [math.exp(k * STEP) for k in range(first, math.floor(end / STEP - 1) + 1)]
        lag = sum(1 / (1 + math.exp(2 * resonance) / corner**2) for corner in corners)
        below = weight * math.exp((first - 1) * STEP) / (1 - math.exp(-STEP))
        rest = spring - weight * lag
        return [(None, rest), (below, None), *((weight * corner, weight) for corner in corners)]

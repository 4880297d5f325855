"""Electrical impedance of a driver's motion, with its derivatives.

A driver shows Z = Re + Zcoil(s) + Bl^2/(Rms + s Mms + 1/(s Cms)) (A. N. Thiele, J. Audio Eng.
Soc. 19(5,6), 1971; R. H. Small, J. Audio Eng. Soc. 20(5), 1972). Divided by Mms the last term
holds only what an impedance can tell: strength a = Bl^2/Mms, loss Rms/Mms, stiffness
1/(Mms Cms). An added mass raises the inertia above one, a test box the stiffness.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


def motional(
    s: ComplexArray,
    strength: float,
    inertia: float,
    loss: float,
    stiffness: float | ComplexArray,
) -> tuple[ComplexArray, ComplexArray]:
    """Motional impedance a s/(inertia s^2 + loss s + stiffness).

    Args:
        s: Complex angular frequency [rad/s], shape (n,).
        strength: Bl^2/Mms [ohm rad/s].
        inertia: Moving mass over Mms, 1 in free air.
        loss: Rms/Mms [rad/s].
        stiffness: Total dynamic stiffness over Mms [rad2/s2], perhaps along frequency, shape
            (n,); the square of 2 pi fs in free air.

    Returns:
        Impedance [ohm], shape (n,), and its derivatives by the logarithm of strength and by
        inertia, loss and stiffness, shape (4, n).
    """
    denominator = s * (inertia * s + loss) + stiffness
    z = strength * s / denominator
    slope = -z / denominator
    return z, np.array([z, slope * s * s, slope * s, slope])

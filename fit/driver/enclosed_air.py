"""The air of a box behind the cone: its stiffness along frequency, with derivatives.

size T(s), with T the share of the cone's flow that compresses the air: the rest leaves through a
leak or a vent (R. H. Small, J. Audio Eng. Soc. 20(10), 1972 and 21(5), 1973).
"""

from __future__ import annotations

from typing import Any

from meas.curve import ComplexArray


def closed(size: Any, s: ComplexArray, leak: Any) -> tuple[ComplexArray, ComplexArray]:
    """Stiffness of a closed box that leaks, size s/(s + leak), and its derivative by the leak.

    Args:
        size: Stiffness of the air in a tight box.
        s: Complex frequency, shape (n,).
        leak: Rate at which the pressure leaks away, in the unit of s; 0 for a tight box.
    """
    air = size * s / (s + leak)
    return air, -air / (s + leak)


def vented(
    size: Any, s: ComplexArray, tuning: float, loss: float
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Stiffness of a vented box, size s^2/(s^2 + s wb/QL + wb^2).

    Args:
        size: Stiffness of the air in a tight box.
        s: Complex angular frequency [rad/s], shape (n,).
        tuning: wb, angular resonance of vent and box [rad/s].
        loss: 1/QL, for all losses of the box.

    Returns:
        Stiffness, shape (n,), and its derivatives by ln wb and by the loss.
    """
    below = s * s + s * tuning * loss + tuning**2
    air = size * s * s / below
    return air, -air / below * (2 * tuning**2 + s * tuning * loss), -air / below * s * tuning

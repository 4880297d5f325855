"""Laws of what moves beside the cone: a frame on its mounting, or a second resonance.

Neither is a part of the suspension: the reaction stands beside spring and mass, and resonance,
losses and stiffness are those of the driver held still.
"""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from typing import Any

import numpy as np

from fit.driver.elements.quantity import Quantity
from fit.driver.elements.unbounded import Logarithm, OverResonance
from fit.driver.laws.law import Law, Stiffness, Written
from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

HEAVIEST_CONE = 0.12
"""Moving mass over that of the frame, at most: twice what is usual, which is a fifteenth to a
sixtieth (common practice, no source)."""
HIGHEST_FRAME = 0.8
"""Resonance of a moving frame over fs, at most: above, a loose part looks the same."""


Reaction = tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]
"""Reaction, and its derivatives by ln x, by the inertia, and by the parameters."""


class Beside(Law):
    """A law whose reaction depends on the moving mass; of the spring itself it is no part."""

    maps = (Logarithm(), OverResonance(), Logarithm())

    @abstractmethod
    def reaction(self, x: ComplexArray, internal: FloatArray, inertia: Any) -> Reaction:
        """Reaction as a dynamic stiffness over ws^2 Mms.

        Args:
            x: Complex angular frequency over the angular resonance, shape (n,).
            internal: Parameters, shape (3,).
            inertia: Moving mass over Mms, more than one with a mass on the cone.

        Returns:
            Reaction, shape (n,), its derivatives by ln x, by inertia, and by the parameters,
            shape (3, n).
        """

    def stiffness(self, x: ComplexArray, internal: FloatArray) -> Stiffness:
        """Leave the spring as it is."""
        nothing = np.zeros_like(x)
        return nothing, nothing, np.zeros((self.size, *x.shape), dtype=np.complex128)


class Frame(Beside):
    """A frame of finite mass on a mounting that yields.

    The coil pushes cone and frame apart, so that the cone's inertia s c Mms (c: with a mass on it)
    stands in series with s Mf + Mf wf/Q + Mf wf^2/s of the frame (Newton's third law). That
    lessens s c Mms by (s c Mms)^2/(s c Mms + s Mf + ...). Far below wf the frame stands still, far
    above it is free.
    """

    name = "frame"
    quantities: Mapping[str, Quantity] = {
        "frame": Quantity("1", "moving mass over that of the frame", 1e-2, "%"),
        "f_frame": Quantity("Hz", "resonance of the frame on its mounting", 1, "Hz"),
        "Q_frame": Quantity("1", "Q of the frame on its mounting", 1, ""),
    }
    typical: FloatArray = np.log([0.03, 0.4, 5.0])
    starts: tuple[FloatArray, ...] = tuple(np.log([0.03, at, 5.0]) for at in (0.15, 0.3, 0.6))

    def reaction(self, x: ComplexArray, internal: FloatArray, inertia: Any) -> Reaction:
        """Reaction by ln (moving mass over frame), ln (frame's resonance over fs) and ln Q."""
        r, w, Q = np.exp(internal)
        brake, inert = x * w / Q, (1 + inertia * r) * x * x
        below = inert + brake + w * w
        whole = -(inertia**2) * r * x**4 / below
        of_cone = x * x * r / below
        return (
            whole,
            whole * (4 - (2 * inert + brake) / below),
            whole * (2 / inertia - of_cone),
            np.array(
                [
                    whole * (1 - inertia * of_cone),
                    -whole * (brake + 2 * w * w) / below,
                    whole * brake / below,
                ]
            ),
        )

    def plausible(self, internal: FloatArray) -> bool:
        """Tell whether a frame may be as light, and resonates where nothing else does."""
        r, w, _ = np.exp(internal)
        return bool(r < HEAVIEST_CONE and w < HIGHEST_FRAME)

    def words(self, written: Written) -> str:
        """Resonance of the frame in words."""
        return f"frame moves on its mounting, resonance {written('f_frame')}"

    def finding(self, written: Written, values: Mapping[str, float], share: float) -> Finding:
        """Say how heavy the cone is against the frame, and what to do."""
        return Finding(
            "frame-moves",
            "The frame moves against the cone: it resonates on its mounting at "
            f"{written('f_frame')}, and the cone has {written('frame')} of its mass. The values "
            "fs, Qs and mass are given for a driver that is held still.",
            ground="Newton's third law",
            next_step="clamp the frame to something heavy and repeat: the bump has to go.",
        )


class Second(Beside):
    """A second resonator on the cone: a mass or a vent behind a spring or a volume of air.

    A s^2 + A s wb/Q over s^2 + s wb/Q + wb^2: far above wb the spring alone (a vented box is a
    closed one there), far below a mass or a vent that moves along.
    """

    name = "second"
    quantities: Mapping[str, Quantity] = {
        "second": Quantity("1", "stiffness behind a second resonance, over the suspension's"),
        "f_second": Quantity("Hz", "second resonance", 1, "Hz"),
        "Q_second": Quantity("1", "Q of the second resonance", 1, ""),
    }
    typical: FloatArray = np.log([0.1, 0.5, 8.0])
    starts: tuple[FloatArray, ...] = tuple(np.log([0.7, at, 8.0]) for at in (0.2, 0.35, 0.6, 1.6))

    def reaction(self, x: ComplexArray, internal: FloatArray, inertia: Any) -> Reaction:
        """Reaction by ln A, ln (its resonance over fs) and ln Q; mass on the cone changes none."""
        size, w, Q = np.exp(internal)
        brake = x * w / Q
        above, below = x * x + brake, x * x + brake + w * w
        whole = size * above / below
        turn = size * w * w / below**2  # derivative by the numerator
        return (
            whole,
            turn * (2 * x * x + brake),
            np.zeros_like(whole),
            np.array([whole, turn * brake - 2 * whole * w * w / below, -turn * brake]),
        )

    def words(self, written: Written) -> str:
        """Second resonance in words."""
        return f"second resonance {written('f_second')}"

    def finding(self, written: Written, values: Mapping[str, float], share: float) -> Finding:
        """Say that this is no driver in free air."""
        return Finding(
            "two-resonances",
            f"Something resonates at {written('f_second')} with the cone: a vented box, the air "
            "under a driver on its face, or a loose part.",
            next_step="Lay the driver on its magnet, in the open, and repeat",
        )

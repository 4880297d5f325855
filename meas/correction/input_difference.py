"""Difference of two inputs that nobody compared, as far as a curve itself told it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from meas.bench.rig import Rig
from meas.curve import ComplexArray, FloatArray


@dataclass(frozen=True)
class InputDifference:
    """Difference of the driver input from the source input.

    Attributes:
        delay_samples: How much later it hears.
        delay_uncertainty: Standard uncertainty of that.
        gain: Its gain less one, as far as the coil tells; the rig's limits stay as they are.
    """

    delay_samples: float
    delay_uncertainty: float
    gain: float

    def taken_out(self, frequency_hz: FloatArray, ratio: ComplexArray, rate: int) -> ComplexArray:
        """The ratio of inputs that are alike, shape (n,)."""
        turn = 2j * np.pi * frequency_hz * self.delay_samples / rate
        return np.asarray(ratio * np.exp(turn) / (1 + self.gain))

    def narrowed(self, rig: Rig) -> Rig:
        """The rig with what is left unknown of the delay."""
        left = float(np.sqrt(3.0) * self.delay_uncertainty)
        assumed = rig.assumptions.model_copy(update={"mismatch_delay_samples": left})
        return rig.model_copy(update={"assumptions": assumed})

"""Check that the resonance is the lowest one, and that of a driver such as the rig expects."""

from __future__ import annotations

import numpy as np

from meas.curve import ComplexArray, FloatArray
from meas.errors import Finding

_NO_WOOFER_HZ = 500.0  # resonance above which a cone bears no full drive at 20 Hz
_NO_TWEETER_HZ = 2500.0
_BELOW = 1.3  # resonance over the highest frequency looked at
_FEWEST = 8  # points below the resonance
_LEAST_RISE = 0.03  # re the lowest resistance: coupling capacitors that differ make 2 %
_SIGNIFICANT = 5.0


def rising(
    frequency_hz: FloatArray,
    impedance_ohm: ComplexArray,
    uncertainty_ohm: FloatArray,
    resonance_hz: float,
) -> tuple[Finding, ...]:
    """Refuse a curve with another resonance at or below its low end.

    Criterion: below its resonance a mass on a spring has a resistance that falls steadily towards
    that of the coil, also where the spring yields slowly and where the frame moves. It rises again
    where more gives way to the cone: the air in a vent, or in the gap below a driver on its face.

    Args:
        frequency_hz: Increasing [Hz], shape (n,).
        impedance_ohm: Complex [ohm], shape (n,).
        uncertainty_ohm: Random, per component [ohm], shape (n,).
        resonance_hz: The resonance of the driver [Hz].
    """
    below = frequency_hz < resonance_hz / _BELOW
    resistance, noise = impedance_ohm.real[below], uncertainty_ohm[below]
    if resistance.size < _FEWEST:
        return ()
    least = int(np.argmin(resistance))
    if least < 3:
        return ()
    rise = float(np.mean(resistance[:2]) - resistance[least])
    needed = _SIGNIFICANT * float(np.hypot(np.max(noise[:2]), noise[least]))
    if rise <= max(needed, _LEAST_RISE * abs(resistance[least])):
        return ()
    at_hz = float(frequency_hz[below][least])
    return (
        Finding(
            "two-resonances",
            f"The resistance rises again below {at_hz:.3g} Hz, by "
            f"{100 * rise / resistance[least]:.2g} %. Another resonance lies at the low end of the "
            f"sweep, and the one at {resonance_hz:.3g} Hz is not that of the driver alone",
            refuses=True,
            next_step="Take the driver out of its box, lay it on its magnet and nothing before "
            "its cone; a finished box is measured with --kind system",
            at_hz=(at_hz,),
        ),
    )


def too_high(resonance_hz: float, woofer: bool) -> tuple[Finding, ...]:
    """Doubt a resonance that no such driver has in free air.

    Criterion: from 500 Hz on for a woofer, from 2500 Hz on for a tweeter (common practice, no
    source). The air shut in below a driver on its face lifts the resonance by a factor of three
    to ten and more, and leaves nothing else in the curve.
    """
    if resonance_hz < (_NO_WOOFER_HZ if woofer else _NO_TWEETER_HZ):
        return ()
    return (
        Finding(
            "not-a-woofer" if woofer else "high-resonance",
            f"The resonance lies at {resonance_hz:.4g} Hz, too high for the "
            f"{'woofer' if woofer else 'tweeter'} that the rig names: the air shut in below a "
            "driver on its face lifts it so far",
            next_step="Lay the driver on its magnet and measure again; if it is a tweeter, say so "
            "in the rig (woofer = false), for full drive at low frequencies destroys it"
            if woofer
            else "Lay it on its magnet, nothing before its dome, and measure again",
            at_hz=(resonance_hz,),
        ),
    )

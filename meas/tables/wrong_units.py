"""Is an impedance table in the units that its header names?"""

from __future__ import annotations

import numpy as np

from meas.curve import Curve, ImpedanceCurve
from meas.errors import Finding
from meas.passivity.bode import phase_of_magnitude

# No moving coil has less than some tenths of an ohm, headphones reach 0.6 kohm and seldom 2 kohm
# (common practice, no source). Ribbons without transformer lie between 0.1 and 0.3 ohm.
_LEAST_OHM = 0.1
_MOST_OHM = 3000.0
# A passive one-port with a phase below 1.6 degrees everywhere is a resistor: its magnitude
# cannot make the relation below ask for more than ten.
_LARGEST_IN_RADIANS = 1.6
_PHASE_ASKED_DEG = 10.0


def plausibility(curve: Curve) -> tuple[Finding, ...]:
    """Refuse what is evidently in other units than it claims.

    Criteria, each explained where its constant stands: median magnitude (kilohm, milliohm), band
    (kilohertz), and for a complex curve the phase that its magnitude asks for (radians taken for
    degrees). Magnitudes of 0.1 to 3 ohm that are really 100 to 3000 ohm in kilohm cannot be told
    from a ribbon's; phases in radians of a curve without resonance neither.

    Returns:
        Findings of code ``wrong-unit``, all refusing.
    """
    return tuple(
        Finding("wrong-unit", text, refuses=True)
        for text in (_magnitude_doubt(curve), _band_doubt(curve), _phase_doubt(curve))
        if text
    )


def _magnitude_doubt(curve: Curve) -> str:
    median = float(np.median(curve.magnitude_ohm))
    if median < _LEAST_OHM:
        return (
            f"the magnitude is {median:.3g} ohm in the middle, too little for any driver: it is "
            "probably in kilohm. Multiply the impedance columns by 1000."
        )
    if median > _MOST_OHM:
        return (
            f"the magnitude is {median:.3g} ohm in the middle, too much for any driver: it is "
            "probably in milliohm. Divide the impedance columns by 1000."
        )
    return ""


def _band_doubt(curve: Curve) -> str:
    low, high = float(curve.frequency_hz[0]), float(curve.frequency_hz[-1])
    # Below 1 Hz sound cards are deaf, and a band that ends at 200 Hz needs none of it.
    if low < 1.0 and high <= 200.0 and high / low > 100.0:
        return (
            f"the band is {low:g} Hz to {high:g} Hz: the frequencies are probably in kilohertz. "
            "Multiply the column frequency_hz by 1000."
        )
    return ""


def _phase_doubt(curve: Curve) -> str:
    if not isinstance(curve, ImpedanceCurve) or np.any(curve.magnitude_ohm <= 0):
        return ""
    given = float(np.max(np.abs(np.angle(curve.impedance_ohm, deg=True))))
    if given > _LARGEST_IN_RADIANS:
        return ""
    # Evenly thinned, so that a long table costs no more than a second.
    kept = np.unique(np.linspace(0, len(curve.frequency_hz) - 1, 500).astype(int))
    # Over the measured band only: towards its ends the phase comes out too small.
    phase = phase_of_magnitude(curve.frequency_hz[kept], np.log(curve.magnitude_ohm[kept]))
    asked = float(np.max(np.abs(np.degrees(phase)), initial=0.0))
    if asked < _PHASE_ASKED_DEG:
        return ""
    return (
        f"the phase stays within {given:.2g} degrees, but such a magnitude has about {asked:.0f} "
        "degrees: the phase is probably in radians, or it is not the phase of this impedance. "
        "Multiply the column phase_deg by 57.2958, or leave it out."
    )

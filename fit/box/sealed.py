"""A driver in a closed box: resonance, Q and cut-off.

fs is its free-air resonance [Hz], Qts its total Q there, Vas the volume equivalent to its
suspension's compliance [m3].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from meas.errors import UsageError


@dataclass(frozen=True)
class SealedBox:
    """A closed box around a driver.

    Attributes:
        volume: Net internal volume Vb [m3].
        fc: Resonance of the driver in the box [Hz].
        Qtc: Total Q of the driver in the box.
        f3: Frequency at which the response is 3 dB below its plateau [Hz].
        peak_db: Height of the response's peak above the plateau, 0 without one [dB].
    """

    volume: float
    fc: float
    Qtc: float
    f3: float
    peak_db: float


def half_power_ratio(Q: float) -> float:
    """Half-power frequency over resonance of a second-order high-pass.

    f3/fc = sqrt{[(1/Q^2 - 2) + sqrt((1/Q^2 - 2)^2 + 4)]/2} (R. H. Small, Closed-box loudspeaker
    systems, J. Audio Eng. Soc. 20(10), 1972).
    """
    bend = 1 / Q**2 - 2
    return math.sqrt((bend + math.sqrt(bend * bend + 4)) / 2)


def peak_db(Q: float) -> float:
    """Peak of a second-order high-pass above its plateau [dB]; 0 up to Q = 1/sqrt 2.

    Q^2/sqrt(Q^2 - 1/4) (Small 1972, as above).
    """
    if math.sqrt(0.5) >= Q:
        return 0.0
    return 20 * math.log10(Q * Q / math.sqrt(Q * Q - 0.25))


def sealed_by_volume(fs: float, Qts: float, Vas: float, volume: float) -> SealedBox:
    """The closed box of a given net volume [m3].

    fc = fs sqrt(1 + alpha), Qtc = Qts sqrt(1 + alpha), alpha = Vas/Vb (Small 1972, as above);
    without losses of the box itself, which lower Qtc, and without lining, which raises the
    effective volume.
    """
    growth = math.sqrt(1 + Vas / volume)
    fc, Qtc = fs * growth, Qts * growth
    return SealedBox(volume, fc, Qtc, fc * half_power_ratio(Qtc), peak_db(Qtc))


def sealed_by_Qtc(fs: float, Qts: float, Vas: float, Qtc: float) -> SealedBox:  # noqa: N802  # Qtc is the field's symbol
    """The closed box that gives a wished total Q.

    Maximally flat for a driver of Qts 0.4:

    >>> box = sealed_by_Qtc(fs=40.0, Qts=0.4, Vas=0.030, Qtc=0.7071)
    >>> print(f"{1e3 * box.volume:.1f} L, fc {box.fc:.1f} Hz, f3 {box.f3:.1f} Hz")
    14.1 L, fc 70.7 Hz, f3 70.7 Hz

    Raises:
        UsageError: If Qtc is not above Qts: a box can only raise the Q.
    """
    if Qtc <= Qts:
        raise UsageError(
            f"a closed box cannot bring Qtc to {Qtc:.3g}: the driver in free air already has "
            f"Qts {Qts:.3g}, and a box only raises it",
            where="Qtc",
            remedy=f"Ask for a Qtc above {Qts:.3g}, or lower Qts first (stronger motor)",
        )
    return sealed_by_volume(fs, Qts, Vas, Vas / ((Qtc / Qts) ** 2 - 1))

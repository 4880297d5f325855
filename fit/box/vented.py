"""A driver in a vented box: fourth-order alignments solved from their polynomials.

The lossy vented box is the fourth-order high-pass of R. H. Small, Vented-box loudspeaker systems,
J. Audio Eng. Soc. 21(5-8), 1973:

    G = s^4 / (s^4 + a1 s^3 w0 + a2 s^2 w0^2 + a3 s w0^3 + w0^4),   w0^2 = 2 pi fb * 2 pi fs
    a1 = (QL + h QT)/(sqrt(h) QL QT)
    a2 = [h + (alpha + 1 + h^2) QL QT]/(h QL QT)
    a3 = (h QL + QT)/(sqrt(h) QL QT)

with h = fb/fs, alpha = Vas/Vb, the box's leakage Q QL (``math.inf`` for none) and the total Q QT of
the driver, the source's resistance included; fs is its free-air resonance [Hz], Vas the volume
equivalent to its suspension's compliance [m3].
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fit.numerics.bisection import bisected
from meas.curve import ComplexArray, FloatArray
from meas.errors import Refused

_LEAST_K = 0.01
"""Least scale of the poles that is looked at: a ripple of tens of decibels."""


TIGHT = 7.0
"""Leakage Q of a usual tight box (R. H. Small, J. Audio Eng. Soc. 21, 1973, part IV; from
memory)."""


@dataclass(frozen=True)
class VentedBox:
    """A vented box around a driver.

    Attributes:
        family: ``flat`` (maximally flat or quasi-Butterworth), ``rippled`` (Chebyshev) or
            ``given`` (volume and tuning chosen by the user).
        volume: Net internal volume Vb [m3].
        fb: Resonance of vent and box [Hz].
        alpha: Vas/Vb.
        h: fb/fs.
        f3: Frequency at which the response is 3 dB below its plateau [Hz].
        peak_db: Largest height of the response above its plateau [dB].
    """

    family: str
    volume: float
    fb: float
    alpha: float
    h: float
    f3: float
    peak_db: float


def coefficients(QT: float, QL: float, alpha: float, h: float) -> tuple[float, float, float]:
    """a1, a2, a3 of the module's polynomial."""
    leak = 0.0 if math.isinf(QL) else 1 / QL
    root_h = math.sqrt(h)
    return (
        1 / (root_h * QT) + root_h * leak,
        leak / QT + (alpha + 1 + h * h) / h,
        root_h / QT + leak / root_h,
    )


def response(
    frequency_hz: FloatArray, fs: float, QT: float, QL: float, alpha: float, h: float
) -> ComplexArray:
    """Pressure response relative to the plateau at frequencies of shape (n,)."""
    a1, a2, a3 = coefficients(QT, QL, alpha, h)
    s = 1j * np.asarray(frequency_hz) / (fs * math.sqrt(h))
    return np.asarray(s**4 / (s**4 + a1 * s**3 + a2 * s**2 + a3 * s + 1))


def half_power_frequency(fs: float, QT: float, QL: float, alpha: float, h: float) -> float:
    """Highest frequency at which the response is 3 dB below its plateau [Hz]."""
    a1, a2, a3 = coefficients(QT, QL, alpha, h)
    # |G|^2 = x^4/(x^4 + b3 x^3 + b2 x^2 + b1 x + 1) = 1/2 with x = (w/w0)^2
    b3, b2, b1 = a1 * a1 - 2 * a2, a2 * a2 + 2 - 2 * a1 * a3, a3 * a3 - 2 * a2
    roots = np.roots([1, -b3, -b2, -b1, -1])
    real = roots[(abs(roots.imag) < 1e-9 * abs(roots)) & (roots.real > 0)].real
    return float(fs * math.sqrt(h) * math.sqrt(real.max()))


def _peak_db(fs: float, QT: float, QL: float, alpha: float, h: float) -> float:
    f3 = half_power_frequency(fs, QT, QL, alpha, h)
    grid = f3 * np.geomspace(1, 20, 4000)
    height = 20 * np.log10(np.abs(response(grid, fs, QT, QL, alpha, h))).max()
    return float(height) if height > 1e-3 else 0.0


def _box(
    family: str, fs: float, QT: float, Vas: float, QL: float, alpha: float, h: float
) -> VentedBox:
    return VentedBox(
        family=family,
        volume=Vas / alpha,
        fb=h * fs,
        alpha=alpha,
        h=h,
        f3=half_power_frequency(fs, QT, QL, alpha, h),
        peak_db=_peak_db(fs, QT, QL, alpha, h),
    )


def vented_by_volume(
    fs: float, QT: float, Vas: float, volume: float, fb: float, QL: float = TIGHT
) -> VentedBox:
    """The vented box of a given net volume [m3] and tuning [Hz]."""
    return _box("given", fs, QT, Vas, QL, Vas / volume, fb / fs)


def vented_flattest(fs: float, QT: float, Vas: float, QL: float = TIGHT) -> VentedBox:
    """The flattest vented box for a driver.

    Below the Q of the fourth-order Butterworth response the quasi-Butterworth family
    (a1^2 = 2 a2 and a2^2 + 2 = 2 a1 a3: no term of |G|^-2 between the first and the last), above
    it the equal-ripple Chebyshev family with the least ripple that this Q allows (A. N. Thiele,
    J. Audio Eng. Soc. 19(5), 1971; R. H. Small 1973, part IV).

    The lossless maximally flat alignment, alpha 1.414 and h 1 (Thiele 1971):

    >>> import math
    >>> box = vented_flattest(fs=40.0, QT=butterworth_Q(math.inf), Vas=0.060, QL=math.inf)
    >>> print(f"{box.family}: alpha {box.alpha:.3f}, h {box.h:.3f}, f3 {box.f3:.1f} Hz")
    flat: alpha 1.414, h 1.000, f3 40.0 Hz

    Raises:
        Refused: If no alignment of either family exists for this Q.
    """
    solution = _quasi_butterworth(QT, QL)
    family = "flat"
    if solution is None:
        solution = _chebyshev(QT, QL)
        family = "rippled"
    if solution is None:
        raise Refused.because(
            "no-alignment",
            f"no flat or rippled vented box exists for Qts {QT:.3g} with QL {QL:.3g}; a closed "
            "box, or a vented one of chosen volume and tuning, is left",
        )
    return _box(family, fs, QT, Vas, QL, *solution)


def butterworth_Q(QL: float) -> float:  # noqa: N802  # Q is the field's symbol
    """Total Q at which the flattest box is exactly the fourth-order Butterworth response.

    a1 = a3 forces h = 1, then a1 = 1/QT + 1/QL = sqrt(4 + 2 sqrt 2).
    """
    return 1 / (math.sqrt(4 + 2 * math.sqrt(2)) - 1 / QL)


def _quasi_butterworth(QT: float, QL: float) -> tuple[float, float] | None:
    """(alpha, h) of the quasi-Butterworth box, or None above the Butterworth Q.

    With x = a1: a2 = x^2/2 and a3 = (x^4/4 + 2)/(2 x). a1 and a3 depend on h alone, so h is the
    root of one function; alpha follows from a2.
    """
    if butterworth_Q(QL) * (1 + 1e-12) < QT:
        return None

    def mismatch(h: float) -> float:
        a1, _, a3 = coefficients(QT, QL, 0.0, h)
        return a3 - (a1**4 / 4 + 2) / (2 * a1)

    # At h = 1 a1 = a3 lies at or above the Butterworth value and the mismatch is not positive;
    # with growing h a3 grows as sqrt(h) while a1 falls.
    high = 2.0
    while mismatch(high) < 0:
        high *= 2
        if high > 1e6:
            return None
    h = 1.0 if mismatch(1.0) >= 0 else bisected(mismatch, 1.0, high)
    if h is None:
        return None
    a1 = coefficients(QT, QL, 0.0, h)[0]
    alpha = _alpha_from_a2(a1 * a1 / 2, QT, QL, h)
    return (alpha, h) if alpha > 0 else None


def _chebyshev(QT: float, QL: float) -> tuple[float, float] | None:
    """(alpha, h) of the equal-ripple box, or None where it does not exist.

    Poles of the Butterworth circle with real parts scaled by k < 1, normalised to a constant term
    of 1; k = 1 is Butterworth. For a given k, a1 and a3 are linear in sqrt(h) and 1/sqrt(h), whose
    product makes k the root of one function; alpha follows from a2.
    """
    leak = 0.0 if math.isinf(QL) else 1 / QL
    if QT * leak == 1.0:
        return None  # then a1 = a3, which no k < 1 gives
    matrix = np.array([[leak, 1 / QT], [1 / QT, leak]])

    def targets(k: float) -> FloatArray:
        angles = np.array([5, 7, 9, 11]) * np.pi / 8
        poles = k * np.cos(angles) + 1j * np.sin(angles)
        polynomial = np.real(np.poly(1 / poles))  # high-pass: the low-pass poles inverted
        return np.asarray(polynomial[1:4] / polynomial[4] ** (np.arange(1, 4) / 4))

    def roots_of_h(k: float) -> FloatArray:
        return np.linalg.solve(matrix, targets(k)[[0, 2]])

    k = bisected(lambda k: float(np.prod(roots_of_h(k))) - 1, _LEAST_K, 1.0)
    if k is None or k == 1.0:
        return None
    h = float(roots_of_h(k)[0]) ** 2
    alpha = _alpha_from_a2(float(targets(k)[1]), QT, QL, h)
    return (alpha, h) if alpha > 0 else None


def _alpha_from_a2(a2: float, QT: float, QL: float, h: float) -> float:
    return h * (a2 - coefficients(QT, QL, 0.0, h)[1])

"""Passive parts as one-ports: resistor, inductor, capacitor, each with its main flaws.

Flaws are linear parameters that may come out below zero when the bench cannot tell them: an
interval that is not allowed to reach zero could not say so.
"""

from __future__ import annotations

import numpy as np

from meas.curve import ComplexArray, FloatArray

LETTER = {"resistor": "R", "capacitor": "C", "inductor": "L"}
"""Kind of part to the letter of its value, and of its name in a circuit."""
UNIT = {"resistor": "ohm", "capacitor": "F", "inductor": "H"}
"""Kind of part to the unit of its value."""
REFERENCE_HZ = 1000.0
"""Where ESR, C and Q are stated [Hz]."""
_OMEGA = 2 * np.pi * REFERENCE_HZ


class Resistor:
    """R + s L, parameters ln R and L. The inductance of a wire winding; negative if capacitive."""

    size = 2

    def impedance(self, s: ComplexArray, theta: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (p, n), at s [rad/s]."""
        R = np.full(s.shape, np.exp(theta[0]), dtype=np.complex128)
        return R + s * theta[1], np.stack([R, s])

    def start(self, s: ComplexArray, z: ComplexArray) -> FloatArray:
        """Start from the median resistance."""
        return np.array([np.log(max(float(np.median(z.real)), 1e-6)), 0.0])


class Inductor:
    """R + (s L parallel 1/G), parameters R, ln L, G: winding resistance and core loss.

    Core loss as a constant parallel resistance 1/G stands for eddy currents in thin laminations
    or grains, whose loss rises with the square of flux and frequency (common practice, no
    source). What a real core does besides shows in L and R against frequency.
    """

    size = 3

    def impedance(self, s: ComplexArray, theta: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (p, n), at s [rad/s]."""
        y = s * np.exp(theta[1])
        share = 1 / (1 + y * theta[2])
        slopes = [np.ones_like(y), y * share**2, -((y * share) ** 2)]
        return theta[0] + y * share, np.stack(slopes)

    def start(self, s: ComplexArray, z: ComplexArray) -> FloatArray:
        """Start from the weighted mean of Im Z/omega and the least resistance."""
        omega = s.imag
        weight = np.clip(z.imag / np.abs(z), 0.0, None) ** 2
        L = float(np.sum(weight * z.imag / omega) / max(float(np.sum(weight)), 1e-12))
        return np.array([float(np.min(z.real)), np.log(max(L, 1e-9)), 0.0])


class Capacitor:
    """Rs + (s/w0)^e/(s C cos(e pi/2)), parameters ln C, Rs, e, with w0 at 1 kHz.

    Rs is the resistance of plates and leads; the power of s is a dielectric of constant loss
    angle e pi/2, the simplest causal one (A. K. Jonscher, Dielectric Relaxation in Solids, 1983;
    from memory). At 1 kHz the reactance is that of C.
    """

    size = 3

    def impedance(self, s: ComplexArray, theta: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm], shape (n,), and its derivatives, shape (p, n), at s [rad/s]."""
        C, Rs, e = float(np.exp(theta[0])), theta[1], theta[2]
        logarithm = np.log(s / _OMEGA)
        z = np.exp(e * logarithm) / (s * C * np.cos(e * np.pi / 2))
        slope = z * (logarithm + np.pi / 2 * np.tan(e * np.pi / 2))
        return Rs + z, np.stack([-z, np.ones_like(s), slope])

    def start(self, s: ComplexArray, z: ComplexArray) -> FloatArray:
        """Start from the weighted mean of -omega Im Z."""
        weight = np.clip(-z.imag / np.abs(z), 0.0, None) ** 2
        elastance = float(np.sum(weight * -z.imag * s.imag) / max(float(np.sum(weight)), 1e-12))
        return np.array([-np.log(max(elastance, 1e-3)), 0.0, 0.0])

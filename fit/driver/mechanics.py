"""The moving system beside its mass: spring and closed former, normalised at resonance.

A frame that moves, or a second resonance, stands beside both and is not normalised: fs and Qs are
those of a driver held still (`fit.driver.laws.frame`).

Definitions that hold under every law: resonance where the mechanical impedance is real, Rms that
value there, Cms = 1/(ws^2 Mms), Qms = ws Mms/Rms. The sum of the laws is therefore normalised to
one at resonance, its loss there taken into Rms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from fit.driver.elements.unbounded import Slopes
from fit.driver.laws.frame import Beside, Reaction
from fit.driver.laws.law import Law, Stiffness
from meas.curve import ComplexArray, FloatArray

_AT_RESONANCE = np.array([1j])


@dataclass(frozen=True)
class Mechanics:
    """A spring, ideal or under one law, and a closed former or none.

    Attributes:
        suspension: Law of the spring; None for an ideal one.
        former: A closed former; None without one.
        beside: A frame that moves, or a second resonance; None without one.
    """

    suspension: Law | None = None
    former: Law | None = None
    beside: Beside | None = None

    @property
    def laws(self) -> tuple[Law, ...]:
        """The laws in the order of their parameters."""
        laws = (self.suspension, self.beside, self.former)
        return tuple(law for law in laws if law is not None)

    @property
    def name(self) -> str:
        """Names of the laws, each after a plus sign; empty for an ideal spring."""
        return "".join(f"+{law.name}" for law in self.laws)

    @property
    def size(self) -> int:
        """Number of internal parameters."""
        return sum(law.size for law in self.laws)

    @property
    def symbols(self) -> tuple[str, ...]:
        """Names of the parameters as reported."""
        return tuple(self.reported(self.typical, 1.0))

    @property
    def typical(self) -> FloatArray:
        """Internal parameters where data say nothing about them, shape (size,)."""
        return np.concatenate([np.zeros(0), *(law.typical for law in self.laws)])

    @property
    def starts(self) -> tuple[FloatArray, ...]:
        """Internal parameters tried as starts."""
        found: list[FloatArray] = [np.zeros(0)]
        for law in self.laws:
            found = [np.concatenate([head, tail]) for head in found for tail in law.starts]
        return tuple(found)

    def as_seen(self, state: FloatArray, internal: FloatArray) -> FloatArray:
        """A reference state whose resonance shows where that of a state without laws does.

        Args:
            state: Logarithms of `fit.driver.impedance`, shape (4,).
        """
        reaction = self.reaction(_AT_RESONANCE, internal, 1.0)
        if reaction is None:
            return state
        moved = state.copy()
        moved[2] -= 0.5 * np.log(max(1.0 + float(reaction[0][0].real), 0.3))
        return moved

    def stiffness(self, x: ComplexArray, internal: FloatArray) -> Stiffness:
        """Dynamic stiffness over ws^2 Mms, its constant loss taken out: 1 at resonance.

        Args:
            x: Complex angular frequency over the angular resonance, shape (n,).

        Returns:
            Stiffness, shape (n,), its derivative by ln x, and by the parameters, (size, n).
        """
        if not self.laws:
            none = np.zeros((0, *x.shape), dtype=np.complex128)
            return np.ones_like(x), np.zeros_like(x), none
        total, along, slopes = self._sum(_with_resonance(x), internal)
        size, by_size = total[..., -1:].real, slopes[..., -1:].real
        return _lossless_at_resonance(x, total / size, along / size, slopes / size, by_size / size)

    def braking(self, x: ComplexArray, internal: FloatArray) -> Stiffness:
        """The former's part of `stiffness`: what does not change when the spring does.

        Args and Returns as there; nothing without a former.
        """
        if self.former is None:
            nothing = np.zeros_like(x)
            return nothing, nothing, np.zeros((self.size, *x.shape), dtype=np.complex128)
        at = _with_resonance(x)
        whole, _, slopes = self._sum(at[..., -1:], internal)
        size, by_size = whole.real, slopes.real
        k, along, by_own = self.former.stiffness(at, self.parts(internal)[-1])
        by_internal: ComplexArray = np.zeros((self.size, *k.shape), dtype=np.complex128)
        by_internal[-self.former.size :] = by_own
        return _lossless_at_resonance(x, k / size, along / size, by_internal / size, by_size / size)

    def reaction(self, x: ComplexArray, internal: FloatArray, inertia: Any) -> Reaction | None:
        """Reaction of what moves beside the cone, as `Beside.reaction`; None without it.

        The derivatives by parameters are those of all laws, shape (size, n).
        """
        if self.beside is None:
            return None
        first = 0 if self.suspension is None else self.suspension.size
        own = slice(first, first + self.beside.size)
        whole, along, by_inertia, by_own = self.beside.reaction(x, internal[own], inertia)
        slopes = np.zeros((self.size, *whole.shape), dtype=np.complex128)
        slopes[own] = by_own
        return whole, along, by_inertia, slopes

    def _sum(self, x: ComplexArray, internal: FloatArray) -> Stiffness:
        """Sum of the laws before it is normalised, with its derivatives."""
        total = np.full(x.shape, 1.0 if self.suspension is None else 0.0, dtype=complex)
        along = np.zeros_like(total)
        slopes = []
        for law, own in zip(self.laws, self.parts(internal), strict=True):
            k, by_x, by_internal = law.stiffness(x, own)
            total, along = total + k, along + by_x
            slopes.append(by_internal)
        return total, along, np.concatenate(slopes)

    def ring(
        self, x: ComplexArray, internal: FloatArray, per_ohm: Any
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
        """Effect of a closed former on the blocked coil and on the force factor.

        Args:
            x: Complex angular frequency over the angular resonance, shape (n,).
            per_ohm: Reciprocal of Bl^2/(ws Mms) [1/ohm].

        Returns:
            Impedance in series with the coil [ohm] and factor on the force factor, each of shape
            (n,), and the derivatives of each by ln x, by ln per_ohm and by the parameters, shape
            (2 + size, n). Nothing and 1 without a former.
        """
        if self.former is None:
            nothing = np.zeros_like(x)
            flat = np.zeros((2 + self.size, *x.shape), dtype=complex)
            return nothing, nothing + 1, flat, flat
        first = self.size - 3  # the former stands last
        at, _, slopes = self._sum(_resonance(x), internal)
        delay, R = np.exp(internal[first + 1]), np.exp(internal[first + 2])
        h = x * delay / (1 + x * delay)
        by_delay = h / (1 + x * delay)
        none = np.zeros_like(h)
        series = R * h
        by_series = [R * by_delay, none, *[none] * self.size]
        by_series[2 + first + 1], by_series[2 + first + 2] = R * by_delay, series
        turn = np.sqrt(np.exp(internal[first]) / at.real * R * per_ohm)
        # Logarithmic derivatives of turn; what it is multiplied with moves by ln x and delay.
        by_turn = [none, none + 0.5, *(none - 0.5 * row.real / at.real for row in slopes)]
        by_turn[2 + first] += 0.5
        by_turn[2 + first + 2] += 0.5
        by_force = np.array([-turn * h * row for row in by_turn])
        by_force[0] -= turn * by_delay
        by_force[2 + first + 1] -= turn * by_delay
        return series, 1 - turn * h, np.array(by_series), by_force

    def turn(self, internal: FloatArray, per_ohm: float) -> float:
        """Share of the force that a closed former takes far above its corner; arguments of `ring`.

        The square root of what it brakes, over what its resistance in the coil would brake.
        """
        if self.former is None:
            return 0.0
        brake, _, R = np.exp(self.parts(internal)[-1])
        return float(np.sqrt(brake / self.at_resonance(internal).real * R * per_ohm))

    def plausible(self, internal: FloatArray) -> bool:
        """Tell whether the parameters are what the names of the laws say."""
        return all(
            law.plausible(own) for law, own in zip(self.laws, self.parts(internal), strict=True)
        )

    def at_resonance(self, internal: FloatArray) -> complex:
        """Sum of the laws at resonance, before it is normalised."""
        return complex(self._sum(_AT_RESONANCE, internal)[0][0]) if self.laws else 1.0

    def loss(self, internal: FloatArray) -> float:
        """Part of 1/Qms that the laws take at resonance; the rest is viscous."""
        total = self.at_resonance(internal)
        return float(total.imag / total.real)

    def parts(self, internal: FloatArray) -> list[FloatArray]:
        """Internal parameters of each law."""
        ends = np.cumsum([law.size for law in self.laws])
        return [internal[end - law.size : end] for law, end in zip(self.laws, ends, strict=True)]

    def internal(self, values: Mapping[str, float], fs: float) -> tuple[FloatArray, Slopes]:
        """Internal parameters from reported ones, and the derivatives of each by these and fs.

        Raises:
            KeyError: If a parameter of a law is missing.
        """
        found, slopes = [np.zeros(0)], []
        for law in self.laws:
            own, rows = law.internal(values, fs)
            found.append(own)
            slopes += rows
        return np.concatenate(found), slopes

    def reported(self, internal: FloatArray, fs: float) -> Mapping[str, tuple[float, str]]:
        """Parameters of the laws under their own names: value and unit."""
        found: dict[str, tuple[float, str]] = {}
        for law, own in zip(self.laws, self.parts(internal), strict=True):
            found.update(law.reported(own, fs))
        return found


def _with_resonance(x: ComplexArray) -> ComplexArray:
    """Append the resonance to the frequencies."""
    return np.concatenate([x, _resonance(x)], axis=-1)


def _resonance(x: ComplexArray) -> ComplexArray:
    """The resonance itself, a last axis of one beside those of x."""
    return _AT_RESONANCE if x.ndim == 1 else np.broadcast_to(_AT_RESONANCE, (*x.shape[:-1], 1))


def _lossless_at_resonance(
    x: ComplexArray, k: ComplexArray, along: ComplexArray, slopes: ComplexArray, by_size: FloatArray
) -> Stiffness:
    """A stiffness, known at resonance too, without the constant loss that it has there.

    Args:
        x: Frequencies, shape (n,).
        k: Stiffness over that at resonance of the whole, shape (n + 1,).
        along: Its derivative by ln x.
        slopes: Its derivatives by the parameters, size unchanged, shape (p, n + 1).
        by_size: Logarithmic derivatives of the size by the parameters, shape (p, 1).
    """
    loss = k[..., -1:].imag
    here = k[..., :-1] - loss * x
    by_loss = slopes[..., -1:].imag
    return here, along[..., :-1] - loss * x, slopes[..., :-1] - by_loss * x - here * by_size


IDEAL = Mechanics()

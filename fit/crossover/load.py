"""What a crossover branch drives: an impedance at any frequency, with its errors."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from fit.driver.named_model import KnownModel, known, motion
from fit.results.result import DriverFit
from meas.curve import ComplexArray, FloatArray, ImpedanceCurve

Impedance = Callable[[FloatArray], ComplexArray]


@dataclass(frozen=True, eq=False)
class Load:
    """A driver as a load.

    Attributes:
        name: What it is.
        impedance: Frequencies [Hz], shape (n,), to impedance [ohm], complex, shape (n,).
        band_hz: Where it is known.
        errors: Error source to the change of the impedance for plus one standard uncertainty.
        sources: Error source to its description.
        Re: Coil resistance [ohm], or the least magnitude where it was not fitted.
        Le: Inductance near 1 to 10 kHz, of the coil and of a ring beside it [H].
    """

    name: str
    impedance: Impedance
    band_hz: tuple[float, float]
    errors: Mapping[str, Impedance]
    sources: Mapping[str, str]
    Re: float
    Le: float


def from_curve(name: str, curve: ImpedanceCurve) -> Load:
    """A load as measured, between its points by cubic splines over ln f.

    Its random errors are left out: they are a few parts in ten thousand at a single point and
    average out in everything that is read from a network. Common errors count.

    Args:
        name: What was measured.
        curve: Its impedance.
    """
    z, f = curve.impedance_ohm, curve.frequency_hz
    high = int(np.argmin(np.abs(np.log(f / 10e3))))
    inductance = max(float(z[high].imag) / (2 * math.pi * float(f[high])), 0.0)
    return Load(
        name=name,
        impedance=_spline(f, z),
        band_hz=(float(f[0]), float(f[-1])),
        errors={e.source: _spline(f, e.derivative_ohm) for e in curve.systematics},
        sources={e.source: e.text for e in curve.systematics},
        Re=float(np.min(np.abs(z))),
        Le=inductance,
    )


def from_fit(name: str, fit: DriverFit) -> Load:
    """A load as fitted in free air: exact at every frequency of the band.

    Args:
        name: What was measured.
        fit: Its fit.

    Raises:
        Refused: ``unknown-coil``, where its model is not known or lacks a parameter.
        KeyError: If the fit lacks Re, fs, Qms or Res.
    """
    values = {symbol: e.value for symbol, e in fit.parameters.items()}
    driver = _FreeDriver(values, known(fit.model, values))
    curve = next((c for c in fit.curves if c.condition == "free-air"), fit.curves[0])
    used = (*_STATE, *driver.model.symbols)

    def effect(source: str) -> Impedance:
        changes = {n: fit.parameters[n].contributions.get(source, 0.0) for n in used}
        return lambda f: np.asarray(driver.moved(changes) @ driver.impedance(f)[1])

    told = {s for symbol in used for s in fit.parameters[symbol].contributions}
    return Load(
        name=name,
        impedance=lambda f: driver.impedance(f)[0],
        band_hz=(float(curve.frequency_hz[0]), float(curve.frequency_hz[-1])),
        # What is random in two fits is not the same error, whatever it is called in each.
        errors={_own(source, name): effect(source) for source in sorted(told)},
        sources={_own(source, name): fit.sources.get(source, source) for source in told},
        Re=values["Re"],
        Le=values.get("Le", 0.0),
    )


def fitted_impedance(
    frequency_hz: FloatArray, values: Mapping[str, float], model: str
) -> ComplexArray:
    """Impedance of a fitted driver in free air [ohm], shape (n,).

    Args:
        frequency_hz: Frequencies [Hz], shape (n,), within the band of the take: an empirical coil
            says nothing beyond.
        values: ``Re fs Qms Res`` and those of coil and laws.
        model: Name of the model.

    Raises:
        Refused: ``unknown-coil``.
    """
    f = np.asarray(frequency_hz, dtype=float)
    return _FreeDriver(values, known(model, values)).impedance(f)[0]


_STATE = ("Re", "fs", "Qms", "Res")


@dataclass(frozen=True, eq=False)
class _FreeDriver:
    """A fitted driver in free air: Re + coil + Res times its motion (`fit.driver.named_model`).

    A closed former stands beside the coil and turns the force factor (`fit.driver.former`).
    """

    values: Mapping[str, float]
    model: KnownModel

    def moved(self, changes: Mapping[str, float]) -> FloatArray:
        """Changes of the parameters of `impedance` by small ones of the reported."""
        state = [changes[name] / self.values[name] for name in _STATE]
        return np.concatenate([state, self.model.moved(changes)])

    def impedance(self, f: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Impedance [ohm] and its derivatives by the logarithms of `_STATE`, coil and laws."""
        Re, fs, Qms, Res = (self.values[name] for name in _STATE)
        model, s = self.model, np.asarray(2j * np.pi * f, dtype=np.complex128)
        x, laws = s / (2 * np.pi * fs), (model.mechanics, model.of_laws)
        coil, by_coil = model.coil.impedance(s, model.of_coil)
        unturned, by = motion(x, Qms, *laws)
        # Bl^2/(ws Mms) is Res/Qms.
        series, force, by_series, by_force = model.mechanics.ring(x, model.of_laws, Qms / Res)
        moving = Res * force**2 * unturned
        by = Res * force**2 * by
        turned = by_series + 2 * Res * force * unturned * by_force  # by ln x, ln Qms/Res, laws
        flat = np.full(f.shape, Re + 0j)
        by_state = [flat, by[0] - turned[0], by[1] + turned[1], moving - turned[1]]
        slopes = np.stack([*by_state, *by_coil, *(by[2:] + turned[2:])])
        return Re + coil + series + moving, slopes


def _own(source: str, name: str) -> str:
    return f"{source}:{name}" if source.startswith("random:") else source


def _spline(frequency_hz: FloatArray, values: ComplexArray) -> Impedance:
    from scipy.interpolate import CubicSpline

    if frequency_hz.size < 2:
        return lambda f: np.full(np.shape(f), values[0])
    spline = CubicSpline(np.log(frequency_hz), values)
    return lambda f: np.asarray(spline(np.log(f)))

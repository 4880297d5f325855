"""The load of a crossover branch: an impedance at any frequency, with its errors."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from fit.driver.from_reported import in_free_air
from fit.driver.impedance import Modelled
from fit.results.error_sources import named_apart
from fit.results.result import DriverFit
from meas.curve import ComplexArray, FloatArray, ImpedanceCurve

Impedance = Callable[[FloatArray], ComplexArray]


@dataclass(frozen=True, eq=False)
class Load:
    """A driver as a load.

    Attributes:
        impedance: Function of frequencies [Hz], shape (n,): complex impedance [ohm], shape (n,).
        band_hz: Lowest and highest frequency at which it is known.
        errors: Error source to the change of the impedance for plus one standard uncertainty.
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

    Raises:
        Refused: ``unknown-coil``, where its model is not known or lacks a parameter.
        KeyError: If the fit lacks Re, fs, Qms or Res.
    """
    values = fit.model_values
    model = in_free_air(fit.model, values)
    curve, given = fit.free_air[0], fit.parameters

    def modelled(f: FloatArray) -> Modelled:
        return model.driver.impedance(np.asarray(2j * np.pi * f), model.internal)

    def effect(source: str) -> Impedance:
        # What a value that is left open could do is in the uncertainty of the others.
        parts = {n: given[n].contributions.get(source, 0.0) for n in model.symbols if n in given}
        changes = model.changed(parts)
        return lambda f: np.asarray(changes @ modelled(f).by_parameter(changes.size))

    found = {s for n in model.symbols if n in given for s in given[n].contributions}
    return Load(
        name=name,
        impedance=lambda f: modelled(f).total,
        band_hz=(float(curve.frequency_hz[0]), float(curve.frequency_hz[-1])),
        errors=named_apart({source: effect(source) for source in sorted(found)}, f":{name}"),
        sources=named_apart({s: fit.sources.get(s, s) for s in found}, f":{name}"),
        Re=values["Re"],
        Le=values.get("Le", 0.0),
    )


def fitted_impedance(
    frequency_hz: FloatArray, values: Mapping[str, float], model: str
) -> ComplexArray:
    """Impedance of a fitted driver in free air [ohm], its frame held still, shape (n,).

    Args:
        frequency_hz: Frequencies [Hz], shape (n,), within the band of the take: an empirical coil
            says nothing beyond.
        values: ``Re fs Qms Res`` and those of coil and laws.

    Raises:
        Refused: ``unknown-coil``.
    """
    known = in_free_air(model, values)
    s = np.asarray(2j * np.pi * np.asarray(frequency_hz, dtype=float))
    driver, theta = known.driver, known.internal
    return driver.blocked(s, theta) + driver.motion(s, theta)


def _spline(frequency_hz: FloatArray, values: ComplexArray) -> Impedance:
    from scipy.interpolate import CubicSpline

    if frequency_hz.size < 2:
        return lambda f: np.full(np.shape(f), values[0])
    spline = CubicSpline(np.log(frequency_hz), values)
    return lambda f: np.asarray(spline(np.log(f)))

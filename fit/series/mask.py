"""Limits on the part of a unit's curve that its parameters do not explain.

Curves are looked at in bands of a sixth of an octave, in three layers: the magnitude as measured,
and magnitude and phase of measured over fitted, which is what no parameter explains. What the
model misses in every unit stands in the centre of the band and sets no unit apart. A rub, a leak,
a loose joint or a cone that breaks up elsewhere is left over.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fit.numerics.robust import centre_and_spread, tolerance_factor
from fit.results.judge import Word, decide
from fit.results.result import Z95, DriverFit, FittedCurve
from meas.curve import FloatArray

LayerName = Literal["magnitude", "shape", "phase"]
WORDS: Mapping[LayerName, str] = {
    "magnitude": "|Z| as measured",
    "shape": "|Z| beyond what the fit explains",
    "phase": "phase beyond what the fit explains",
}
EXPLAINED: tuple[LayerName, ...] = ("shape", "phase")
"""Layers by which a unit that could be fitted is judged."""

PER_OCTAVE = 6
_BANDS = np.arange(-60, 49)
CENTRES_HZ: FloatArray = 1000.0 * 2.0 ** (_BANDS / PER_OCTAVE)
"""Centres of all bands, from 1 Hz to 256 kHz [Hz]."""
_EDGES = 1000.0 * 2.0 ** ((np.arange(-60, 50) - 0.5) / PER_OCTAVE)
_NEIGHBOURS = 2
_NOISE_FACTOR = 2.0
"""Factor within which the few points of a band show their noise."""
_LEAST = 3e-4
"""Least spread, 0.03 %: limits of some 0.2 % of |Z| and 0.1 degrees. Below, another cable or a
warmer room do as much as a fault (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Profile:
    """One curve in bands; NaN where it does not reach.

    Attributes:
        layers: Name to values in the natural logarithm, or radians, shape (bands,).
        noise: Standard uncertainty of each by scatter from point to point, shape (bands,).
    """

    layers: Mapping[LayerName, FloatArray]
    noise: FloatArray


@dataclass(frozen=True, eq=False)
class Layer:
    """Centre and spread of one layer of good units.

    Attributes:
        frequency_hz: Centres of the bands, shape (b,).
        centre: In the natural logarithm (of ohms for the magnitude), or radians, shape (b,).
        spread: Robust standard deviation over units, noise included, shape (b,).
    """

    frequency_hz: FloatArray
    centre: FloatArray
    spread: FloatArray


@dataclass(frozen=True, eq=False)
class Mask:
    """Limits of the curves of good units.

    Attributes:
        layers: Name to layer; without phases, or with no band in common, some are missing.
        factor: Half-width of the limits over the spread; it holds for all bands at once.
    """

    layers: Mapping[LayerName, Layer]
    factor: float


@dataclass(frozen=True)
class Departure:
    """Departure of one layer of a unit from the mask, given by its worst band.

    Attributes:
        verdict: Verdict over all its bands: one outside makes it outside.
        frequency_hz: Centre of the worst band.
        size: Unit less centre there, logarithm or radians.
        limit: Largest size of a good unit there.
        reach_95: Half-width of the 95 % interval of the size, by the unit's own noise.
        outside_hz: Centres of all bands outside.
    """

    layer: LayerName
    verdict: Word
    frequency_hz: float
    size: float
    limit: float
    reach_95: float
    outside_hz: tuple[float, ...]


def profile(fit: DriverFit) -> Profile:
    """Average the free-air takes of a fitted unit in bands."""
    each = [_profile(curve) for curve in fit.free_air]
    names = [name for name in WORDS if all(name in one.layers for one in each)]
    layers = {name: np.mean([one.layers[name] for one in each], axis=0) for name in names}
    noise = np.sqrt(np.mean([one.noise**2 for one in each], axis=0) / len(each))
    return Profile(layers, noise)


def bare_profile(
    frequency_hz: FloatArray, measured_ohm: NDArray[np.complex128] | FloatArray
) -> Profile:
    """Average a curve that could not be fitted in bands: its magnitude alone."""
    size = np.log(np.abs(measured_ohm))
    return Profile({"magnitude": _banded(frequency_hz, size)}, np.zeros(CENTRES_HZ.size))


def _profile(curve: FittedCurve) -> Profile:
    f, measured, model = curve.frequency_hz, curve.measured_ohm, curve.model_ohm
    shape = np.log(np.abs(measured) / np.abs(model))
    layers: dict[LayerName, FloatArray] = {
        "magnitude": _banded(f, np.log(np.abs(measured))),
        "shape": _banded(f, shape),
    }
    if np.iscomplexobj(measured):
        layers["phase"] = _banded(f, np.angle(measured / model))
    return Profile(layers, _noise(f, shape))


def _banded(f: FloatArray, y: FloatArray) -> FloatArray:
    """Means over the points in each band; between the points where they lie wider apart."""
    band = np.digitize(f, _EDGES) - 1
    inside = (band >= 0) & (band < CENTRES_HZ.size)
    count = np.bincount(band[inside], minlength=CENTRES_HZ.size)
    total = np.bincount(band[inside], y[inside], minlength=CENTRES_HZ.size)
    with np.errstate(invalid="ignore"):
        found = total / count
    between = np.interp(np.log(CENTRES_HZ), np.log(f), y, left=np.nan, right=np.nan)
    return np.where(count > 0, found, between)


def _noise(f: FloatArray, y: FloatArray) -> FloatArray:
    """Standard uncertainty of band means from second differences, smoothed over neighbours.

    A second difference of independent values has six times their variance.
    """
    if y.size < 3:
        return np.zeros(CENTRES_HZ.size)
    second = np.diff(y, 2) ** 2 / 6
    variance = _banded(f[1:-1], second)
    count = np.maximum(np.histogram(f, _EDGES)[0], 1)
    return np.asarray(_running_median(np.sqrt(variance / count)))


def _running_median(values: FloatArray) -> FloatArray:
    padded = np.pad(values, _NEIGHBOURS, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * _NEIGHBOURS + 1)
    found = np.full(values.size, np.nan)
    known = ~np.isnan(values)
    found[known] = np.nanmedian(windows[known], axis=1)
    return found


def mask(profiles: Sequence[Profile], coverage: float, confidence: float) -> Mask:
    """Derive the limits of curves from good units.

    Its factor is the tolerance factor of `fit.numerics.robust` for a coverage that leaves all
    judged bands together what it would leave one quantity (C. E. Bonferroni's bound).

    Args:
        coverage: Share of good units whose whole curve lies within.
        confidence: Probability that it does.
    """
    layers = {
        name: layer
        for name in WORDS
        if all(name in one.layers for one in profiles)
        if (layer := _layer(name, profiles)) is not None
    }
    bands = sum(layers[name].centre.size for name in EXPLAINED if name in layers)
    each = 1 - (1 - coverage) / max(bands, 1)
    return Mask(layers, tolerance_factor(len(profiles), each, confidence))


def _layer(name: LayerName, profiles: Sequence[Profile]) -> Layer | None:
    values = np.array([one.layers[name] for one in profiles]).T  # (bands, units)
    known = np.all(np.isfinite(values), axis=1)
    if not np.any(known):
        return None
    centre, spread = centre_and_spread(values[known])
    noise = np.median([one.noise for one in profiles], axis=0)[known]
    # By chance a few units lie close together in some band: no closer than noise and neighbours.
    spread = np.maximum(spread, _running_median(spread))
    spread = np.maximum(np.maximum(spread, np.nan_to_num(noise)), _LEAST)
    return Layer(CENTRES_HZ[known], centre, spread)


def judge(mask: Mask, unit: Profile) -> tuple[Departure, ...]:
    """Judge a unit by the mask: what no parameter explains, or all where nothing was fitted.

    Args:
        unit: Its profile, from `profile`, or from `bare_profile` where it could not be fitted.
    """
    fitted = "shape" in unit.layers
    names: tuple[LayerName, ...] = EXPLAINED if fitted else ("magnitude",)
    return tuple(
        departure
        for name in names
        if name in mask.layers and name in unit.layers
        if (departure := _departure(name, mask, unit)) is not None
    )


def _departure(name: LayerName, mask: Mask, unit: Profile) -> Departure | None:
    layer = mask.layers[name]
    at = np.searchsorted(CENTRES_HZ, layer.frequency_hz * 0.999)
    size = unit.layers[name][at] - layer.centre
    known = np.isfinite(size)
    if not np.any(known):
        return None
    limit = mask.factor * layer.spread
    reach = Z95 * np.nan_to_num(unit.noise[at])
    # The limits hold the noise of the reference; only a noisier curve narrows the inside.
    usual = Z95 * _NOISE_FACTOR * layer.spread
    worse = np.sqrt(np.maximum(0.0, reach**2 - usual**2))
    words: list[Word] = [
        "inside"
        if not ok or decide((d - w, d + w), -m, m) == "inside"
        else decide((d - r, d + r), -m, m)
        for d, r, w, m, ok in zip(
            *(part.tolist() for part in (size, reach, worse, limit, known)), strict=True
        )
    ]
    worst = int(np.nanargmax(np.abs(size) / limit))
    beyond = tuple(
        float(f) for f, word in zip(layer.frequency_hz, words, strict=True) if word == "outside"
    )
    word: Word = "outside" if beyond else "undecided" if "undecided" in words else "inside"
    return Departure(
        name,
        word,
        float(layer.frequency_hz[worst]),
        float(size[worst]),
        float(limit[worst]),
        float(reach[worst]),
        beyond,
    )

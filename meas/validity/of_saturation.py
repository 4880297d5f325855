"""A bent static characteristic: of an input that saturates, or of a driver driven too far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meas.curve import FloatArray, TwoInputs
from meas.errors import Finding
from meas.validity.of_record import INPUT_NAMES
from meas.validity.relation import Relation, SignalArray
from meas.validity.track import Track

_CURVE_BINS = 40
_INNER = 0.7  # share of the range in which the static curve is taken as straight
_END_SHARE = 0.003  # of the samples, at either end
_END_SAMPLES = 60
_FEWEST_BLOCKS = 5
_MOST_SAMPLES = 1_000_000
_BEND_FAR_ABOVE = 0.001
_BEND_ANYWHERE = 0.0012
_STATIC_SHARE = 0.2
_HEAVY_BEND = 0.01  # no driver gets there; in heavy clipping the filter itself is bent
_ABOVE_RESONANCE = 4.0
_NEAR_RESONANCE = 0.9
_SIGNIFICANT = 8.0
_FREE_OF_CONE = 2.0  # times the resonance: a cubic force of the spring is down to 1 % there
_SAME = 0.2  # of the bend that a static cubic law expects at another level
_TOP = 5e-4  # re the extreme value
_CROWDED = 0.6


def saturation(
    samples: TwoInputs,
    relation: Relation,
    moves: Track,
    resonance_hz: float | None,
    *,
    swept: bool,
    silence_rms: FloatArray | None = None,
) -> tuple[Finding, ...]:
    """Find an input that saturates, hard or soft, at any level and at either end.

    Criterion: a converter or preamplifier that saturates bends its own characteristic. The mean
    of the residual, given the momentary voltage v, is then no straight line in v but turns at the
    ends of the range. For tanh-like saturation that takes 1 % off the peak, the ends stand off by
    0.7 % against the straight line through the middle 70 % of the range. The filter fitted to the
    same data hides up to two thirds of it. For a hard clip they stand off by about half of what is
    cut off, at the outermost 0.3 % of the samples. Refused from 0.12 %, and from 0.1 % in blocks
    above four times the resonance, where the cone stands still (displacement falls as 1/f^2) and
    nothing else can bend; noise leaves 0.002 %.

    A driver distorts too, but its distortion is turned in phase and filtered by the resonance and
    hardly follows the momentary voltage: in a time-stepped model with stiffness and force factor
    varying by ten per cent (1.3 % distortion) the ends stood off by 0.055 %. So the static curve
    must also hold a fifth of the residual's power. Below the resonance the excursion follows the
    voltage, and a suspension that softens with it looks like a bent input: of a sweep what lies
    above 0.9 of the resonance has to show it as well as the whole. Nothing is lost by it: the
    source input is as loud elsewhere, the driver input louder at the resonance.

    What is bent is the input's own doing where it cuts its peaks flat (`flat`), wherever that is,
    or where it bends as much at the same voltage from twice the resonance on. Else it is the
    driver's, and called ``nonlinear``: displacement falls as 1/f^2, the force of a spring that
    stiffens or softens as its third power, and what the cone makes of that as 1/f once more.

    Noise bends as well: what is loudest is so by its noise too. Three times what an input holds in
    the silences (``silence_rms``) is allowed for it, the mean of the outermost 0.3 % of a normal
    distribution.

    Not seen: saturation of both inputs at exactly proportional levels.
    """
    length = relation.predicted.size // moves.level.size
    usable = moves.driven
    looks: list[tuple[list[NDArray[np.bool_]], float]] = [([usable], _BEND_ANYWHERE)]
    if swept and resonance_hz is not None:
        near = usable & (moves.frequency_hz > _NEAR_RESONANCE * resonance_hz)
        far = usable & (moves.frequency_hz > _ABOVE_RESONANCE * resonance_hz)
        looks = [([usable, near], _BEND_ANYWHERE), ([far], _BEND_FAR_ABOVE)]
    found: list[tuple[_Bend, int, bool]] = []
    for channel in (0, 1):
        voltage = samples[:, channel]
        noisy = 3 * _silence(silence_rms, channel) / max(float(np.max(np.abs(voltage))), 1e-12)
        for parts, limit in looks:
            bends = [_bend(relation, moves, voltage, part, length) for part in parts]
            bent = [bend for bend in bends if bend is not None and bend.beyond(limit + noisy)]
            if len(bent) == len(parts):
                found.append((bent[-1], channel, len(parts) == 1))
            elif bent and bends[0] is bent[0] and flat(voltage, _silence(silence_rms, channel)):
                found.append((bent[0], channel, True))
    if not found:
        return ()
    # Behind a divider that is nearly real both inputs explain it; the guilty one explains more.
    bend, channel, _ = max(found, key=lambda one: one[0].static)
    if resonance_hz is not None and not any(everywhere for _, _, everywhere in found):
        voltage, silence = samples[:, channel], _silence(silence_rms, channel)
        above = usable & (moves.frequency_hz > _FREE_OF_CONE * resonance_hz)
        there = _bend(relation, moves, voltage, above, length)
        if not (flat(voltage, silence) or (there is not None and there.follows_from(bend))):
            return (_bent_by_driver(bend, resonance_hz),)
    if min(bend.low, bend.high) > bend.worst / 3.0:
        ends = "at both ends"
    else:
        ends = "at its upper end only" if bend.high > bend.low else "at its lower end only"
    departs = f"there it departs from the other input by {100 * bend.worst:.2g} % of its peak"
    return (clipped(channel, samples[:, channel], f"saturates {ends}: {departs}"),)


def clipped(channel: int, voltage: NDArray[np.float32], how: str) -> Finding:
    """Refuse an input that saturates, and say how that shows."""
    peak_db = 20 * np.log10(np.max(np.abs(voltage)))
    return Finding(
        "clipped",
        f"The {INPUT_NAMES[channel]} {how} ({peak_db:.1f} dB re full scale)",
        refuses=True,
        next_step="Turn that input's gain or the drive down by 6 dB and repeat",
    )


def _silence(silence_rms: FloatArray | None, channel: int) -> float:
    return 0.0 if silence_rms is None else float(silence_rms[channel])


def flat(voltage: NDArray[np.float32], silence: float) -> bool:
    """Tell whether samples crowd at an extreme, as where a converter or amplifier ends.

    Of what a sine has within 10 e of its extreme it has sqrt(1/10) = 0.32 within e, a peak made
    as flat as a third harmonic can make it (fourth order) 0.56. One cut off by half a per cent has
    0.71 (e = 0.05 %), and more where more is cut off.
    """
    for side in (voltage, -voltage):
        top = float(np.max(side))
        reach = max(_TOP * top, 8 * silence)  # noise stands about what is cut, and its top on it
        near = side[side > top - 10 * reach]
        if np.count_nonzero(near > top - reach) > _CROWDED * max(near.size, _END_SAMPLES):
            return True
    return False


def _bent_by_driver(bend: _Bend, resonance_hz: float) -> Finding:
    return Finding(
        "nonlinear",
        f"Near the resonance of {resonance_hz:.3g} Hz the driver departs from a linear one by "
        f"{100 * bend.worst:.2g} % at the peaks, and at the same voltage further up it does not. "
        "Its suspension or motor is driven too far",
        refuses=True,
        at_hz=(resonance_hz,),
        next_step="Lower the drive by 10 dB and repeat",
    )


@dataclass(frozen=True)
class _Bend:
    """Departure of the static curve from straight at its ends, re the peak.

    Attributes:
        static: Share of the residual's power that is a function of the voltage.
        error: Standard error of ``low`` and ``high``.
        peak: Largest voltage, full scale 1.
    """

    low: float
    high: float
    static: float
    error: float
    peak: float

    @property
    def worst(self) -> float:
        return max(self.low, self.high)

    def beyond(self, limit: float) -> bool:
        """Tell whether the bend is larger than a limit, certain, and much of what is left over."""
        if self.worst <= max(limit, _SIGNIFICANT * self.error):
            return False
        return self.static > _STATIC_SHARE or (self.worst > _HEAVY_BEND and self.static > 0.1)

    def follows_from(self, other: _Bend) -> bool:
        """Tell whether one characteristic makes both, cubic to the least: as the peak squared."""
        expected = other.worst * min(self.peak / other.peak, 1.0) ** 2
        return self.worst > max(_SAME * expected, 3 * self.error)


def _bend(
    relation: Relation,
    moves: Track,
    voltage: NDArray[np.float32],
    chosen: NDArray[np.bool_],
    length: int,
) -> _Bend | None:
    if np.count_nonzero(chosen) < _FEWEST_BLOCKS:
        return None
    count = chosen.size
    # A million samples tell enough; a long record shall not be copied several times over.
    places = np.flatnonzero(chosen)
    places = places[:: max(1, places.size * length // _MOST_SAMPLES)]

    def pick(signal: SignalArray) -> SignalArray:
        return signal[: count * length].reshape(count, length)[places]

    value = pick(voltage)
    # Only blocks about as loud as the loudest reach the ends; the others dilute the curve.
    loudest = np.max(np.abs(value), axis=1)
    loud = loudest > 0.8 * np.partition(loudest, -_FEWEST_BLOCKS)[-_FEWEST_BLOCKS]
    rest = pick(relation.residual)
    rest -= moves.gain[places, None].astype(rest.dtype) * pick(relation.predicted)
    rest -= moves.phase[places, None].astype(rest.dtype) * pick(relation.quadrature)
    voltages, rests = value[loud].ravel(), rest[loud].ravel()
    peak = float(np.max(np.abs(voltages)))
    if peak <= 0.0:
        return None
    # Bins of equal width in arcsine: a sine fills them equally and its ends get fine ones.
    angle = np.arcsin(np.clip(voltages / peak, -1.0, 1.0)) / np.pi + 0.5
    place = np.minimum((angle * _CURVE_BINS).astype(np.int64), _CURVE_BINS - 1)
    weight = np.bincount(place, minlength=_CURVE_BINS).astype(np.float64)
    mean = np.bincount(place, rests, _CURVE_BINS) / np.maximum(weight, 1.0) / peak
    power = float(np.mean(np.square(rests, dtype=np.float64))) / peak**2
    static = float(np.sum(weight * mean**2) / max(weight.sum() * power, 1e-30))
    centre = np.sin(((np.arange(_CURVE_BINS) + 0.5) / _CURVE_BINS - 0.5) * np.pi)
    inner = (np.abs(centre) < _INNER) & (weight > 0)
    if np.count_nonzero(inner) < _CURVE_BINS // 4:
        return None
    line = np.polynomial.Polynomial.fit(centre[inner], mean[inner], 1, w=np.sqrt(weight[inner]))
    off = rests / peak - line(voltages / peak)
    few = max(_END_SAMPLES, int(_END_SHARE * voltages.size))
    if 4 * few > voltages.size:
        return None
    order = np.argpartition(voltages, (few, voltages.size - few))
    low, high = float(np.mean(off[order[:few]])), float(np.mean(off[order[-few:]]))
    return _Bend(abs(low), abs(high), static, float(np.sqrt(power / few)), peak)

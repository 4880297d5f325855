"""Criteria on the time-domain residual of the linear relation between both inputs.

Each criterion takes the relation or its track and gives findings. What
happens before the source node is in both inputs alike, as when an amplifier clips or rides its
own gain: it cancels in the relation and is rightly not seen here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from meas.curve import FloatArray, TwoInputs
from meas.errors import Finding
from meas.transfer.passes import Passes
from meas.validity.of_record import INPUT_NAMES
from meas.validity.relation import Relation
from meas.validity.track import BLOCKS_TOGETHER, Track

# --- bursts ---------------------------------------------------------------------------------
_BURST_FRAMES = 32
_BACKGROUND_SECONDS = 0.1
_BURST_SCORE = 7.0
_BURST_REFUSED = 1e-3
_BURST_MENTIONED = 3e-4
_LEAST_NEARBY = 0.1  # re the loudest block: what breaks in a fade breaks nothing
_MANY_BURSTS = 12
_CLICK_SCORE = 15.0

# --- relation moving in time ------------------------------------------------------------------
_GAIN_REFUSED = 0.004
_PHASE_REFUSED = 0.0025
_LEAST_ABOVE_NOISE = 3.0  # level of a block re the noise, below which its gain is a whim of that
_NOISE_OF_FILTER = 25.0  # of a block; the filter, fitted to fewer lines, has more than its own
_GAIN_EXPLAINS = 0.1  # a gain that moves leaves no more of the signal unexplained than this

_NOISE_MARGIN = 1.5  # in power, over the noise of the silences

# --- distortion -------------------------------------------------------------------------------
_DISTORTION_REFUSED = 0.03
_DISTORTION_MENTIONED = 0.005
_MOST_DISTORTION = (
    0.5  # what goes beyond is no driver's doing but inputs that do not belong together
)


def bursts(
    samples: TwoInputs, relation: Relation, moves: Track, names: tuple[str, str] = INPUT_NAMES
) -> tuple[Finding, ...]:
    """Find places where the relation breaks for a moment: lost, repeated or blanked frames.

    Criterion: where frames are missing from both inputs, the driver's memory of what was lost is
    still in its input but no longer in the source input. Where one input slips or is blanked, the
    other goes on. Either way the residual jumps within a millisecond. Its rms over 32 frames is
    compared with the medians of 0.1 s before and after. For Gaussian noise the ratio stays below
    1.7 in a million blocks (chi-square with 32 degrees of freedom), so 7 has a wide margin for
    real noise; and the jump must exceed 0.1 % of the signal nearby, below which the error of the
    impedance stays under 0.01 % (the burst lasts a thousandth of the sweep) and only a caution
    is given. Missing frames in a signal that the driver passes without memory (a resistor) leave
    nothing behind, in the residual as in the impedance.

    Many bursts (a dozen and more) are no accident of the stream but something that scrapes or
    rattles once a period, and are called ``nonlinear``.
    """
    rate = relation.sample_rate_hz
    count = relation.residual.size // _BURST_FRAMES
    rest = relation.residual[: count * _BURST_FRAMES].reshape(count, _BURST_FRAMES)
    rms = np.sqrt(np.einsum("ij,ij->i", rest, rest, dtype=np.float64) / _BURST_FRAMES)
    width = max(15, round(_BACKGROUND_SECONDS * rate / _BURST_FRAMES)) | 1
    middle = ndimage.median_filter(rms, width, mode="nearest")
    half = width // 2 + 1
    padded = np.pad(middle, half, mode="edge")
    # Quiet on both sides: where the drive sets in, the distortion of a healthy driver does too.
    around = np.maximum(padded[: rms.size], padded[2 * half :])
    block = relation.predicted.size // moves.level.size
    index = np.minimum(
        (np.arange(count) * _BURST_FRAMES + _BURST_FRAMES // 2) // block, moves.level.size - 1
    )
    nearby = ndimage.maximum_filter1d(moves.level, 5)[index]
    nearby = np.maximum(nearby, _LEAST_NEARBY * moves.level.max(initial=0.0))
    watched = ndimage.maximum_filter1d(moves.driven.astype(np.int8), 3)[index] > 0
    size = np.where(watched, rms / np.maximum(nearby, 1e-30), 0.0)
    jump = watched & (rms > _BURST_SCORE * around) & (size > _BURST_MENTIONED)
    if not jump.any():
        return ()
    apart = max(1, round(0.02 * rate / _BURST_FRAMES))
    labels, events = ndimage.label(ndimage.binary_closing(np.pad(jump, apart), np.ones(apart)))
    labels = labels[apart:-apart]
    peaks = [int(i[0]) for i in ndimage.maximum_position(size, labels, np.arange(1, events + 1))]
    worst = max(peaks, key=lambda place: size[place])
    when = worst * _BURST_FRAMES / rate
    saturated = _at_extremes(samples, relation, peaks)
    if saturated is not None:
        return (
            Finding(
                "clipped",
                f"The {names[saturated]} is cut off at its peaks, worst at {when:.3f} s, by "
                f"{100 * size[worst]:.2g} % of the signal",
                refuses=True,
                next_step="Turn that input's gain or the drive down by 6 dB and repeat",
                at_seconds=(when,),
            ),
        )
    if size[worst] < _BURST_REFUSED:
        return (
            Finding(
                "disturbance",
                f"At {when:.3f} s the {names[1]} jumps by {100 * size[worst]:.2g} % of the "
                f"signal against what the {names[0]} explains. Too small to matter",
                next_step="Listen for crackling contacts",
                at_seconds=(when,),
            ),
        )
    if events >= _MANY_BURSTS:
        return (
            Finding(
                "nonlinear",
                f"The {names[1]} jumps {events} times, worst at {when:.3f} s by "
                f"{100 * size[worst]:.2g} % of the signal: a coil that rubs, a rattle or a bad "
                "contact",
                refuses=True,
                next_step="Find it, lower the drive, and repeat",
                at_seconds=(when,),
            ),
        )
    frame = worst * _BURST_FRAMES
    clicks = tuple(_clicks(samples[:, channel], frame, rate) for channel in (0, 1))
    if clicks[0] != clicks[1]:
        return (
            Finding(
                "channel-slip",
                f"At {when:.3f} s the {names[clicks.index(True)]} breaks and the other does "
                "not: one channel lost or repeated frames",
                refuses=True,
                at_seconds=(when,),
                next_step="Take both channels from one device, use larger buffers, and repeat",
            ),
        )
    return (
        Finding(
            "dropout",
            f"At {when:.3f} s the recording breaks: both inputs no longer fit together "
            f"({100 * size[worst]:.2g} % of the signal). Frames were lost, repeated or blanked; "
            "use larger buffers, close other programs, and repeat",
            refuses=True,
            at_seconds=(when,),
        ),
    )


def _at_extremes(samples: TwoInputs, relation: Relation, blocks: list[int]) -> int | None:
    """The input whose own extremes are where the residual jumps, if any.

    A loud sweep spends 5 % of its time above 99 % of its peak, noise next to none. That so many
    of the jumps, and three quarters of them, fall there must be a chance below one in 1000.
    """
    frames = []
    for block in blocks:
        first = block * _BURST_FRAMES
        rest = np.abs(relation.residual[first : first + _BURST_FRAMES])
        frames.append(first + int(np.argmax(rest)))
    found: list[tuple[int, int]] = []
    for channel in (0, 1):
        signal = samples[:, channel]
        extreme = (signal > 0.99 * signal.max()) | (signal < 0.99 * signal.min())
        hits = int(np.count_nonzero(extreme[frames]))
        if hits >= 0.75 * len(frames) and float(np.mean(extreme)) ** hits < 1e-3:
            found.append((hits, channel))
    return max(found)[1] if found else None


def _clicks(signal: NDArray[np.float32], frame: int, rate: int) -> bool:
    """Tell whether one input by itself breaks near a frame.

    A sweep is locally a sine, which six samples predict to the noise (autoregression by least
    squares over 15 ms); a break of its phase is one error far above all others. Noise as a drive
    cannot be predicted and never clicks.
    """
    order, span, reach = 6, round(0.015 * rate), round(0.03 * rate)
    for begin in range(max(0, frame - reach), min(signal.size - span, frame + reach), span // 2):
        piece = signal[begin : begin + span].astype(np.float64)
        rows = np.lib.stride_tricks.sliding_window_view(piece, order + 1)
        weights = np.linalg.lstsq(rows[:, :order], rows[:, order], rcond=None)[0]
        error = np.abs(rows[:, order] - rows[:, :order] @ weights)
        if error.max() > _CLICK_SCORE * np.median(error):
            return True
    return False


def drift(
    moves: Track, quiet_rms: float, *, humming: bool, distorted: float = 0.0, endless: bool = False
) -> tuple[Finding, ...]:
    """Find a gain of one channel that moves, or a channel that slipped, from the track.

    Criterion: sweeps up and down (and noise) meet every frequency at different times. A gain
    that moves by d during the take makes the two passes differ by up to d in phase with the
    prediction: half of it on either side of the one filter that is fitted to both. A slip of one
    channel makes them differ in quadrature, in proportion to frequency. The spread of 90 % of
    the blocks (0.1 s each) is taken: 0.4 % in phase is refused, which finds a drift of 1 %
    (spread 0.8 %) with a factor of two in hand, while coil warming on a bench level (1 K: 0.4 % of
    Re, a quarter of that in the ratio) and suspension creep stay below; 0.25 % in quadrature, one
    frame of 48 kHz at 20 Hz. In quadrature twice that in phase, or a tenth of the signal left
    unexplained, means a slip; the rest is gain, or a resonance that wandered. The spread must be
    ten times the noise of the blocks. A driver beyond its linear range moves its own relation,
    by less than the share of its harmonics: where those are refused, they are the reason.

    Not seen, because the ratio of a single sweep cannot show it: a gain that moves slowly within
    one sweep reads as a slightly different driver, and a slip before the drive starts reads as a
    fixed delay. Sweeping up and down is what makes them visible. Gain that moves alike in both
    inputs cancels and does no harm.
    """
    silence_rms = 0.0 if endless else quiet_rms  # without silences it holds what a slip leaves
    good = moves.driven & (moves.level > _LEAST_ABOVE_NOISE * silence_rms)
    if np.count_nonzero(good) < 4 * BLOCKS_TOGETHER:
        return ()
    gain, phase, times = moves.gain[good], moves.phase[good], moves.time_s[good]
    low, high = np.quantile(gain, [0.05, 0.95])
    left, right = np.quantile(phase, [0.05, 0.95])
    steps = np.diff(gain[::BLOCKS_TOGETHER], n=2)
    noise = 10.0 * float(np.median(np.abs(steps))) / 1.65
    faintest = float(np.quantile(moves.level[good], 0.05))
    noise = max(noise, _NOISE_OF_FILTER * silence_rms / (faintest * float(np.sqrt(moves.frames))))
    rest = float(np.quantile(_unexplained_share(moves, quiet_rms), 0.98))
    turn, change = float(right - left), float(high - low)
    if max(_DISTORTION_REFUSED, turn, change) < distorted < _MOST_DISTORTION:
        return ()
    if humming:  # hum beats with the sweep within a block instead of averaging out
        noise = max(noise, 3.0 * quiet_rms / float(np.quantile(moves.level[good], 0.25)))
    if turn > _PHASE_REFUSED and (rest > _GAIN_EXPLAINS or turn > max(2.0 * change, noise)):
        return (
            Finding(
                "channel-slip",
                "The two inputs moved against each other in time during the take: their phase at "
                f"one frequency changed by {np.degrees(turn):.2g} degrees. One channel lost or "
                "repeated frames, or two devices with two clocks were used",
                refuses=True,
                next_step="Take both channels from one device, use larger buffers, and repeat",
            ),
        )
    if change > max(_GAIN_REFUSED, noise):
        first, last = sorted(float(times[i]) for i in (np.argmin(gain), np.argmax(gain)))
        return (
            Finding(
                "gain-riding",
                f"The ratio of the inputs at one frequency changed by {100 * change:.2g} % "
                f"between {first:.1f} s and {last:.1f} s",
                refuses=True,
                at_seconds=(first, last),
                next_step=(
                    "Switch off automatic gain, enhancements and noise suppression of the inputs. "
                    "If there are none, the unit itself changed (a coil that warms, a suspension "
                    "that creeps): lower the drive, rest it, repeat"
                ),
            ),
        )
    return ()


def _unexplained_share(moves: Track, quiet_rms: float) -> FloatArray:
    """Residual less the noise, re the prediction, in blocks that are driven."""
    good = moves.driven
    power = np.maximum(moves.unexplained[good] ** 2 - _NOISE_MARGIN * quiet_rms**2, 0.0)
    return np.asarray(np.sqrt(power) / moves.level[good])


def distortion_size(moves: Track, quiet_rms: float, *, swept: bool) -> float:
    """Share of distortion as `distortion` judges it; 0 where too little was driven."""
    if np.count_nonzero(moves.driven) < 2 * BLOCKS_TOGETHER:
        return 0.0
    share = _unexplained_share(moves, quiet_rms)
    return float(share.max() if swept else np.median(share))


def recurring_distortion(
    moves: Track, quiet_rms: float, passes: Passes, sample_rate_hz: int
) -> float:
    """Share of distortion that every sweep has at the same frequency, within a third of an octave.

    A break of the stream leaves as much unexplained, but once.
    """
    if not passes.swept or len(passes.passes) < 2:
        return distortion_size(moves, quiet_rms, swept=passes.swept)
    good = moves.driven
    share = np.zeros(moves.level.size)
    share[good] = _unexplained_share(moves, quiet_rms)
    place = np.round(3.0 * np.log2(np.maximum(moves.frequency_hz, 1.0))).astype(int)
    found = np.full((len(passes.passes), int(place.max(initial=0)) + 1), np.nan)
    for row, one in zip(found, passes.passes, strict=True):
        time = moves.time_s * sample_rate_hz
        inside = good & (time >= one.start) & (time <= one.stop)
        row[place[inside]] = 0.0
        np.maximum.at(row, place[inside], share[inside])
    return float(np.max(np.nan_to_num(np.min(found, axis=0)), initial=0.0))


def distortion(
    moves: Track, quiet_rms: float, *, swept: bool, name: str = INPUT_NAMES[1]
) -> tuple[Finding, ...]:
    """Find a driver that is driven beyond its linear range.

    Criterion: what neither gain nor phase of the prediction explains in a block, less the noise,
    re the prediction: for a sweep these are the harmonics at that frequency. The largest value
    that lasts 0.1 s counts. Refused from 3 %: the compression of the fundamental is of the order of
    the harmonics (a cubic law that makes a third harmonic d takes 3 d off the fundamental), and
    the divider turns it into d (1 + Z/R) of Z at the peak, several times d: the parameters
    would be off by ten per cent and belong to that level alone. Mentioned from 0.5 %; a healthy
    driver at a sensible level stays at 0.3 % and below (common practice, no source). With noise
    as drive every block holds all frequencies, the distortion near the resonance is diluted and
    only the same overall share is looked at.

    Args:
        quiet_rms: Noise of the driver input in the driven band, full scale 1.
        swept: Whether the drive goes through the frequencies one after the other.
        name: What the finding calls the driver input.
    """
    good = moves.driven
    if np.count_nonzero(good) < 2 * BLOCKS_TOGETHER:
        return ()
    share = _unexplained_share(moves, quiet_rms)
    worst = int(np.argmax(share))
    size = distortion_size(moves, quiet_rms, swept=swept)
    if size < _DISTORTION_MENTIONED:
        return ()
    at_hz, when = (float(along[good][worst]) for along in (moves.frequency_hz, moves.time_s))
    where = f"near {at_hz:.0f} Hz (at {when:.2f} s)" if swept else "throughout"
    refuses = size > _DISTORTION_REFUSED
    return (
        Finding(
            "nonlinear" if refuses else "distortion",
            f"The {name} holds {100 * size:.2g} % of distortion {where}. "
            + (
                "The impedance belongs to this level alone: lower the drive by 10 dB and repeat"
                if refuses
                else "The parameters belong to this level; lower drive gives the small-signal ones"
            ),
            refuses=refuses,
            at_seconds=(when,) if swept else (),
            at_hz=(at_hz,) if swept else (),
        ),
    )

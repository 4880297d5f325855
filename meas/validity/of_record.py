"""Criteria on the raw samples: dead inputs, full scale, blanks, cuts, offsets, wrong rates."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from meas.curve import FloatArray, TwoInputs
from meas.errors import Finding
from meas.excitation.stimulus import Stimulus
from meas.transfer.passes import Passes

INPUT_NAMES = ("source input", "driver input")
"""What the two columns of a record are called in findings, where both inputs record at once."""

_DEAD_RMS = 3e-6
_FULL_SCALE = 0.9995
_FEWEST_AT_FULL_SCALE = 3
_FEWEST_BLANK = 8
_BLANK_EDGE_STEPS = 4.0
_EDGE_SECONDS = 0.06
_SAME_SIGNAL = 3e-6
_OFFSET_MENTIONED = 0.02
_ENTRY_SHARE = 0.02
_EXIT_SHARE = 0.1
_DURATION_TOLERANCE = 0.02
_DURATION_SLACK_SECONDS = 0.15

# Rates that a file's header and the converter can confuse.
_RATES = (8000, 11025, 16000, 22050, 32000, 44100, 48000, 88200, 96000, 176400, 192000)
_LINE_SECONDS = 0.3
_LINE_ABOVE = 300.0  # in power: 25 dB above the floor around
_LINE_TOLERANCE = 0.004
_BAND_STEP_DB = 20.0

NOT_EVEN_NOISE = (
    "Nothing at all was recorded, not even noise. The system withholds the sound, or the inputs "
    "are muted. macOS and Windows give silence to programs that may not use the microphone. "
    "Line inputs count as one. On macOS allow it to the terminal program (System Settings, Privacy "
    "& Security, Microphone) and start that anew. On Windows allow it to desktop apps (Settings, "
    "Privacy & security, Microphone)"
)


def silent(
    samples: TwoInputs, passes: Passes, names: tuple[str, str] = INPUT_NAMES
) -> tuple[Finding, ...]:
    """Find inputs that record nothing at all.

    Criterion: the rms without offset is below -110 dB re full scale, less than any converter's
    own noise over its whole band (24-bit cards: -95 to -110 dB), or there is no excitation in
    the source input and it lies at the level of noise (-60 dB). An input that has noise but does
    not follow the source is left to the ratio, which can tell.
    """
    rms = [float(np.std(samples[:, channel], dtype=np.float64)) for channel in (0, 1)]
    dead = [value < _DEAD_RMS for value in rms]
    # Continuous noise does not stand out against silence either, but is far above -60 dB.
    dead[0] = dead[0] or (not passes.excited and rms[0] < 1e-3)
    if not np.any(samples):
        return (Finding("silent-input", NOT_EVEN_NOISE, refuses=True),)
    return tuple(
        Finding(
            "silent-input",
            f"The {name} recorded nothing ({_decibel(value)} dB re full scale)",
            refuses=True,
            next_step="Check its cable, plug, input selection and gain, and which input is which",
        )
        for name, value, silent_input in zip(names, rms, dead, strict=True)
        if silent_input
    )


def same_signal(samples: TwoInputs) -> tuple[Finding, ...]:
    """Find one signal recorded twice: a mono file, a mono mix, a cable that feeds both inputs.

    Criterion: two inputs have two noises of their own. When one input is a constant times the
    other to within -110 dB, less than any two converters agree, there was only one signal. Both
    inputs on one node agree to -60 to -100 dB and are an open driver to this criterion.
    """
    first, second = samples[:, 0], samples[:, 1]
    power = float(np.dot(first, first))
    if power <= 0.0:
        return ()
    scale = float(np.dot(first, second)) / power
    size = abs(scale) * np.sqrt(power / first.size)
    rest = second - np.float32(scale) * first
    left = np.sqrt(float(np.dot(rest, rest)) / first.size)
    if size < _DEAD_RMS or left > _SAME_SIGNAL * size:
        return ()
    return (
        Finding(
            "same-signal",
            "Both inputs hold the same signal"
            + ("" if abs(scale - 1.0) < 1e-6 else f", one {scale:.4g} times the other"),
            refuses=True,
            next_step=(
                "Record in stereo, switch off any mono mix, and connect each input to its node"
            ),
        ),
    )


def at_full_scale(
    samples: TwoInputs, sample_rate_hz: int, names: tuple[str, str] = INPUT_NAMES
) -> tuple[Finding, ...]:
    """Find inputs that reach the end of the converter.

    Criterion: three samples and more in a row at full scale (0.05 % tolerance, for converters
    that stop a little short). A peak that just touches full scale shows one sample, seldom two.
    Saturation below full scale, in the analogue part, is found in the residual instead.
    """
    findings = []
    for channel, name in enumerate(names):
        signal = samples[:, channel]
        high, low = signal >= _FULL_SCALE, signal <= -_FULL_SCALE
        if not (high.any() or low.any()):
            continue
        runs = [_runs(side, _FEWEST_AT_FULL_SCALE) for side in (high, low)]
        if not any(side.size for side in runs):
            continue
        first = min(int(side[0, 0]) for side in runs if side.size)
        count = int(np.count_nonzero(high) + np.count_nonzero(low))
        ends = "at both ends" if all(side.size for side in runs) else "at one end only"
        findings.append(
            Finding(
                "clipped",
                f"The {name} reaches full scale {ends} in {count} samples, first at "
                f"{first / sample_rate_hz:.3f} s",
                refuses=True,
                next_step="Turn that input's gain or the drive down by 6 dB and repeat",
            )
        )
    return tuple(findings)


def blanked(
    samples: TwoInputs, sample_rate_hz: int, passes: Passes, names: tuple[str, str] = INPUT_NAMES
) -> tuple[Finding, ...]:
    """Find blocks of zeros inside the excitation.

    Criterion: eight and more exact zeros in a row with a sample of four steps or more right
    beside them. A converter's own noise does not allow it; a slow sine of few bits has such
    runs where it crosses zero, but leaves them by one step at a time.
    """
    rate = sample_rate_hz
    edge = round(_EDGE_SECONDS * rate)
    for channel in (0, 1):
        signal = samples[:, channel]
        runs = _runs(signal == 0.0, _FEWEST_BLANK)
        if not runs.size:
            continue
        sizes = np.abs(signal)
        step = float(np.min(sizes, where=sizes > 0.0, initial=np.inf))
        for one in passes.passes:
            inside = runs[(runs[:, 0] > one.start + edge) & (runs[:, 1] < one.stop - edge)]
            if not inside.size:
                continue
            before, after = sizes[inside[:, 0] - 1], sizes[inside[:, 1]]
            sharp = inside[np.maximum(before, after) > _BLANK_EDGE_STEPS * step]
            if sharp.size:
                begin, end = (int(frame) for frame in sharp[0])
                return (
                    Finding(
                        "dropout",
                        f"The {names[channel]} holds {end - begin} zeros in a row at "
                        f"{begin / rate:.3f} s: a block was lost",
                        refuses=True,
                        next_step="Use larger buffers, close other programs, and repeat",
                    ),
                )
    return ()


def cut_off(
    samples: TwoInputs, sample_rate_hz: int, passes: Passes, stimulus: Stimulus | None
) -> tuple[Finding, ...]:
    """Find sweeps that are not wholly in the record.

    Criterion without a known stimulus: the excitation is a sweep (one frequency at a time) and is
    on its way at the first frame (the first sample is above 2 % of the peak nearby; a sweep
    that starts with the record starts at zero) or at the last (the last 2 ms still reach 10 %;
    a sweep that ends with the record has faded). Noise and periodic signals hold all frequencies
    all the time and may fill the record. With a known stimulus, the passes are counted too.

    A sweep that was broken off and is followed by silence looks like a shorter sweep. What it
    did not reach is missing from the curve, and a resonance beyond it is reported as missing.
    """
    rate, source = sample_rate_hz, samples[:, 0]
    near = round(0.05 * rate)
    where, at_seconds = [], tuple[float, ...]()
    if passes.excited and passes.swept:
        begins, ends = np.abs(source[:near]), np.abs(source[-near:])
        loud = 0.02 * float(np.max(np.abs(source)))
        first, last = passes.passes[0].start, passes.passes[-1].stop
        if first <= near and begins.max() > loud and begins[0] > _ENTRY_SHARE * begins.max():
            where.append("begins while a sweep is under way")
        final = ends[-round(0.002 * rate) :].max()
        if (
            last >= source.size - 2 * near
            and ends.max() > loud
            and final > _EXIT_SHARE * ends.max()
        ):
            where.append(f"ends at {source.size / rate:.2f} s while a sweep is under way")
            at_seconds = (source.size / rate,)
    if stimulus is not None and passes.contained and len(passes.passes) < len(stimulus.passes):
        where.append(f"holds {len(passes.passes)} of {len(stimulus.passes)} sweeps")
    if not where:
        return ()
    return (
        Finding(
            "truncated",
            f"The recording {' and '.join(where)}",
            refuses=True,
            next_step="Start recording before the sweep and stop a second after it",
            at_seconds=at_seconds,
        ),
    )


def offset(samples: TwoInputs) -> tuple[Finding, ...]:
    """Mention a constant offset; the ratio does not see it, the headroom does."""
    means = [float(np.mean(samples[:, channel], dtype=np.float64)) for channel in (0, 1)]
    return tuple(
        Finding(
            "dc-offset",
            f"The {name} has a constant offset of {100 * mean:.1f} % of full scale, which takes "
            "away headroom",
            next_step="Look for a bias voltage or a faulty input",
        )
        for name, mean in zip(INPUT_NAMES, means, strict=True)
        if abs(mean) > _OFFSET_MENTIONED
    )


def wrong_rate(
    samples: TwoInputs,
    sample_rate_hz: int,
    passes: Passes,
    stimulus: Stimulus | None,
    mains_hz: float,
) -> tuple[Finding, ...]:
    """Find a recording whose stated rate is not the one it was made at.

    Criterion with a known stimulus: the first sweep's length in the record differs by more than
    2 % (and the 0.15 s to which its ends are found). Rates in use differ by 8.8 % and more.

    Criterion without: the silences hold a clear line, 25 dB above the floor, with its second or
    third harmonic. It lies not at the mains frequency but where that falls if the header says one
    rate and the converter ran at another, within 0.4 % (mains varies by 0.2 %, common practice).
    Where two explanations exist, or no hum is there to see, nothing is said: this is the one fault
    that a foreign file may hide.
    """
    if stimulus is not None:
        if not passes.contained or not stimulus.passes:
            return ()
        played = stimulus.passes[0].stop_frame - stimulus.passes[0].start_frame
        first = passes.passes[0]
        heard = first.stop - first.start
        slack = _DURATION_TOLERANCE * played + _DURATION_SLACK_SECONDS * sample_rate_hz
        if len(passes.passes) != len(stimulus.passes) or abs(heard - played) <= slack:
            return ()
        return (
            Finding(
                "wrong-rate",
                f"The first sweep lasts {heard / sample_rate_hz:.2f} s in the recording, "
                f"{played / sample_rate_hz:.2f} s were played: it was recorded at another rate "
                "than stated, or resampled on the way",
                refuses=True,
                next_step="Set one rate everywhere and repeat",
            ),
        )
    spectrum = _silence_spectrum(samples, sample_rate_hz, passes)
    if spectrum is None:
        return ()
    grid, power = spectrum
    if any(_has_line(grid, power, mains) for mains in (50.0, 60.0, mains_hz)):
        return ()
    for true_rate in _RATES:
        factor = sample_rate_hz / true_rate
        if abs(factor - 1.0) < 0.01:
            continue
        for mains in dict.fromkeys((mains_hz, 50.0, 60.0)):
            harmonics = [_has_line(grid, power, mains * factor * order) for order in (1, 2, 3)]
            if harmonics[0] and (harmonics[1] or harmonics[2]):
                return (
                    Finding(
                        "wrong-rate",
                        f"The silences hold mains hum at {mains * factor:.1f} Hz and its "
                        f"harmonics instead of {mains:g} Hz: the file says {sample_rate_hz} Hz "
                        f"but was recorded at {true_rate} Hz",
                        refuses=True,
                        next_step="Correct the file's header",
                    ),
                )
    return ()


def mains_lines(samples: TwoInputs, sample_rate_hz: int, passes: Passes) -> tuple[float, ...]:
    """Harmonics of 50 and 60 Hz at which the silences hold a clear line [Hz]."""
    spectrum = _silence_spectrum(samples, sample_rate_hz, passes)
    if spectrum is None:
        return ()
    places = sorted({base * order for base in (50.0, 60.0) for order in range(1, 11)})
    return tuple(place for place in places if _has_line(*spectrum, place))


def resampled(samples: TwoInputs, sample_rate_hz: int, passes: Passes) -> tuple[Finding, ...]:
    """Mention a recording that was resampled on its way.

    Criterion: a converter's noise reaches half the sample rate. A resampler's low-pass was
    there when the noise of the silences between 0.80 and 0.98 of half the rate lies 20 dB and more
    below that between 0.3 and 0.4. The ratio survives it; frequencies may not, if the
    resampler served a wrong rate.
    """
    silence = _longest_silence(samples, passes, round(0.1 * sample_rate_hz))
    if silence is None:
        return ()
    length = 1 << 10
    count = silence.size // length
    if count < 4:
        return ()
    segments = silence[: count * length].reshape(count, length) * np.hanning(length)
    power = np.mean(np.abs(fft.rfft(segments, axis=1)) ** 2, axis=0)
    share = np.arange(power.size) / (power.size - 1)
    middle = float(np.median(power[(share > 0.3) & (share < 0.4)]))
    top = float(np.median(power[(share > 0.8) & (share < 0.98)]))
    if middle <= 0.0 or top >= middle * 10 ** (-_BAND_STEP_DB / 10):
        return ()
    return (
        Finding(
            "resampled",
            f"The noise ends well below half the sample rate of {sample_rate_hz} Hz: something "
            "resamples on the way",
            next_step="Set the rate at which the card really runs",
        ),
    )


def silence_rms(samples: NDArray[np.float32], passes: Passes) -> FloatArray:
    """Rms of each input in the silences, hum and noise together, shape (2,); 0 without silences."""
    if not passes.silences:
        return np.zeros(2)
    quiet = np.concatenate([samples[begin:end] for begin, end in passes.silences])
    return np.asarray(np.std(quiet, axis=0, dtype=np.float64))


def _silence_spectrum(
    samples: TwoInputs, sample_rate_hz: int, passes: Passes
) -> tuple[FloatArray, FloatArray] | None:
    """Frequencies and power of the longest silence, up to 1 kHz, 8 times oversampled."""
    silence = _longest_silence(samples, passes, round(_LINE_SECONDS * sample_rate_hz))
    if silence is None:
        return None
    windowed = (silence - silence.mean()) * np.hanning(silence.size)
    size = fft.next_fast_len(8 * silence.size, real=True)
    last = min(size // 2, int(1000.0 * size / sample_rate_hz))
    power = np.abs(fft.rfft(windowed, size)[:last]) ** 2
    return np.arange(last) * (sample_rate_hz / size), power


def _has_line(grid: FloatArray, power: FloatArray, frequency_hz: float) -> bool:
    """Tell whether a line stands at a frequency, far above the floor and highest just there."""
    spacing = grid[1] - grid[0]
    if frequency_hz + 20.0 > grid[-1]:
        return False
    around = (np.abs(grid - frequency_hz) < 20.0) & (np.abs(grid - frequency_hz) > 8.0)
    near = np.flatnonzero(np.abs(grid - frequency_hz) < 8.0)
    peak = near[np.argmax(power[near])]
    on_place = abs(grid[peak] - frequency_hz) < max(_LINE_TOLERANCE * frequency_hz, spacing)
    return bool(on_place and power[peak] > _LINE_ABOVE * np.median(power[around]))


def _longest_silence(samples: TwoInputs, passes: Passes, least: int) -> FloatArray | None:
    """The quieter half of the longest silence of the louder input, or None."""
    if not passes.silences:
        return None
    begin, end = max(passes.silences, key=lambda span: span[1] - span[0])
    if end - begin < least:
        return None
    piece = samples[begin:end].astype(np.float64)
    return piece[:, int(np.argmax(np.std(piece, axis=0)))]


def _runs(mask: NDArray[np.bool_], least: int) -> NDArray[np.int64]:
    """Runs of at least ``least`` true values as rows (first, past last), shape (runs, 2)."""
    long = ndimage.binary_opening(mask, np.ones(least))
    edges = np.flatnonzero(np.diff(np.concatenate(([False], long, [False])).astype(np.int8)))
    return edges.reshape(-1, 2)


def _decibel(rms: float) -> str:
    return f"{20 * np.log10(rms):.0f}" if rms > 0.0 else "-infinity"

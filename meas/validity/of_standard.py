"""Judgement of the recording of a standard, by the criteria for takes."""

from __future__ import annotations

from meas.curve import TwoInputs
from meas.errors import Finding, refusals
from meas.transfer.passes import find_passes
from meas.validity import of_ratio, of_record, of_residual
from meas.validity.judge import quiet_rms
from meas.validity.of_saturation import saturation
from meas.validity.relation import relate
from meas.validity.track import track

_MOST_UNEXPLAINED = 0.002


def judge_standard(samples: TwoInputs, sample_rate_hz: int) -> tuple[Finding, ...]:
    """Reasons why no correction may be derived from a recording of a standard.

    Criterion beside those of a take: two inputs on known resistances follow each other to the
    noise. What one leaves unexplained of the other for 0.1 s, the noise taken off, may be 0.2 % of
    the signal. A lossy codec, a suppression of noise and a converter that saturates leave more, and
    go with the standard into every take.
    """
    passes = find_passes(samples, sample_rate_hz)
    broken = [
        *of_record.at_full_scale(samples, sample_rate_hz),
        *of_record.blanked(samples, sample_rate_hz, passes),
    ]
    if broken:
        return tuple(broken)
    relation = relate(samples, sample_rate_hz, contained=passes.contained)
    if not of_ratio.follows(samples, relation.predicted):
        return ()  # nothing arrives at one end of the scale, which is as it should be
    moves = track(relation, passes)
    quiet = quiet_rms(relation, passes, moves)
    bent = saturation(samples, relation, moves, None, swept=passes.swept)
    if bent:
        return bent
    found = [
        *of_residual.bursts(samples, relation, moves),
        *of_residual.drift(moves, quiet, humming=False),
    ]
    refusing = refusals(found)
    size = of_residual.distortion_size(moves, quiet, swept=passes.swept)
    if refusing or size < _MOST_UNEXPLAINED:
        return refusing
    return (
        Finding(
            "processed",
            f"{100 * size:.2g} % of the driver input do not follow the source input, though "
            "nothing but resistance lies between them: the recording was compressed, cleaned of "
            "noise or distorted on its way",
            refuses=True,
            ground="Two inputs on one node differ by gain and delay alone",
            next_step="record without compression (WAV or FLAC), switch off enhancements of the "
            "inputs, keep both below -6 dB re full scale",
        ),
    )

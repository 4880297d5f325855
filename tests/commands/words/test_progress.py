"""What a watcher is told while a sweep runs."""

from __future__ import annotations

import pytest

from cli.terminal.progress import live_lines
from meas.audio.protocol import Progress

RATE = 48000


def told(done: float, level: float, peak: float) -> list[str]:
    progress = Progress(round(done * 10 * RATE), 10 * RATE, (peak, peak), (level, level))
    return live_lines("sweeping lantern-1", progress, RATE, plain=True)


def test_time_that_remains_is_told() -> None:
    assert told(0.3, 0.1, 0.1)[0].endswith("7 s left")


@pytest.mark.parametrize(
    ("done", "peak", "word"),
    [
        (0.9, 0.5, "good"),
        (0.1, 0.95, "too hot"),  # at once: it only gets worse
        (0.9, 0.005, "too faint"),
        (0.1, 0.005, "quiet so far"),  # the sweep may still come
    ],
)
def test_each_input_has_a_word(done: float, peak: float, word: str) -> None:
    lines = told(done, peak, peak)
    assert [line.split()[0] for line in lines[1:]] == ["source", "driver"]
    assert all(line.endswith(word) for line in lines[1:])


def test_meter_shows_the_moment_and_holds_the_peak() -> None:
    """Decibels: a tenth of full scale is -20 of 60 dB, two thirds of the way up."""
    line = told(0.5, 0.01, 0.1)[1]
    meter = line[line.index("[") + 1 : line.index("]")]
    assert meter.count("#") == len(meter) // 3
    assert meter.index("|") == 2 * len(meter) // 3 - 1


@pytest.mark.parametrize("peak", [0.0, 1e-6, 1.0, 7.0])
def test_lines_keep_to_80_columns(peak: float) -> None:
    progress = Progress(0, 1, (peak, peak), (peak, peak))
    lines = live_lines("sweeping a unit with a very long name indeed", progress, RATE, plain=False)
    assert max(map(len, lines)) < 80

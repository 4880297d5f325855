"""The curve of a take in the terminal, right after the sweep."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cli.terminal import show
from fit.results.numbers import significant

if TYPE_CHECKING:
    from meas.takes.take import Take

ROWS = 11
_LEAST_HEIGHT = 0.15  # re the lowest |Z|, as `meas.validity.of_resonance` demands of a driver
_MOST = {"driver": 1, "system": 2, "part": 0}


def draw(take: Take) -> None:
    """Draw the curve on standard error, where that is a terminal wide enough."""
    from cli.pictures import terminal_curve

    console = show.console(stderr=True)
    if take.curve is None or take.refused or not console.is_terminal:
        return
    frequency_hz, magnitude_ohm = take.curve.frequency_hz, take.curve.magnitude_ohm
    first = 0
    if take.excitation.get("kind") != "imported":  # what leaks below the sweep is worth no picture
        first = int((frequency_hz >= 0.99 * take.rig.drive.start_hz).argmax())
    if console.width <= terminal_curve.LEAST_COLUMNS or frequency_hz.size - first < 2:
        return
    lines = terminal_curve.curve_lines(
        frequency_hz[first:],
        magnitude_ohm[first:],
        marked={index - first: name for index, name in _named(take).items() if index >= first},
        columns=console.width - 1,
        rows=ROWS,
        ink=terminal_curve.BRAILLE if show.can_draw() else terminal_curve.ASCII,
    )
    show.note("\n".join(lines))


def _named(take: Take) -> dict[int, str]:
    """Find the points to mark: the peaks, and for a driver the least |Z| above its resonance."""
    peaks = resonances(take)
    if take.curve is None or take.kind != "driver" or not peaks:
        return dict.fromkeys(peaks, "")
    top = peaks[0]
    least = top + int(take.curve.magnitude_ohm[top:].argmin())
    hertz, ohm = (
        [significant(float(values[index])) for index in (top, least)]
        for values in (take.curve.frequency_hz, take.curve.magnitude_ohm)
    )
    named = {
        top: f"fs {hertz[0]} Hz, peak {ohm[0]} Ω",
        least: f"least {ohm[1]} Ω at {hertz[1]} Hz, Re just below",
    }
    if least == take.curve.frequency_hz.size - 1:
        del named[least]
    return {index: show.spelt(text, stderr=True) for index, text in named.items()}


def resonances(take: Take) -> list[int]:
    """Find where |Z| peaks: at most one for a driver, two for a system, none for a part."""
    import numpy as np

    from meas.validity import of_resonance

    curve = take.curve
    if curve is None or _MOST[take.kind] == 0:
        return []
    magnitude = curve.magnitude_ohm
    random = curve.standard_uncertainty_ohm
    found = of_resonance.resonances(
        magnitude.astype(np.complex128),
        np.zeros(magnitude.size) if random is None else random,
        _LEAST_HEIGHT,
    )
    tops = []
    for index in found[: _MOST[take.kind]]:
        around = slice(max(0, index - 2), index + 3)  # the search had smoothed over three points
        tops.append(around.start + int(np.argmax(magnitude[around])))
    return tops

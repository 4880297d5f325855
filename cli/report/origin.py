"""Origin of the data, in rows of name and text, for the report."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from cli.report.fit_page import Origin
from cli.terminal import show
from cli.words import assumed

if TYPE_CHECKING:
    from cli.sources.takes_and_tables import Gathered
    from cli.words.session import SessionWords
    from meas.bench.rig import Rig
    from meas.errors import Finding
    from meas.takes.take import Take


def of_fit(gathered: Gathered, words: SessionWords, unseen: Sequence[Finding]) -> Origin:
    """List benches, takes, everything that was stated beside them, and what they cannot show."""
    return Origin(
        rig=next((take.rig for take in gathered.takes if take), None),
        how=(
            *_stated(words),
            *(("Unproven", show.sentence(one.text)) for one in unseen),
            *of_takes(gathered.takes),
        ),
    )


def of_takes(takes: Sequence[Take | None]) -> tuple[tuple[str, str], ...]:
    """List the benches, each once, then one row for each take, by its number."""
    rows: list[tuple[str, str]] = []
    described: list[str] = []
    for take in filter(None, takes):
        text = bench_text(take.rig)
        if text not in described:
            described.append(text)
            rows.append(("Bench", text))
            rows.append(("Drive", drive_text(take.rig)))
    rows += [
        (f"Take {number}", take_text(take)) for number, take in enumerate(takes, start=1) if take
    ]
    return tuple(rows)


def bench_text(rig: Rig) -> str:
    """Describe wiring, sound card and calibration in a sentence."""
    wiring = rig.wiring
    parts = [
        "series resistor "
        + (
            "not known"
            if wiring.series_resistor_ohm is None
            else f"{wiring.series_resistor_ohm:g} Ω ± {wiring.tolerance_percent:g} %"
        )
        + f" on the {wiring.resistor_side} side",
        f"source on input {wiring.source_input}, driver on input {wiring.driver_input}",
        f"amplifier: {wiring.amplifier}",
        f"device: {rig.card.device or 'the default of the system'}",
    ]
    if wiring.input_resistance_ohm is not None:
        parts.append(f"input resistance {wiring.input_resistance_ohm / 1e3:g} kΩ taken out")
    calibration = rig.calibration
    parts.append(
        f"calibrated: {calibration.words}"
        if calibration
        else f"not calibrated: channels may differ by {rig.assumptions.mismatch_percent:g} %"
    )
    return "; ".join(parts)


def drive_text(rig: Rig) -> str:
    """Describe the excitation in a sentence."""
    drive = rig.drive
    low = (
        "full level everywhere"
        if drive.woofer
        else f"a tenth of the level below {drive.gentle_below_hz:g} Hz"
    )
    if drive.excitation == "multisine":
        played = f"multisine, {drive.periods} periods of {drive.period_seconds:g} s"
    elif drive.excitation == "stepped":
        played = f"one tone after the other, {drive.tone_seconds:g} s each"
    else:
        played = (
            f"exponential sweeps up and down, {drive.sweep_seconds:g} s each, "
            f"{drive.repeats} pair(s)"
        )
    return (
        f"{played}, {drive.start_hz:g} Hz to {drive.stop_hz:g} Hz, peak {drive.level:g} of full "
        f"scale, {low}"
    )


def take_text(take: Take) -> str:
    """Describe one take in a sentence."""
    condition = take.condition.name.replace("-", " ")
    words = [f"{condition} {take.condition.written}".strip()]
    if take.label:
        words.append(f"“{take.label}”")
    words += [
        take.taken_at[:16].replace("T", " "),
        f"{take.sample_rate_hz} Hz",
        f"peaks {100 * take.peak[0]:.0f} % and {100 * take.peak[1]:.0f} % of full scale",
        take.software,
    ]
    return ", ".join(words)


def _stated(words: SessionWords) -> list[tuple[str, str]]:
    named = (
        ("Cone diameter", words.diameter),
        ("Cone area", words.area),
        ("Coil resistance by multimeter", words.measured_re or "not given"),
        ("Moving parts, weighed", words.moving_parts),
        ("Tolerance of the tables' ohms", words.table_tolerance),
        ("Air temperature", words.air_temperature or _taken(assumed.air_temperature)),
        ("Air pressure", words.air_pressure or _taken(assumed.air_pressure)),
        ("Relative humidity", words.relative_humidity or _taken(assumed.relative_humidity)),
    )
    return [(name, text) for name, text in named if text is not None]


def _taken(assume: Callable[[None], assumed.Assumed]) -> str:
    return f"not given: {assume(None)[0].written} taken"

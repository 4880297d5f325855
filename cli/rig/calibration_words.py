"""Words for what a calibration found, and for what each missing standard costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from meas.bench.rig import Calibration, Rig, Standard

# The driver that costs are stated for: its coil and its peak. Sizes that most woofers are near.
COIL_OHM, PEAK_OHM = 6.0, 40.0
_LINE_INPUT_OHM = 10e3  # common practice, no source

PLACE: Mapping[str, str] = {
    "same-node": "+ driver −",
    "open": "nothing",
    "short": "short, thick wire",
    "resistor": "known {ohm:g} Ω",
}
AFTERWARDS: Mapping[str, str] = {
    "same-node": "Move the driver input back between resistor and driver.",
    "open": "Turn the output down before something is connected again.",
    "short": "Take the short off before the driver is connected again.",
    "resistor": "Take the known resistor off before the driver is connected again.",
}


def describe(standard: Standard) -> str:
    """Say in a sentence what a standard reads."""
    import numpy as np

    from fit.results.numbers import signed

    frequency, ratio = standard.frequency_hz, standard.ratio
    middle = int(np.argmin(np.abs(np.log(frequency / 1000.0))))
    if standard.kind != "same-node":
        return (
            f"Measured: with {standard.words} in the driver's place the driver input reads "
            f"{abs(ratio[middle]):.5f} of the source input at 1 kHz."
        )
    gain = 100 * (abs(ratio[middle]) - 1)
    spread = 100 * (np.abs(ratio).max() - np.abs(ratio).min())
    slope = np.polyfit(frequency, np.unwrap(np.angle(ratio)), 1)[0]
    samples = -slope / (2 * np.pi) * standard.sample_rate_hz
    return (
        f"Calibrated: the driver input reads {signed(gain, 3)} % against the source input at "
        f"1 kHz, {spread:.3f} % spread over the band, {signed(samples, 4)} samples late. Taken "
        "out from now on."
    )


def missing_standards(rig: Rig) -> dict[str, str]:
    """Kind of each standard that would take something out yet, and what it costs to lack it."""
    if rig.wiring.series_resistor_ohm is None:
        return {}
    known = rig.calibration
    return {**_channels(rig, known), **_ends(rig, known), **_scale(rig, known)}


def remaining(rig: Rig) -> list[str]:
    """Say what all that is not taken out adds up to, and what each missing standard costs."""
    if rig.wiring.series_resistor_ohm is None:
        return ["The rig does not say what its series resistor is: set series_resistor_ohm."]
    missing = [f"  {kind}: {cost}" for kind, cost in missing_standards(rig).items()]
    coil, peak = (sum_percent(rig, ohm, ("",)) for ohm in (COIL_OHM, PEAK_OHM))
    total = (
        f"All common errors of this bench together (95 %, at 1 kHz): ±{coil:.2g} % of a coil of "
        f"{COIL_OHM:g} ohm, ±{peak:.2g} % of a peak of {PEAK_OHM:g} ohm."
    )
    if not missing:
        return [f"Nothing is missing. {total}"]
    return [total, "What further standards would take out:", *missing]


def sum_percent(rig: Rig, ohm: float, sources: tuple[str, ...]) -> float:
    """Combine some causes at one impedance: twice the standard uncertainty, in per cent of it.

    Args:
        ohm: A resistive impedance at 1 kHz [ohm].
        sources: What the identities of the causes begin with.
    """
    import numpy as np

    from meas.correction.systematics import bench_systematics

    frequency = np.array([1000.0])
    found = bench_systematics(
        frequency,
        np.array([complex(ohm)]),
        rig,
        calibration=rig.calibration,
        sample_rate_hz=rig.card.sample_rate_hz,
    )
    square = sum(
        abs(complex(one.derivative_ohm[0])) ** 2 for one in found if one.source.startswith(sources)
    )
    return float(200 * np.sqrt(square) / ohm)


def _cost(rig: Rig, *sources: str) -> str:
    coil, peak = (sum_percent(rig, ohm, sources) for ohm in (COIL_OHM, PEAK_OHM))
    return f"±{coil:.2g} % at {COIL_OHM:g} ohm, ±{peak:.2g} % at {PEAK_OHM:g} ohm"


def _channels(rig: Rig, calibration: Calibration | None) -> dict[str, str]:
    if calibration is not None and calibration.knows_channels(rig.wiring.resistor_side):
        return {}
    return {
        "same-node": "gain and delay of the two inputs against each other are only assumed: "
        + _cost(rig, "mismatch-")
    }


def _ends(rig: Rig, calibration: Calibration | None) -> dict[str, str]:
    hot = rig.wiring.resistor_side == "hot"
    found = {}
    heard = ("crosstalk:",)
    if calibration is None or calibration.find("short") is None:
        also = " and so does what the inputs hear of each other" if hot else ""
        found["short"] = f"leads and contacts count as the driver's own resistance{also}: " + _cost(
            rig, "leads:", *(heard if hot else ())
        )
    if calibration is None or calibration.find("open") is None:
        if not hot:
            cost = "what the inputs hear of each other: " + _cost(rig, *heard)
        elif rig.wiring.input_resistance_ohm is not None:
            cost = "how much the driver input loads: " + _cost(rig, "input-resistance:")
        else:
            percent = 100 * PEAK_OHM / _LINE_INPUT_OHM
            cost = (
                "how much the driver input loads (not stated; a line input of 10 kohm would take "
                f"{percent:.2g} % off a peak of {PEAK_OHM:g} ohm)"
            )
        found["open"] = cost
    return found


def _scale(rig: Rig, calibration: Calibration | None) -> dict[str, str]:
    if calibration is not None and calibration.resistors:
        return {}
    return {
        "resistor": "every ohm stands on the series resistor; a known resistor of closer tolerance "
        "would take its place: " + _cost(rig, "resistor:")
    }

"""The rig file on disk: commented TOML that people edit, read strictly and updated gently."""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import AoT, Array, Item, Table

from meas.rig import Calibration, Rig
from meas.schema_errors import check_version, validate
from meas.toml_file import read_toml
from meas.whole_file import write_text

_KIND = "rig file"
_ADVICE = "Mend it by hand, or describe the bench anew with: freeair rig new"

_HEAD = (
    "A bench as freeair knows it. Edit values and comments freely; units stand in the names.",
    "Lines that start with # are comments; take the # away to make such a value count.",
)

# What stands above each key. Where the model has no value the key is written as a comment.
_COMMENTS: Mapping[str, Sequence[str]] = {
    "format": (),
    "name": (
        "Identity of this bench: takes of one name share its errors, and these cancel when",
        "units are compared. Give another bench, or a new resistor, another name.",
    ),
    "mains_hz": ("Mains frequency where you live: 50 or 60.",),
    "wiring": (
        "CAUTION: a bridged (balanced) amplifier has no grounded output. Connecting either of",
        "its terminals to the sound card's ground shorts half of it. Most small class-D boards",
        "are bridged.",
    ),
    "wiring.series_resistor_ohm": (
        "Series resistor, best as measured with its leads. Every ohm and gram of a result",
        "stands on it.",
    ),
    "wiring.tolerance_percent": ("Its limits: what the maker or your meter promises.",),
    "wiring.resistor_side": (
        '"hot": source - resistor - driver - ground;',
        '"ground": source - driver - resistor - ground.',
    ),
    "wiring.source_input": ("Inputs count from 1. This one sits on the source node,",),
    "wiring.driver_input": ("this one between resistor and driver.",),
    "wiring.input_resistance_ohm": (
        "Resistance of the driver input, if known; it loads the divider. Line inputs have 10 to",
        "50 kohm (common practice).",
    ),
    "wiring.input_resistance_tolerance_percent": (),
    "wiring.amplifier": ('What drives the bench: "none" (sound card), "grounded" or "bridged".',),
    "wiring.amplifier_acknowledged": (
        "Whose cautions were read and acknowledged, and when; take the line out to be asked again.",
    ),
    "card": (),
    "card.device": (
        'Sound device, as listed by: freeair rig devices. "simulated" needs no hardware.',
        "Without it the system's default is used.",
    ),
    "card.sample_rate_hz": (
        "Take one that the hardware has itself; systems resample others in silence.",
    ),
    "card.input_volt_full_scale": (
        "Peak volts that an input reads as full scale, by: freeair rig level --volts-at-driver.",
        "Void after any turn of a knob.",
    ),
    "card.input_volt_tolerance_percent": (),
    "drive": (
        "CAUTION: start low and raise the level slowly: line inputs overload near 2 V, tweeters",
        "die of low frequencies, loud tones harm hearing.",
    ),
    "drive.level": ("Peak of the sweep; full scale is 1.",),
    "drive.start_hz": ("The sweep must reach well below and far above the resonance.",),
    "drive.stop_hz": (),
    "drive.sweep_seconds": ("Length of one sweep; longer is less noisy.",),
    "drive.gap_seconds": ("Silence between sweeps, in which the driver rings out.",),
    "drive.repeats": (
        "Number of pairs of one sweep up and one down. From two pairs on, a sweep that a door or",
        "a lorry spoilt is left out by itself.",
    ),
    "drive.excitation": (
        '"sweep"; "multisine": many tones at once, repeated, which tells noise from even and odd',
        'distortion; "stepped": one tone after the other, slow, for noisy places.',
    ),
    "drive.period_seconds": ("One period of the multisine; its lowest tones are 1/period apart.",),
    "drive.periods": ("Periods that count, after one in which the driver settles.",),
    "drive.tone_seconds": ("How long each stepped tone is listened to; low ones take longer.",),
    "drive.woofer": (
        "false: below gentle_below_hz the drive is held at a tenth, so that a tweeter survives.",
        "true: full level everywhere; only for drivers that can bear it.",
    ),
    "drive.gentle_below_hz": (),
    "assumptions": (
        "Limits (±) of errors that nobody measured; they widen every stated uncertainty.",
    ),
    "assumptions.mismatch_percent": ("Gain of the two inputs against each other, uncalibrated.",),
    "assumptions.mismatch_delay_samples": ("Delay of one input against the other, uncalibrated.",),
    "assumptions.calibrated_mismatch_percent": ("What calibration leaves of both.",),
    "assumptions.calibrated_delay_samples": (),
    "assumptions.lead_ohm": (
        "Resistance of leads and contacts between the inputs' node and the driver, as long as",
        "no short has been measured.",
    ),
    "assumptions.calibration_days": ("A calibration older than this is used with a caution.",),
    "substitution": (
        "For a card with one input: a known resistor is recorded in the driver's place, then the",
        "driver. The resistance of the output itself counts in full: measure or look it up.",
    ),
    "calibration": (
        "Measured by: freeair rig calibrate. Do not edit; after any change of card, rate or",
        "cables calibrate again. Rows: frequency [Hz], real and imaginary part of driver input",
        "over source input, standard uncertainty of each part.",
    ),
    "polarity": (
        "Sign of the driver input, measured by: freeair polarity reference. Holds for this input",
        "of this device only.",
    ),
    "polarity.driver_input": (),
    "polarity.device": (),
    "polarity.inverted": (),
    "polarity.taken_at": (),
    "simulated": ("The driver and the faults of the simulated bench (SI base units).",),
}

# A table that most benches do not need, as a comment.
_SUBSTITUTION = (
    "[substitution]",
    "known_resistor_ohm = 8.2",
    "tolerance_percent = 1.0",
    "source_resistance_ohm = 0.5",
    "source_resistance_limit_ohm = 0.5",
    "drift_percent = 1.0",
)

_EXAMPLES = {
    "wiring.series_resistor_ohm": "10.0",
    "wiring.input_resistance_ohm": "22000.0",
    "wiring.amplifier_acknowledged": '"grounded 2026-01-31"',
    "card.device": '"name of the device"',
    "card.input_volt_full_scale": "1.6",
    "simulated.series_resistor_ohm": "10.0",
    "simulated.seed": "1",
}


def unique_name(stem: str) -> str:
    """A name for a new rig, such as ``bench-3fa2``, that no other rig is likely to have."""
    plain = re.sub(r"[^a-z0-9]+", "-", stem.lower()).strip("-")[:40] or "rig"
    return f"{plain}-{secrets.token_hex(2)}"


def write_new(path: Path, rig: Rig, *, overwrite: bool = False) -> None:
    """Write a rig as a commented file.

    Raises:
        UsageError: If the file exists and may not be overwritten, or cannot be written.
    """
    write_text(path, as_text(rig), overwrite=overwrite)


def as_text(rig: Rig) -> str:
    """A rig as commented TOML; keys without a value are shown as comments."""
    document = tomlkit.document()
    for line in _HEAD:
        document.add(tomlkit.comment(line))
    document.add(tomlkit.nl())
    content = rig.model_dump(mode="python")
    _fill(document, {k: v for k, v in content.items() if not isinstance(v, dict)}, "")
    for key, value in content.items():
        if isinstance(value, dict):
            document.add(tomlkit.nl())
            document.add(key, _table(key, value))
    if rig.substitution is None:
        document.add(tomlkit.nl())
        for line in (*_COMMENTS["substitution"], *_SUBSTITUTION):
            document.add(tomlkit.comment(line))
    return tomlkit.dumps(document)


def read(path: Path) -> Rig:
    """Read a rig file.

    Raises:
        UnreadableInput: If it cannot be read, is no TOML (with line and column), or holds wrong
            keys or values: all of them at once.
    """
    return _parsed(path)[0]


def update(path: Path, rig: Rig) -> None:
    """Make a rig file say what ``rig`` says; comments, order and untouched values stay.

    Raises:
        UnreadableInput: If the file cannot be read as a rig.
        UsageError: If it cannot be written.
    """
    old, text = _parsed(path)
    document: Any = tomlkit.parse(text)
    before, after = old.model_dump(mode="python"), rig.model_dump(mode="python")
    for key, value in after.items():
        if value == before[key]:
            continue
        if key == "calibration" or before[key] is None or value is None:
            document.pop(key, None)
            if value is not None:
                document.add(key, _table(key, value))
        elif isinstance(value, dict):
            if key not in document:
                document.add(key, tomlkit.table())
            _change(document[key], before[key], value)
        else:
            document[key] = value
    write_text(path.resolve(), tomlkit.dumps(document), overwrite=True)


def store_calibration(path: Path, rig: Rig, calibration: Calibration) -> Rig:
    """Store a calibration in the rig file and return the rig with it.

    Raises:
        UnreadableInput: If the file cannot be read as a rig.
        UsageError: If it cannot be written.
    """
    calibrated = rig.model_copy(update={"calibration": calibration})
    update(path, calibrated)
    return calibrated


def _parsed(path: Path) -> tuple[Rig, str]:
    content, text = read_toml(path, _KIND)
    check_version(content, "freeair-rig", 1, str(path))
    # Dates are the one thing that TOML has and JSON has not; the model wants them as text.
    as_json = json.dumps(content, default=lambda value: value.isoformat())
    return validate(Rig, as_json, str(path), _ADVICE), text


def _change(table: Any, before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    for key, value in after.items():
        if value != before[key]:
            if value is None:
                table.pop(key, None)
            else:
                table[key] = value


def _table(key: str, content: Mapping[str, Any]) -> Table:
    table = tomlkit.table()
    for line in _COMMENTS[key]:
        table.add(tomlkit.comment(line))
    if _COMMENTS[key]:
        table.add(tomlkit.nl())
    _fill(table, content, f"{key}.")
    return table


def _fill(table: Any, content: Mapping[str, Any], prefix: str) -> None:
    for key, value in content.items():
        path = prefix + key
        for line in _COMMENTS.get(path, ()):
            if prefix or value is not None:
                table.add(tomlkit.comment(line))
        if isinstance(value, tuple) and value and isinstance(value[0], dict):
            table.add(key, _tables(value))
        elif value is not None:
            table.add(key, _rows(value) if isinstance(value, tuple) else value)
        elif path in _EXAMPLES:
            table.add(tomlkit.comment(f"{key} = {_EXAMPLES[path]}"))


def _tables(items: Sequence[Mapping[str, Any]]) -> AoT:
    """One ``[[table]]`` each."""
    tables = tomlkit.aot()
    for item in items:
        table = tomlkit.table()
        _fill(table, item, "calibration.standards.")
        tables.append(table)
    return tables


def _rows(rows: Sequence[Sequence[float]]) -> Item:
    """One row a line; nine digits are far below what any calibration resolves."""
    lines = ",\n".join(f"  [{', '.join(_digits(number) for number in row)}]" for row in rows)
    array: Array = tomlkit.array(f"[\n{lines},\n]")
    return array


def _digits(number: float) -> str:
    text = f"{number:.9g}"
    return text if any(mark in text for mark in ".e") else f"{text}.0"

"""Comments of the rig file, one above each key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

HEAD = (
    "A bench as freeair knows it. Edit values and comments freely; units stand in the names.",
    "Lines that start with # are comments; take the # away to make such a value count.",
)

# What stands above each key. Where the model has no value the key is written as a comment.
COMMENTS: Mapping[str, Sequence[str]] = {
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
    "drive.level": (
        "Peak of all that is played; full scale is 1. Only --set and --levels ask for more.",
    ),
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
    "assumptions.coupling_hz": ("Corners of their couplings against each other, uncalibrated.",),
    "assumptions.calibrated_mismatch_percent": (
        "What calibration leaves of both: gains move with warmth and a touched knob.",
    ),
    "assumptions.calibrated_delay_samples": (),
    "assumptions.lead_ohm": (
        "Resistance of leads and contacts between the inputs' node and the driver, as long as",
        "no short has been measured: half a metre of thin lead, or a clip that is not new.",
    ),
    "assumptions.crosstalk_percent": (
        "Source heard by the driver input, as long as nothing measured it: the short standard",
        "does (with the resistor on the ground side the open one).",
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
SUBSTITUTION = (
    "[substitution]",
    "known_resistor_ohm = 8.2",
    "tolerance_percent = 1.0",
    "source_resistance_ohm = 0.5",
    "source_resistance_limit_ohm = 0.5",
    "drift_percent = 1.0",
)

EXAMPLES = {
    "wiring.series_resistor_ohm": "10.0",
    "wiring.input_resistance_ohm": "22000.0",
    "wiring.amplifier_acknowledged": '"grounded 2026-01-31"',
    "card.device": '"name of the device"',
    "card.input_volt_full_scale": "1.6",
    "simulated.series_resistor_ohm": "10.0",
    "simulated.seed": "1",
}

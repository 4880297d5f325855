"""The rig file: how a bench is wired, what is known of its parts, how it is driven."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, FailFast, Field, model_validator

from meas.bench.simulated_settings import SimulatedSettings
from meas.curve import ComplexArray, FloatArray

MOST_FRAMES = 12_000_000
"""Longest excitation or recording: a minute at 192 kHz, four at 48 kHz, a gigabyte of memory."""

_MOST_POINTS = 2000  # ten times what is kept of a standard
_MOST_STANDARDS = 50


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


Kind = Literal["driver", "part", "system"]
"""What hangs at the bench: a driver in free air, a passive part, a finished box."""
StandardKind = Literal["same-node", "open", "short", "resistor"]


class Standard(_Table):
    """Reading of the bench with something known in the driver's place.

    ``points`` holds rows of frequency [Hz], real and imaginary part of driver input over source
    input, and the standard uncertainty of each part.
    """

    kind: StandardKind
    resistance_ohm: float | None = Field(default=None, gt=0, description="of a known resistor")
    tolerance_percent: float | None = Field(default=None, ge=0, le=50, description="its limits")
    inductance_limit_h: float | None = Field(default=None, ge=0, description="its own, at most")
    taken_at: str = Field(description="ISO 8601 with offset")
    sample_rate_hz: int = Field(ge=8000, le=768000)
    device: str
    source_input: int = Field(ge=1, le=1024)
    driver_input: int = Field(ge=1, le=1024)
    series_resistor_ohm: float | None = Field(
        default=None, gt=0, le=1e9, description="as the rig said"
    )
    resistor_side: Literal["hot", "ground"] | None = None
    # A million wrong rows, told one by one, would fill the memory.
    points: Annotated[tuple[tuple[float, float, float, float], ...], FailFast()] = Field(
        min_length=2, max_length=_MOST_POINTS
    )

    @model_validator(mode="after")
    def _check(self) -> Standard:
        frequency_hz = self.frequency_hz
        if frequency_hz[0] <= 0 or np.any(np.diff(frequency_hz) <= 0):
            raise ValueError("the frequencies of the points must be positive and increase")
        if np.any(self.standard_uncertainty < 0):
            raise ValueError("an uncertainty of the points is negative")
        if (self.kind == "resistor") != (self.resistance_ohm is not None):
            raise ValueError("resistance_ohm belongs to a resistor, and to nothing else")
        if self.kind == "resistor" and self.tolerance_percent is None:
            raise ValueError("a known resistor needs a tolerance_percent")
        return self

    @property
    def words(self) -> str:
        """Name of the standard in a word or two."""
        if self.resistance_ohm is None:
            return self.kind
        return f"resistor {self.resistance_ohm:g} ohm"

    @property
    def frequency_hz(self) -> FloatArray:
        """Frequencies [Hz], shape (n,)."""
        return np.array([row[0] for row in self.points])

    @property
    def ratio(self) -> ComplexArray:
        """Driver input over source input, complex, shape (n,)."""
        return np.array([complex(row[1], row[2]) for row in self.points])

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Standard uncertainty of the real and of the imaginary part each, shape (n,)."""
        return np.array([row[3] for row in self.points])


class Calibration(_Table):
    """The standards that were measured on a bench, one of each kind and value at most."""

    standards: Annotated[tuple[Standard, ...], FailFast()] = Field(
        min_length=1, max_length=_MOST_STANDARDS
    )

    @model_validator(mode="before")
    @classmethod
    def _read_first_form(cls, content: Any) -> Any:
        """Rigs and takes of the first version hold one capture of a common node and its points."""
        content = _with_tuples(content)
        if not isinstance(content, dict) or "points" not in content:
            return content
        rest = {key: value for key, value in content.items() if key != "standard"}
        return {"standards": ({"kind": content.get("standard", "same-node"), **rest},)}

    @model_validator(mode="after")
    def _check_standards(self) -> Calibration:
        names = [standard.words for standard in self.standards]
        if len(set(names)) < len(names):
            raise ValueError("each standard may be there once")
        return self

    def find(self, kind: StandardKind) -> Standard | None:
        """Find the standard of a kind that can be there once only; None without it."""
        return next((one for one in self.standards if one.kind == kind), None)

    @property
    def resistors(self) -> tuple[Standard, ...]:
        """The known resistors."""
        return tuple(one for one in self.standards if one.kind == "resistor")

    def knows_channels(self, resistor_side: Literal["hot", "ground"]) -> bool:
        """Tell whether it tells how the two inputs differ.

        Beside a common node the open end (hot side) or the short (ground side) shows one voltage
        to both inputs.
        """
        like_one_node: StandardKind = "open" if resistor_side == "hot" else "short"
        return self.find("same-node") is not None or self.find(like_one_node) is not None

    @property
    def words(self) -> str:
        """The standards and when they were measured."""
        return ", ".join(
            f"{one.words} on {one.taken_at[:16].replace('T', ' ')}" for one in self.standards
        )

    def with_standard(self, standard: Standard) -> Calibration:
        """The calibration with a standard added; an earlier one of the same name is replaced."""
        kept = tuple(one for one in self.standards if one.words != standard.words)
        return Calibration(standards=(*kept, standard))


class InputPolarity(_Table):
    """Polarity of the driver input, told by a cell of known poles."""

    driver_input: int = Field(ge=1, le=1024)
    device: str
    inverted: bool
    taken_at: str = Field(description="ISO 8601 with offset")


def _with_tuples(content: Any) -> Any:
    """Lists as tuples: behind a validator of ours strict reading takes no list for one."""
    if isinstance(content, dict):
        return {key: _with_tuples(value) for key, value in content.items()}
    if isinstance(content, list | tuple):
        return tuple(_with_tuples(value) for value in content)
    return content


class Wiring(_Table):
    """Connections of resistor, driver and inputs."""

    series_resistor_ohm: float | None = Field(default=None, gt=0, le=1e9)
    tolerance_percent: float = Field(default=1.0, ge=0, le=50)
    resistor_side: Literal["hot", "ground"] = "hot"
    source_input: int = Field(default=1, ge=1, le=1024)
    driver_input: int = Field(default=2, ge=1, le=1024)
    input_resistance_ohm: float | None = Field(
        default=None, gt=0, description="of the driver input; None: too high to matter, unknown"
    )
    input_resistance_tolerance_percent: float = Field(default=10.0, ge=0, le=100)
    amplifier: Literal["none", "grounded", "bridged"] = "none"
    amplifier_acknowledged: str | None = Field(
        default=None,
        pattern=r"^(grounded|bridged) \d{4}-\d{2}-\d{2}$",
        description="kind of amplifier whose cautions were acknowledged, and when",
    )

    @property
    def amplifier_known(self) -> bool:
        """Tell whether the cautions of this very kind of amplifier were acknowledged."""
        return (self.amplifier_acknowledged or "").startswith(f"{self.amplifier} ")

    @model_validator(mode="after")
    def _check_inputs(self) -> Wiring:
        if self.source_input == self.driver_input:
            raise ValueError("source_input and driver_input must be two different inputs")
        return self


SIMULATED = "simulated"
"""Name of the device that needs no hardware."""


class Card(_Table):
    """The sound device."""

    device: str | None = Field(
        default=None, description="None: the system's default; 'simulated': no hardware at all"
    )
    sample_rate_hz: int = Field(default=48000, ge=8000, le=768000)
    input_volt_full_scale: float | None = Field(
        default=None, gt=0, description="peak volts at full scale of an input, from rig level"
    )
    input_volt_tolerance_percent: float = Field(default=3.0, ge=0, le=50)

    @property
    def is_simulated(self) -> bool:
        """Tell whether nothing real plays."""
        return self.device == SIMULATED


class Drive(_Table):
    """The excitation."""

    level: float = Field(default=0.25, gt=0, le=1, description="peak, full scale is 1")
    start_hz: float = Field(default=10.0, ge=0.5, le=384e3)
    stop_hz: float = Field(default=20000.0, ge=0.5, le=384e3)
    sweep_seconds: float = Field(default=5.0, ge=0.5, le=120)
    gap_seconds: float = Field(default=1.0, ge=0.3, le=10)
    repeats: int = Field(default=1, ge=1, le=50, description="of the pair sweep up, sweep down")
    excitation: Literal["sweep", "multisine", "stepped"] = "sweep"
    period_seconds: float = Field(default=2.0, ge=0.1, le=60, description="of the multisine")
    periods: int = Field(default=8, ge=4, le=200, description="of the multisine, after one more")
    tone_seconds: float = Field(default=0.4, ge=0.02, le=20, description="of one stepped tone")
    woofer: bool = Field(
        default=False,
        description="False: below gentle_below_hz the drive is held at a tenth of the level, "
        "so that a tweeter survives; True: full level everywhere",
    )
    gentle_below_hz: float = Field(default=200.0, ge=0.5, le=384e3)

    @model_validator(mode="after")
    def _check_band(self) -> Drive:
        if self.start_hz >= self.stop_hz:
            raise ValueError("start_hz must be below stop_hz")
        return self

    @property
    def longest_seconds(self) -> float:
        """Longest duration of the excitation; built, it may be a little shorter [s]."""
        if self.excitation == "multisine":
            return (self.periods + 1) * 1.1 * self.period_seconds
        ratio = self.stop_hz / self.start_hz
        if self.excitation == "stepped":
            # Sixteen tones to the octave; the longest periods add up as a geometric series.
            tones = 2 + 16 * math.log2(ratio)
            return tones * (0.12 + self.tone_seconds) + 22 * 24 / self.start_hz
        sweep = max(self.sweep_seconds, math.log(ratio) / self.start_hz)
        return 2 * self.repeats * (sweep + self.gap_seconds)


class Substitution(_Table):
    """Settings for one input: what goes in the driver's place, and what is known of the source."""

    known_resistor_ohm: float = Field(gt=0, description="in the driver's place first")
    tolerance_percent: float = Field(default=1.0, ge=0, le=50)
    source_resistance_ohm: float = Field(default=0.5, ge=0, description="of the output itself")
    source_resistance_limit_ohm: float = Field(default=0.5, ge=0)
    drift_percent: float = Field(
        default=1.0, ge=0, le=50, description="of the source between both recordings"
    )


class Assumptions(_Table):
    """Limits (half-widths) of bench errors that nobody measured."""

    mismatch_percent: float = Field(default=3.0, ge=0, le=100, description="channels, uncalibrated")
    mismatch_delay_samples: float = Field(default=1.0, ge=0, le=1e4, description="uncalibrated")
    coupling_hz: float = Field(default=0.3, ge=0, le=1e3, description="high-pass, uncalibrated")
    calibrated_mismatch_percent: float = Field(default=0.2, ge=0, le=100, description="left over")
    calibrated_delay_samples: float = Field(default=0.002, ge=0, le=1e4, description="left over")
    lead_ohm: float = Field(
        default=0.05, ge=0, description="leads and contacts to the driver, without a short"
    )
    crosstalk_percent: float = Field(
        default=0.1, ge=0, le=100, description="source into driver input, without a short"
    )
    calibration_days: float = Field(
        default=90.0, gt=0, le=1e5, description="until it counts as old"
    )


class Rig(_Table):
    """A bench. Field names are the keys of the TOML file."""

    format: Literal["freeair-rig/1"] = "freeair-rig/1"
    name: str = Field(min_length=1, description="identity: rigs of one name share their errors")
    mains_hz: Literal[50, 60] = 50
    wiring: Wiring = Wiring()
    card: Card = Card()
    drive: Drive = Drive()
    assumptions: Assumptions = Assumptions()
    substitution: Substitution | None = None
    calibration: Calibration | None = None
    polarity: InputPolarity | None = None
    simulated: SimulatedSettings | None = None

    @model_validator(mode="after")
    def _check_length(self) -> Rig:
        frames = self.drive.longest_seconds * self.card.sample_rate_hz
        if frames > MOST_FRAMES:
            raise ValueError(
                f"the excitation lasts {self.drive.longest_seconds:.0f} s, which is "
                f"{frames / 1e6:.0f} million samples at {self.card.sample_rate_hz} Hz, and "
                f"{MOST_FRAMES / 1e6:.0f} million are the most: make it shorter, with fewer repeats"
            )
        return self

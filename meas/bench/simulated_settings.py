"""Settings of a simulated bench; the table ``[simulated]`` of a rig file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

# Beyond any part in SI units, and safe to square and to divide by.
_Positive = Annotated[float, Field(ge=1e-15, le=1e12)]
_Size = Annotated[float, Field(ge=0, le=1e12)]


class SimulatedSettings(BaseModel):
    """A bench with known faults, for the demo, for learning and for tests.

    Three things can be measured on it: a driver, which is Re + j w Le + (j w L2 parallel R2) +
    motional impedance (creep and other laws outside the fitted models are not offered here); that
    driver in a finished box (``take --kind system``); and a part (``take --kind part``).
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    Re_ohm: _Positive = 5.8
    Le_h: _Size = 0.35e-3
    L2_h: _Size = 0.5e-3
    R2_ohm: _Size = 4.0
    fs_hz: _Positive = 48.0
    Qms: _Positive = 4.2
    Qes: _Positive = 0.46
    Mms_kg: _Positive = 0.0132
    Sd_m2: _Positive = 0.0109

    box: Literal["closed", "vented"] = "vented"
    box_volume_m3: _Positive = 0.016
    box_tuning_hz: _Positive = Field(default=46.0, description="of a vented box")
    box_Q: _Positive = Field(default=8.0, description="what leaks and damps at the tuning")

    part: Literal["inductor", "capacitor", "resistor"] = "inductor"
    inductor_h: _Positive = 0.83e-3
    inductor_ohm: _Positive = Field(default=0.45, description="its wire")
    inductor_core_ohm: _Positive = Field(default=900.0, description="core loss, in parallel")
    capacitor_f: _Positive = 4.7e-6
    capacitor_ohm: _Positive = Field(default=0.09, description="its loss, in series")
    resistor_ohm: _Positive = 8.2

    series_resistor_ohm: _Positive | None = Field(
        default=None, description="true resistor; None: as the rig says"
    )
    amplifier_volt_full_scale: _Positive = Field(default=1.4, description="peak")
    amplifier_output_ohm: _Size = 0.5
    input_volt_full_scale: _Positive = Field(default=1.6, description="peak")
    input_resistance_ohm: _Positive = Field(default=1e9, description="of the driver input")
    driver_input_gain: _Positive = Field(default=1.0, description="mismatch of the channels")
    driver_input_delay_s: float = Field(default=0.0, ge=-0.1, le=0.1)
    noise_volt_rms: _Size = 20e-6
    hum_volt: _Size = Field(default=0.0, description="amplitude at the mains frequency")
    hum_hz: _Positive = 50.0
    bits: int = Field(default=24, ge=8, le=32)
    latency_s: float = Field(default=0.031, ge=0, le=10)
    seed: int | None = Field(
        default=None, ge=0, lt=2**63, description="None: different noise in every capture"
    )


TWEETER = {
    "Re_ohm": 5.6, "Le_h": 0.02e-3, "L2_h": 0.04e-3, "R2_ohm": 3.0, "fs_hz": 1150.0, "Qms": 2.4,
    "Qes": 1.3, "Mms_kg": 0.33e-3, "Sd_m2": 0.71e-3, "noise_volt_rms": 8e-6,
}  # fmt: skip
"""An invented dome of 25 mm, to be put in the woofer's place."""

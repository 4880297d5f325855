"""What a simulated bench is made of; the table ``[simulated]`` of a rig file."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class SimulatedSettings(BaseModel):
    """A bench with known faults, for the demo, for learning and for tests.

    Three things can be measured on it: a driver, which is Re + j w Le + (j w L2 parallel R2) +
    motional impedance (creep and other laws outside the fitted models are not offered here); that
    driver in a finished box (``take --kind system``); and a part (``take --kind part``).
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    Re_ohm: float = Field(default=5.8, gt=0)
    Le_h: float = Field(default=0.35e-3, ge=0)
    L2_h: float = Field(default=0.5e-3, ge=0)
    R2_ohm: float = Field(default=4.0, ge=0)
    fs_hz: float = Field(default=48.0, gt=0)
    Qms: float = Field(default=4.2, gt=0)
    Qes: float = Field(default=0.46, gt=0)
    Mms_kg: float = Field(default=0.0132, gt=0)
    Sd_m2: float = Field(default=0.0109, gt=0)

    box: Literal["closed", "vented"] = "vented"
    box_volume_m3: float = Field(default=0.016, gt=0)
    box_tuning_hz: float = Field(default=46.0, gt=0, description="of a vented box")
    box_Q: float = Field(default=8.0, gt=0, description="what leaks and damps at the tuning")

    part: Literal["inductor", "capacitor", "resistor"] = "inductor"
    inductor_h: float = Field(default=0.83e-3, gt=0)
    inductor_ohm: float = Field(default=0.45, gt=0, description="its wire")
    inductor_core_ohm: float = Field(default=900.0, gt=0, description="core loss, in parallel")
    capacitor_f: float = Field(default=4.7e-6, gt=0)
    capacitor_ohm: float = Field(default=0.09, gt=0, description="its loss, in series")
    resistor_ohm: float = Field(default=8.2, gt=0)

    series_resistor_ohm: float | None = Field(
        default=None, gt=0, description="true resistor; None: as the rig says"
    )
    amplifier_volt_full_scale: float = Field(default=1.4, gt=0, description="peak")
    amplifier_output_ohm: float = Field(default=0.5, ge=0)
    input_volt_full_scale: float = Field(default=1.6, gt=0, description="peak")
    input_resistance_ohm: float = Field(default=1e9, gt=0, description="of the driver input")
    driver_input_gain: float = Field(default=1.0, gt=0, description="mismatch of the channels")
    driver_input_delay_s: float = Field(default=0.0)
    noise_volt_rms: float = Field(default=20e-6, ge=0)
    hum_volt: float = Field(default=0.0, ge=0, description="amplitude at the mains frequency")
    hum_hz: float = Field(default=50.0, gt=0)
    bits: int = Field(default=24, ge=8, le=32)
    latency_s: float = Field(default=0.031, ge=0)
    seed: int | None = Field(default=None, description="None: different noise in every capture")


TWEETER = {
    "Re_ohm": 5.6, "Le_h": 0.02e-3, "L2_h": 0.04e-3, "R2_ohm": 3.0, "fs_hz": 1150.0, "Qms": 2.4,
    "Qes": 1.3, "Mms_kg": 0.33e-3, "Sd_m2": 0.71e-3, "noise_volt_rms": 8e-6,
}  # fmt: skip
"""An invented dome of 25 mm, to be put in the woofer's place."""

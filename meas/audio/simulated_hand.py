"""The simulated bench without a sweep: a hand presses the cone, or a cell touches the input."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from meas.audio.protocol import Capture, Progress
from meas.audio.simulated_bench import report
from meas.bench.rig import Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.curve import FloatArray

_PRESS_SECONDS = 0.12
_TRAVEL_M = 1.0e-3
_CELL_VOLT = 1.5
_CELL_OHM = 100e3
_INPUT_OHM = 20e3
_TOUCH_SECONDS = 1.0
_COUPLING_HZ = 1.0


class SimulatedHand:
    """Records what a press on the cone or a touch of a cell puts on the inputs.

    The press is half a sine of velocity, inwards, held afterwards; the coil gives Bl times
    velocity, divided by resistor and amplifier. The inputs are coupled by a first-order high-pass
    of 1 Hz, as line inputs are.

    Args:
        plus_on_hot: Whether the driver's plus sits on the side of the amplifier.
        cell: A cell's plus touches the driver input instead; nothing else is connected.
    """

    def __init__(
        self,
        settings: SimulatedSettings,
        wiring: Wiring,
        *,
        plus_on_hot: bool = True,
        cell: bool = False,
        inverted: bool = False,
    ) -> None:
        self._settings = settings
        self._wiring = wiring
        self._plus = 1.0 if plus_on_hot else -1.0
        self._cell = cell
        self._sign = -1.0 if inverted else 1.0
        self._random = np.random.default_rng(settings.seed)

    def play_and_record(
        self,
        output: NDArray[np.float32],
        sample_rate_hz: int,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Capture:
        """Record for as long as ``output``, which is silence; see `AudioPath`."""
        true = self._settings
        seconds = np.arange(output.size) / sample_rate_hz
        volts = self._touch(seconds) if self._cell else self._press(seconds)
        full = true.input_volt_full_scale
        recorded = np.empty((output.size, 2), dtype=np.float32)
        hum = true.hum_volt * np.sin(2 * np.pi * true.hum_hz * seconds)
        for column, volt in enumerate(volts):
            noise = true.noise_volt_rms * self._random.standard_normal(output.size)
            coupled = _high_pass(self._sign * volt, sample_rate_hz)
            recorded[:, column] = np.clip((coupled + hum + noise) / full, -1, 1)
        done, events = report(recorded, sample_rate_hz // 10, on_progress)
        return Capture(
            recorded[:done], sample_rate_hz, output.size, events, path={"device": "simulated"}
        )

    def _press(self, seconds: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Voltages at source and driver input [V]."""
        true = self._settings
        Bl = np.sqrt(2 * np.pi * true.fs_hz * true.Mms_kg * true.Re_ohm / true.Qes)
        since = seconds - 0.4 * seconds[-1]
        inside = (since > 0) & (since < _PRESS_SECONDS)
        fastest = _TRAVEL_M * np.pi / (2 * _PRESS_SECONDS)
        inward = np.where(inside, fastest * np.sin(np.pi * since / _PRESS_SECONDS), 0.0)
        emf = -self._plus * Bl * inward  # of the hot terminal against the other
        R = true.series_resistor_ohm or self._wiring.series_resistor_ohm or 0.0
        total = R + true.Re_ohm + true.amplifier_output_ohm
        current = emf / total  # out of the hot terminal, through the amplifier to ground
        source = current * true.amplifier_output_ohm
        if self._wiring.resistor_side == "hot":
            return source, current * (true.amplifier_output_ohm + R)
        return source, -current * R

    def _touch(self, seconds: FloatArray) -> tuple[FloatArray, FloatArray]:
        since = seconds - 0.4 * seconds[-1]
        volt = _CELL_VOLT * _INPUT_OHM / (_INPUT_OHM + _CELL_OHM)
        return np.zeros_like(seconds), np.where((since > 0) & (since < _TOUCH_SECONDS), volt, 0.0)


def _high_pass(volts: FloatArray, sample_rate_hz: int) -> FloatArray:
    from scipy.signal import lfilter

    pole = np.exp(-2 * np.pi * _COUPLING_HZ / sample_rate_hz)
    return np.asarray(lfilter([1.0, -1.0], [1.0, -pole], volts))

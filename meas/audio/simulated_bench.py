"""The audio path over a simulated bench: no hardware, not in real time, faults as ordered.

The linear part is exact: the circuit's continuous-time response at every frequency of a Fourier
transform long enough for the driver to come to rest, so nothing is warped or wrapped around.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from meas.audio.protocol import Capture, Progress, StreamEvent
from meas.bench.rig import Kind, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.curve import ComplexArray, FloatArray, TwoInputs

# rho c^2: dry air of 20 C at 101.325 kPa, density 1.2041 kg/m3 (from memory), sound speed
# 343.2 m/s (ISO 9613-1).
AIR_STIFFNESS_PA = 1.2041 * 343.2**2

Standard = Literal["same-node", "open", "short"]
_CHUNK = 2**18


class SimulatedBench:
    """A driver, a part, a finished box or a calibration standard on a bench with known faults.

    Inputs are read against ground with ideal anti-alias filters. The source input does not load
    the circuit; the driver input loads its node with its resistance.

    Args:
        wiring: Side of the resistor, and its value unless the settings give a true one.
        added_mass_kg: Mass stuck to the cone [kg].
        test_box_m3: Net volume of a sealed box behind the driver [m3]; None for free air.
        kind: What is measured: the driver, the part, or the driver in its finished box.
        standard: Instead of the driver: both inputs on the source node (the driver stays
            connected), nothing, a short, or a resistor [ohm].

    Raises:
        ValueError: If no resistor is known, or mass, volume or standard is out of range.
    """

    def __init__(
        self,
        settings: SimulatedSettings,
        wiring: Wiring,
        *,
        added_mass_kg: float = 0.0,
        test_box_m3: float | None = None,
        kind: Kind = "driver",
        standard: Standard | float | None = None,
    ) -> None:
        resistor = settings.series_resistor_ohm or wiring.series_resistor_ohm
        if resistor is None:
            raise ValueError("a simulated bench needs the value of the series resistor")
        if added_mass_kg < 0 or (test_box_m3 is not None and test_box_m3 <= 0):
            raise ValueError("an added mass must not be negative, a test box must be positive")
        if isinstance(standard, int | float) and standard <= 0:
            raise ValueError("a resistor as standard must be positive")
        self._settings = settings
        self._resistor_ohm = resistor
        self._hot = wiring.resistor_side == "hot"
        self._added_mass_kg = added_mass_kg
        self._test_box_m3 = test_box_m3
        self._kind = kind
        self._standard = standard
        self._random = np.random.default_rng(settings.seed)

    def impedance_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """The true impedance of what is measured [ohm], shape as ``frequency_hz``.

        Thiele (1971) and Small (1972) with a two-inductor ladder as voice coil; a sealed box
        adds the stiffness rho c^2 Sd^2 / V (Small, Closed-box loudspeaker systems, 1972).
        """
        s = np.asarray(2j * np.pi * frequency_hz, dtype=np.complex128)
        return self._part(s) if self._kind == "part" else self._loudspeaker(s)

    def _part(self, s: ComplexArray) -> ComplexArray:
        """A part with its losses [ohm]; a capacitor lets nothing through at 0 Hz."""
        true = self._settings
        if true.part == "inductor":
            core = s * true.inductor_h
            lossy: ComplexArray = core * true.inductor_core_ohm / (core + true.inductor_core_ohm)
            return true.inductor_ohm + lossy
        if true.part == "capacitor":
            least = 2e-3 * np.pi  # 1 mHz stands for direct current
            at = np.where(s == 0, 1j * least, s).astype(np.complex128)
            blocked: ComplexArray = true.capacitor_ohm + 1 / (at * true.capacitor_f)
            return blocked
        return np.full(s.shape, true.resistor_ohm, dtype=np.complex128)

    def _air_in_the_box(self, s: ComplexArray) -> ComplexArray | float:
        """Stiffness that the air behind the cone adds [N/m].

        In a finished vented box the vent's mass takes part and all losses act at the tuning
        (R. H. Small, Vented-box loudspeaker systems, J. Audio Eng. Soc. 21(5), 1973).
        """
        true = self._settings
        volume = true.box_volume_m3 if self._kind == "system" else self._test_box_m3
        if volume is None:
            return 0.0
        closed = AIR_STIFFNESS_PA * true.Sd_m2**2 / volume
        if self._kind != "system" or true.box == "closed":
            return closed
        omega = 2 * np.pi * true.box_tuning_hz
        vented: ComplexArray = closed * s**2 / (s**2 + s * omega / true.box_Q + omega**2)
        return vented

    def _loudspeaker(self, s: ComplexArray) -> ComplexArray:
        true = self._settings
        omega = 2 * np.pi * true.fs_hz
        stiffness = omega**2 * true.Mms_kg + self._air_in_the_box(s)
        resistance = omega * true.Mms_kg / true.Qms
        Bl_squared = omega * true.Mms_kg * true.Re_ohm / true.Qes
        mass = true.Mms_kg + self._added_mass_kg
        motional = Bl_squared * s / (stiffness + s * resistance + s**2 * mass)
        coil = s * true.Le_h
        if true.L2_h > 0 and true.R2_ohm > 0:
            coil = coil + s * true.L2_h * true.R2_ohm / (true.R2_ohm + s * true.L2_h)
        result: ComplexArray = true.Re_ohm + coil + motional
        return result

    def node_voltages(self, frequency_hz: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Voltages at the two inputs per volt of the unloaded amplifier, before the card.

        The driver is a pair of voltage and current rather than a ratio, so that a short and an
        open circuit need neither zero nor infinity.
        """
        true = self._settings
        load = 1 / true.input_resistance_ohm
        voltage, current = self._driver(frequency_hz)
        source: ComplexArray
        second: ComplexArray
        drawn: ComplexArray
        if self._standard == "same-node":
            source = voltage + self._resistor_ohm * current
            second, drawn = source, current + load * source
        elif self._hot:
            second, drawn = voltage, current + load * voltage
            source = voltage + self._resistor_ohm * drawn
        else:
            second, drawn = current / (1 / self._resistor_ohm + load), current
            source = voltage + second
        amplifier = source + true.amplifier_output_ohm * drawn
        result: tuple[ComplexArray, ComplexArray] = (source / amplifier, second / amplifier)
        return result

    def _driver(self, frequency_hz: FloatArray) -> tuple[ComplexArray, ComplexArray]:
        """Voltage and current, to a common factor, of what sits in the driver's place."""
        one = np.ones(frequency_hz.shape, dtype=complex)
        if self._standard == "open":
            return one, 0 * one
        if self._standard == "short":
            return 0 * one, one
        if isinstance(self._standard, int | float):
            return np.full(frequency_hz.shape, self._standard, dtype=np.complex128), one
        return self.impedance_ohm(frequency_hz), one

    def play_and_record(
        self,
        output: NDArray[np.float32],
        sample_rate_hz: int,
        on_progress: Callable[[Progress], None] | None = None,
    ) -> Capture:
        """Compute what the inputs record; see `meas.audio.protocol.AudioPath`.

        Raises:
            ValueError: If the output is not one-dimensional, is empty or not finite.
        """
        if output.ndim != 1 or output.size == 0 or not np.all(np.isfinite(output)):
            raise ValueError("the output must be one-dimensional, finite and not empty")
        samples = self._digitised(self._volts(output, sample_rate_hz), sample_rate_hz)
        done, events = report(samples, sample_rate_hz // 10, on_progress)
        return Capture(
            samples=samples[:done],
            sample_rate_hz=sample_rate_hz,
            frames_expected=output.size,
            events=events,
            path={"device": "simulated"},
        )

    def _volts(self, output: NDArray[np.float32], sample_rate_hz: int) -> FloatArray:
        """Both input voltages, shape (2, n), without noise."""
        from scipy.fft import irfft, next_fast_len, rfft

        true = self._settings
        spare = (true.latency_s + abs(true.driver_input_delay_s)) + self._rest_seconds()
        length = next_fast_len(output.size + round(spare * sample_rate_hz), real=True)
        # The converter cannot put out more than full scale.
        drive = rfft(np.clip(output, -1, 1).astype(float) * true.amplifier_volt_full_scale, length)
        second_drive = np.empty_like(drive)
        for start in range(0, drive.size, _CHUNK):  # long captures at high rates fill the memory
            part = slice(start, min(start + _CHUNK, drive.size))
            frequency_hz = np.arange(part.start, part.stop) * (sample_rate_hz / length)
            source, second = self.node_voltages(frequency_hz)
            lag = np.exp(-2j * np.pi * frequency_hz * true.driver_input_delay_s)
            common = drive[part] * np.exp(-2j * np.pi * frequency_hz * true.latency_s)
            drive[part] = common * source
            second_drive[part] = common * second * true.driver_input_gain * lag
        volts = np.empty((2, output.size))
        volts[0] = irfft(drive, length, overwrite_x=True)[: output.size]
        volts[1] = irfft(second_drive, length, overwrite_x=True)[: output.size]
        return volts

    def _rest_seconds(self) -> float:
        """Time in which the circuit forgets all but 1e-12, or as good as that."""
        true = self._settings
        # Ringing 2 M / Rms; when overdamped by the motor instead Rms' / K (amplifier and
        # resistor of 0 ohm as the bound); the coil.
        slowest = true.Qms / (np.pi * true.fs_hz) * (1 + self._added_mass_kg / true.Mms_kg)
        slowest += (1 / true.Qms + 1 / true.Qes) / (2 * np.pi * true.fs_hz)
        slowest += (true.Le_h + true.L2_h) / true.Re_ohm
        if self._kind == "system":
            slowest += true.box_Q / (np.pi * true.box_tuning_hz)
        if true.L2_h > 0 and true.R2_ohm > 0:
            slowest += true.L2_h / true.R2_ohm
        # An absurdly slow mode (R2 of a micro-ohm) is also absurdly weak: no need to wait for it.
        return float(min(27.6 * slowest, 30.0))

    def _digitised(self, volts: FloatArray, sample_rate_hz: int) -> NDArray[np.float32]:
        """Noise and hum added, clipped and quantised, shape (n, 2); overwrites ``volts``."""
        true = self._settings
        # A hum loop through the ground of the card: the same voltage at both inputs.
        omega, phase = 2 * np.pi * true.hum_hz, self._random.uniform(0, 2 * np.pi)
        if true.hum_volt > 0:
            seconds = np.arange(volts.shape[1]) / sample_rate_hz
            volts += true.hum_volt * np.sin(omega * seconds + phase)
        steps = 2.0 ** (true.bits - 1)
        for channel in volts:
            channel += true.noise_volt_rms * self._random.standard_normal(channel.size)
            channel *= steps / true.input_volt_full_scale
            np.round(channel, out=channel)
            np.clip(channel / steps, -1, 1 - 1 / steps, out=channel)
        return volts.T.astype(np.float32, order="C")


def report(
    samples: TwoInputs, step: int, on_progress: Callable[[Progress], None] | None
) -> tuple[int, tuple[StreamEvent, ...]]:
    """Tell the listener every so many frames, as a sound card would.

    Returns:
        How many frames there were until it was interrupted, and that it was.
    """
    total = len(samples)
    if on_progress is None:
        return total, ()
    told: Progress | None = None
    for end in range(step, total + step, step):
        told = Progress.so_far(samples, min(end, total), told)
        try:
            on_progress(told)
        except KeyboardInterrupt:
            return told.frames_done, (StreamEvent(told.frames_done, "interrupted"),)
    return total, ()

"""The analogue world between the outputs and inputs of the virtual sound card.

Run as a script it is a filter process: two-channel float32 frames in, two-channel float32 frames
out, block by block in real time. The first output channel drives a resistor and a driver; the
two output channels are what the source input and the driver input of the card would see.

Exactness. The two transfer functions (output to source input, output to driver input) are
realised as finite impulse responses whose discrete spectrum *is* the continuous-time response of
the circuit at every multiple of rate/TAPS (1.5 Hz), times one factor common to both channels: a
delay and a fall to zero between 22 kHz and half the rate, as the filters of a converter have. So
nothing is warped, and the common factor leaves the ratio. Between those frequencies the response
is that of the circuit to about 1e-9, because the circuit has forgotten all but that after
TAPS/rate = 0.7 s (tests/measuring/audio/test_virtual_card.py measures it). A bilinear transform
would instead have shown the impedance at f as that at (rate/pi) tan(pi f/rate): 0.14 % off in
frequency at 1 kHz and 17 % at 10 kHz.

The circuit is written here a second time, on purpose: nothing of the project is imported.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48000
TAPS = 32768
BLOCK = 2048
COMMON_DELAY = 256
PASS_HZ = 22000.0
AIR_STIFFNESS_PA = 1.2041 * 343.2**2
"""rho c^2 at 20 C: sound speed of ISO 9613-1, density of dry air (from memory)."""


@dataclass(frozen=True)
class World:
    """What is connected to the card: a driver, a resistor, and how well the inputs agree.

    ``mode``: ``driver``; ``same-node`` puts both inputs on the source node, as a calibration
    asks. Levels are fractions of full scale; ``gain`` of the amplifier is common to both inputs.
    """

    Re: float = 5.8
    Le: float = 0.35e-3
    L2: float = 0.5e-3
    R2: float = 4.0
    fs: float = 48.0
    Qms: float = 4.2
    Qes: float = 0.46
    Mms: float = 0.0132
    Sd: float = 0.0109
    added_mass: float = 0.0
    test_box: float | None = None
    resistor: float = 10.0
    resistor_side: str = "hot"
    output_resistance: float = 0.5
    amplifier_gain: float = 0.9
    driver_input_gain: float = 1.03
    driver_input_delay: float = 0.0
    noise: float = 1e-5
    mode: str = "driver"

    def impedance(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Driver impedance under the present condition [ohm]."""
        s = 2j * np.pi * np.asarray(frequency_hz, dtype=float)
        omega_s = 2 * np.pi * self.fs
        motor = omega_s * self.Mms * self.Re / self.Qes  # Bl squared
        stiffness = omega_s**2 * self.Mms
        if self.test_box is not None:
            stiffness += AIR_STIFFNESS_PA * self.Sd**2 / self.test_box
        loss = omega_s * self.Mms / self.Qms
        motional = motor * s / (stiffness + s * loss + s**2 * (self.Mms + self.added_mass))
        coil = s * self.Le + s * self.L2 * self.R2 / (self.R2 + s * self.L2)
        return self.Re + coil + motional

    def inputs(
        self, frequency_hz: NDArray[np.float64]
    ) -> tuple[NDArray[np.complex128], NDArray[np.complex128]]:
        """Output to source input and to driver input, complex, without the converters."""
        driver = self.impedance(frequency_hz)
        total = self.output_resistance + self.resistor + driver
        source = self.amplifier_gain * (self.resistor + driver) / total
        if self.mode == "same-node":
            second = source
        elif self.resistor_side == "hot":
            second = self.amplifier_gain * driver / total
        else:
            second = self.amplifier_gain * self.resistor / total
        late = np.exp(-2j * np.pi * np.asarray(frequency_hz) * self.driver_input_delay)
        return source, second * self.driver_input_gain * late

    def ratio(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Driver input over source input, as the card must find it."""
        source, second = self.inputs(frequency_hz)
        return second / source

    def kernels(self) -> NDArray[np.float64]:
        """Impulse responses to both inputs, shape (2, TAPS)."""
        frequency_hz = np.fft.rfftfreq(TAPS, 1 / RATE_HZ)
        fall = np.clip((frequency_hz - PASS_HZ) / (RATE_HZ / 2 - PASS_HZ), 0, 1)
        common = 0.5 * (1 + np.cos(np.pi * fall))
        common = common * np.exp(-2j * np.pi * frequency_hz * COMMON_DELAY / RATE_HZ)
        return np.fft.irfft(np.array(self.inputs(frequency_hz)) * common, TAPS)


def read_control(control: Path) -> tuple[int, World]:
    """Serial number and world in the control file."""
    content = json.loads(control.read_text())
    return content["serial"], World(**content["world"])


def write_control(control: Path, serial: int, world: World) -> None:
    """Replace the control file in one step, so that no half of it is ever read."""
    beside = control.with_suffix(".new")
    beside.write_text(json.dumps({"serial": serial, "world": asdict(world)}))
    beside.replace(control)


def run(control: Path, acknowledged: Path) -> None:
    """Filter standard input to standard output until it ends."""
    noise = np.random.default_rng(20261125)
    history = np.zeros(2 * TAPS, dtype=float)
    serial = -1
    world = World()
    spectra = np.zeros((2, TAPS + 1), dtype=complex)
    seen = -1
    while True:
        stamp = control.stat().st_mtime_ns
        changed = stamp != seen
        if changed:
            seen = stamp
            serial, world = read_control(control)
            spectra = np.fft.rfft(world.kernels(), 2 * TAPS)
        data = sys.stdin.buffer.read(BLOCK * 8)
        if len(data) < BLOCK * 8:
            return
        block = np.frombuffer(data, dtype=np.float32).reshape(BLOCK, 2)
        history = np.concatenate((history[BLOCK:], block[:, 0]))
        both = np.fft.irfft(np.fft.rfft(history) * spectra, 2 * TAPS)[:, -BLOCK:]
        both += world.noise * noise.standard_normal(both.shape)
        sys.stdout.buffer.write(both.T.astype(np.float32).tobytes())
        sys.stdout.buffer.flush()
        if changed:  # a file written at every block can hold up the next one
            acknowledged.write_text(str(serial))


if __name__ == "__main__":
    run(Path(sys.argv[1]), Path(sys.argv[2]))

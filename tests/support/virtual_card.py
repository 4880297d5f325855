"""A sound card without hardware, in real time: a private PulseAudio seen through ALSA.

PortAudio -> ALSA -> PulseAudio null sink ``card_out`` -> parec | analogue_world.py | pacat ->
null sink ``card_in`` -> ALSA -> PortAudio. Everything lives in one temporary folder and ends
with the context; works as root in a container and as an ordinary user beside a running desktop.

    with VirtualCard(World(fs=60.0)) as card:
        subprocess.run([...], env={**os.environ, **card.environment})
        card.set_world(replace(card.world, added_mass=0.010))

Null sinks keep time with the system clock; nothing here makes the machine a real-time system,
so a loaded machine can lose blocks. That is then a fault for the project to notice.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType

import numpy as np
from analogue_world import RATE_HZ, World, write_control
from numpy.typing import NDArray

START_SECONDS = 20.0
HEARD_EVERY_MS, PLAYED_AHEAD_MS = 40, 200
"""What the world hears comes in pieces much shorter than what is ready to be played: where both
were as long, a piece that came a little late left nothing to play."""

# Without rewinds: a null sink that takes back what it has rendered, as it does whenever a client
# comes with another delay, leaves gaps of a tenth of a second in what its monitor records. The
# first recording over a new card never survived that.
_DAEMON = """\
load-module module-native-protocol-unix auth-anonymous=1 socket={socket}
load-module module-null-sink sink_name=card_out rate={rate} channels=2 format=float32le norewinds=1
load-module module-null-sink sink_name=card_in rate={rate} channels=2 format=float32le norewinds=1
set-default-sink card_out
set-default-source card_in.monitor
"""

_ALSA = """\
</usr/share/alsa/alsa.conf>
pcm.!default { type pulse }
ctl.!default { type pulse }
"""


def missing_programs() -> list[str]:
    """Programs that the virtual card needs and this machine lacks."""
    return [name for name in ("pulseaudio", "pactl", "parec", "pacat") if not shutil.which(name)]


class VirtualCard:
    """The card as a context manager.

    Attributes:
        environment: Variables that make PortAudio in a (child) process see the card.
        world: What is connected now; change it by `set_world`.
    """

    def __init__(self, world: World | None = None) -> None:
        self.world = World() if world is None else world
        self.environment: dict[str, str] = {}
        self._serial = 0
        self._exit = ExitStack()
        self._processes: dict[str, subprocess.Popen[bytes]] = {}

    def __enter__(self) -> VirtualCard:
        with ExitStack() as stack:
            # A short name: the path of a Unix socket may have 107 characters.
            self._folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="card-")))
            self._start_daemon(stack)
            self._start_world(stack)
            self._exit = stack.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._exit.close()

    def set_world(self, world: World) -> None:
        """Connect something else; returns when the change is in force and has died away."""
        self.world = world
        self._serial += 1
        write_control(self._control, self._serial, world)
        self._wait_for(self._acknowledged_now, "the analogue world to change")
        time.sleep(0.3)  # what the pipes still hold of the old world

    def truth(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Impedance of the driver as it is connected now [ohm]."""
        return self.world.impedance(frequency_hz)

    @property
    def daemon_pid(self) -> int:
        """Process to kill or to stop when the sound server is to fail."""
        return self._processes["pulseaudio"].pid

    @property
    def processes(self) -> list[subprocess.Popen[bytes]]:
        """Everything that was started."""
        return list(self._processes.values())

    def _start_daemon(self, stack: ExitStack) -> None:
        runtime = self._folder / "run"
        runtime.mkdir(mode=0o700)
        socket = self._folder / "pulse.socket"
        script = self._folder / "default.pa"
        script.write_text(_DAEMON.format(socket=socket, rate=RATE_HZ))
        alsa = self._folder / "alsa.conf"
        alsa.write_text(_ALSA)
        self.environment = {
            "ALSA_CONFIG_PATH": str(alsa),
            "XDG_RUNTIME_DIR": str(runtime),
            "PULSE_SERVER": f"unix:{socket}",
            "PULSE_COOKIE": str(self._folder / "cookie"),
        }
        command = ["pulseaudio", "-n", "-F", str(script), "--exit-idle-time=-1"]
        command += ["--daemonize=no", "--use-pid-file=no", "--realtime=no"]
        # The daemon's own environment: a client's PULSE_SERVER would make it refuse to start.
        private = {"XDG_RUNTIME_DIR": str(runtime), "HOME": str(self._folder)}
        self._spawn(stack, "pulseaudio", command, private)
        self._wait_for(self._daemon_answers, "PulseAudio to answer")

    def _start_world(self, stack: ExitStack) -> None:
        self._control = self._folder / "world.json"
        self._acknowledged = self._folder / "acknowledged"
        write_control(self._control, self._serial, self.world)
        script = Path(__file__).with_name("analogue_world.py")
        form = ["--raw", f"--rate={RATE_HZ}", "--channels=2", "--format=float32le"]
        one_thread = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        heard = self._spawn(
            stack,
            "parec",
            ["parec", "-d", "card_out.monitor", f"--latency-msec={HEARD_EVERY_MS}", *form],
            self.environment,
        )
        filtered = self._spawn(
            stack,
            "world",
            [sys.executable, str(script), str(self._control), str(self._acknowledged)],
            {**self.environment, **one_thread},
            stdin=heard,
        )
        self._spawn(
            stack,
            "pacat",
            ["pacat", "-p", "-d", "card_in", f"--latency-msec={PLAYED_AHEAD_MS}", *form],
            self.environment,
            stdin=filtered,
        )
        self._wait_for(self._acknowledged_now, "the analogue world to run")

    def _spawn(
        self,
        stack: ExitStack,
        name: str,
        command: list[str],
        variables: dict[str, str],
        stdin: subprocess.Popen[bytes] | None = None,
    ) -> subprocess.Popen[bytes]:
        environment = {k: v for k, v in os.environ.items() if not k.startswith("PULSE_")}
        log = stack.enter_context((self._folder / f"{name}.log").open("wb"))
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL if stdin is None else stdin.stdout,
            stdout=subprocess.PIPE if name in ("parec", "world") else log,
            stderr=log,
            env={**environment, **variables},
            preexec_fn=_as_a_device,
        )
        stack.callback(_end, process)
        if stdin is not None and stdin.stdout is not None:
            stdin.stdout.close()  # the child holds it; ours would keep the pipe open for ever
        self._processes[name] = process
        return process

    def _daemon_answers(self) -> bool:
        command = ["pactl", "list", "short", "sinks"]
        done = subprocess.run(
            command, env={**os.environ, **self.environment}, capture_output=True, timeout=10
        )
        return done.returncode == 0 and b"card_in" in done.stdout

    def _acknowledged_now(self) -> bool:
        try:
            return self._acknowledged.read_text() == str(self._serial)
        except FileNotFoundError:
            return False

    def _wait_for(self, condition: Callable[[], bool], what: str) -> None:
        deadline = time.monotonic() + START_SECONDS
        while not condition():
            for name, process in self._processes.items():
                if process.poll() is not None:
                    log = (self._folder / f"{name}.log").read_text(errors="replace")
                    raise RuntimeError(f"{name} ended while waiting for {what}: {log[-2000:]}")
            if time.monotonic() > deadline:
                raise RuntimeError(f"waited {START_SECONDS:g} s in vain for {what}")
            time.sleep(0.05)


def _end(process: subprocess.Popen[bytes]) -> None:
    process.send_signal(signal.SIGCONT)  # a stopped process does not hear the others
    process.terminate()
    try:
        process.wait(timeout=3)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait(timeout=10)
    if process.stdout is not None:
        process.stdout.close()


def _as_a_device() -> None:
    """In the child: end with us, even when the test run is killed; go first, if allowed."""
    pr_set_pdeathsig = 1
    ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGTERM)
    with suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, -15)

"""Which peaks a take's curve is marked at, and when it is not drawn at all."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pexpect
import pytest
from program import ROOT, succeed

from cli.pictures import take_picture
from meas.curve import ImpedanceCurve, MagnitudeCurve


def curve(*resonances: tuple[float, float], coil_henry: float = 0.4e-3) -> ImpedanceCurve:
    """6 ohm, a coil, and parallel resonances of so many ohm at so many hertz (Thiele 1971)."""
    frequency = np.geomspace(10.0, 20e3, 500)
    z = 6 + 2j * np.pi * frequency * coil_henry
    for hertz, ohm in resonances:
        z = z + ohm / (1 + 5j * (frequency / hertz - hertz / frequency))
    return ImpedanceCurve(frequency, z, np.full(500, 0.01))


def marked(kind: str, measured: ImpedanceCurve | MagnitudeCurve) -> list[float]:
    take: Any = SimpleNamespace(kind=kind, curve=measured)
    return [float(measured.frequency_hz[index]) for index in take_picture.resonances(take)]


@pytest.mark.parametrize("hertz", [18.0, 48.0, 1200.0])
def test_resonance_is_marked_though_the_coil_rises_above_it(hertz: float) -> None:
    measured = curve((hertz, 20.0), coil_henry=1.5e-3)
    assert measured.magnitude_ohm[-1] > 26, "the end of the band is the highest point"
    (found,) = marked("driver", measured)
    near = np.abs(np.log(measured.frequency_hz / hertz)) < 0.2
    top = measured.frequency_hz[near][int(np.argmax(measured.magnitude_ohm[near]))]
    assert found == pytest.approx(top)


def test_box_has_two_peaks_and_a_part_has_none() -> None:
    vented = curve((28.0, 30.0), (75.0, 40.0))
    assert sorted(marked("system", vented)) == pytest.approx([28.0, 75.0], rel=0.02)
    assert len(marked("driver", vented)) == 1
    assert marked("part", vented) == []


def test_magnitude_alone_is_enough() -> None:
    measured = curve((48.0, 40.0))
    bare = MagnitudeCurve(measured.frequency_hz, measured.magnitude_ohm, None)
    assert marked("driver", bare) == pytest.approx([48.0], rel=0.02)


def test_curve_is_drawn_at_a_terminal_unless_quiet(tmp_path: Path) -> None:
    rig = tmp_path / "bench.toml"
    words = ("--series-resistor", "10ohm", "--device", "simulated", "--sweep-seconds", "1")
    succeed("rig", "new", rig, *words, "--woofer")
    take = ("take", "wren", "--rig", str(rig), "--out", str(tmp_path / "takes"))

    def at_terminal(*more: str) -> str:
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "LANG": "C.UTF-8"}
        said, status = pexpect.run(
            f"{sys.executable} -m cli.main {' '.join((*take, *more))}", env=environment,
            timeout=90, withexitstatus=True,
        )  # fmt: skip
        assert status == 0, said
        return str(said.decode())

    drawn, quiet = at_terminal(), at_terminal("--quiet")
    assert "|Z|, Ω" in drawn and "▾" in drawn and "Usable take" in drawn
    assert "▾" not in quiet and "Usable take" in quiet
    assert "▾" not in succeed(*take), "a pipe gets no picture"

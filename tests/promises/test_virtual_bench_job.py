"""The main job as a user does it, on a sound card that runs in real time.

PortAudio plays and records; between output and inputs stands the circuit of
tests/support/analogue_world.py, which imports nothing of the project. The driver input reads 3 %
more than the source input until the rig is calibrated.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from analogue_world import World
from program import fit_json, freeair, succeed, take_path
from virtual_card import VirtualCard

pytestmark = pytest.mark.virtual_card

MISMATCH = 1.03
WORLD = World(driver_input_gain=MISMATCH)
MASS = 7.52e-3  # told 7.5g±0.05g
# The issue that asked for this test: Re within 0.5 %, fs 0.2 %, Qms and Qes 1 %.
BOUNDS = {"Re": 0.005, "fs": 0.002, "Qms": 0.01, "Qes": 0.01}
WITH_MASS = {**BOUNDS, "Mms": 0.01, "Bl": 0.01, "Cms": 0.01}
# A machine with other work can lose blocks of a real-time path; a fault of the bench, which the
# program must name. Only then may the take be repeated, as its user would.
LOST_BLOCKS = ("dropout", "channel-slip", "truncated", "wrong-clock", "stream-failed")
ATTEMPTS = 4


@pytest.fixture(scope="module")
def card(virtual_card: VirtualCard) -> Iterator[VirtualCard]:
    """The shared card with this file's driver on it, put back afterwards."""
    before = virtual_card.world
    virtual_card.set_world(WORLD)
    yield virtual_card
    virtual_card.set_world(before)


def new_rig(path: Path) -> Path:
    """Two-second sweeps keep the test short; everything else is as the program proposes."""
    succeed(
        "rig", "new", path, "--series-resistor", "10ohm", "--tolerance", "0.5%",
        "--device", "default", "--woofer", "--sweep-seconds", "2",
    )  # fmt: skip
    return path


@pytest.fixture(scope="module")
def rig(card: VirtualCard, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A calibrated rig: the mismatch is stored in it, taken on the card itself."""
    path = new_rig(tmp_path_factory.mktemp("bench") / "bench.toml")
    card.set_world(replace(WORLD, mode="same-node"))
    on_card(card, "rig", "calibrate", path, "--standard", "same-node", "--yes")
    card.set_world(WORLD)
    return path


def on_card(card: VirtualCard, *words: str | Path) -> str:
    """Run a command that measures, again when the card lost blocks and the program said so."""
    for _ in range(ATTEMPTS):
        done = freeair(*words, environment=card.environment)
        if done.returncode != 1 or not any(code in done.stderr for code in LOST_BLOCKS):
            break
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    return done.stdout


def measure(card: VirtualCard, rig: Path, folder: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """Take free air and added mass; the fit of the first alone and that of both."""
    card.set_world(WORLD)
    out = ("--rig", rig, "--out", folder, "--yes")
    free = take_path(on_card(card, "take", "rowan-3", *out))
    card.set_world(replace(WORLD, added_mass=MASS))
    loaded = take_path(on_card(card, "take", "rowan-3", "--added-mass", "7.5g±0.05g", *out))
    return fit_json(free), fit_json(free, loaded)


def truth() -> dict[str, float]:
    omega = 2 * 3.141592653589793 * WORLD.fs
    return {
        "Re": WORLD.Re,
        "fs": WORLD.fs,
        "Qms": WORLD.Qms,
        "Qes": WORLD.Qes,
        "Mms": WORLD.Mms,
        "Bl": (omega * WORLD.Mms * WORLD.Re / WORLD.Qes) ** 0.5,
        "Cms": 1 / (omega**2 * WORLD.Mms),
    }


def check(report: Mapping[str, Any], bounds: Mapping[str, float]) -> None:
    """Within the bound, and not farther from the truth than five standard uncertainties.

    Five, not two: the noise is another in every run, and a 95 % interval misses in 5 % of them.
    """
    expected = truth()
    for name, bound in bounds.items():
        estimate = report["parameters"][name]
        error = estimate["value"] - expected[name]
        assert abs(error) < bound * expected[name], (name, estimate["value"])
        assert abs(error) < 5 * estimate["standard_uncertainty"], (name, estimate)


@pytest.mark.parametrize("time", ["first", "again"])
def test_from_card_to_parameters(time: str, card: VirtualCard, rig: Path, tmp_path: Path) -> None:
    free, joint = measure(card, rig, tmp_path / time)
    check(free, BOUNDS)
    check(joint, WITH_MASS)


def test_mismatch_is_there_without_calibration(card: VirtualCard, tmp_path: Path) -> None:
    """The calibration earns its place: without it 3 % of gain go into the curve.

    And are owned up to: the interval of Re holds the truth. Hot side: a mismatch e changes Z by
    e (1 + Z/R) of itself, to first order.
    """
    card.set_world(WORLD)
    rig = new_rig(tmp_path / "bare.toml")
    words = ("take", "rowan-3", "--rig", rig, "--out", tmp_path, "--yes")
    take = take_path(on_card(card, *words))
    table = (take / "impedance.csv").read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in table if not line.startswith("#"))
    columns = ("frequency_hz", "resistance_ohm", "reactance_ohm")
    frequency_hz, *parts = np.array([[float(row[name]) for name in columns] for row in rows]).T
    z = WORLD.impedance(frequency_hz)
    away = np.mean(np.abs((parts[0] + 1j * parts[1]) / z - 1))
    expected = np.mean(np.abs((MISMATCH - 1) * (1 + z / WORLD.resistor)))
    assert away == pytest.approx(expected, rel=0.15)
    low, high = fit_json(take)["parameters"]["Re"]["interval_95"]
    assert low <= WORLD.Re <= high


def stored_curve(take: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequency [Hz], impedance [ohm] and its random standard uncertainty of a stored take."""
    table = (take / "impedance.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in table if not line.startswith("#")))
    columns = ("frequency_hz", "resistance_ohm", "reactance_ohm", "standard_uncertainty_ohm")
    f, real, imag, u = np.array([[float(row[name]) for name in columns] for row in rows]).T
    return f, real + 1j * imag, u


def test_three_excitations_give_one_curve(card: VirtualCard, rig: Path, tmp_path: Path) -> None:
    """Sweep, multisine and stepped tones through the same card, each within what it states.

    Against the programmed circuit, not against each other: three curves that are within their
    uncertainty of one truth agree. Normalised errors of complex points follow a chi-square; its
    mean square over hundreds of points is 1, and 2.5 leaves room for what calibration and the
    card's own resolution add to the noise.
    """
    card.set_world(WORLD)
    brief = tmp_path / "brief.toml"
    text = rig.read_text(encoding="utf-8")
    assert "tone_seconds = 0.4" in text
    brief.write_text(text.replace("tone_seconds = 0.4", "tone_seconds = 0.1"), encoding="utf-8")
    for excitation in ("sweep", "multisine", "stepped"):
        words = ("take", "rowan-3", "--rig", brief, "--out", tmp_path / excitation, "--yes")
        take = take_path(on_card(card, *words, "--excitation", excitation))
        f, z, u = stored_curve(take)
        # The residue of calibration is stated apart: 0.05 % and 0.002 samples, as limits.
        truth_z = WORLD.impedance(f)
        left = (
            np.abs(truth_z * (1 + truth_z / WORLD.resistor))
            * np.hypot(0.0005, 2 * np.pi * f * 0.002 / 48000)
            / np.sqrt(3)
        )
        inside = (f > 20) & (f < 10000)
        pull = np.abs(z - truth_z)[inside] / np.sqrt(2 * u[inside] ** 2 + left[inside] ** 2)
        assert inside.sum() > 100, excitation
        assert np.sqrt(np.mean(pull**2)) < 2.5, (excitation, np.sqrt(np.mean(pull**2)))
        assert np.median(np.abs(z / truth_z - 1)[inside]) < 0.002, excitation

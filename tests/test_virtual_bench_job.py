"""The main job as a user does it, on a sound card that runs in real time.

PortAudio plays and records; between output and inputs stands the circuit of
tests/analogue_world.py, which imports nothing of the project. The driver input reads 3 % more
than the source input until the rig is calibrated.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

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
LOST_BLOCKS = ("dropout", "channel-slip", "truncated")
ATTEMPTS = 3


@pytest.fixture(scope="module")
def card() -> Iterator[VirtualCard]:
    with VirtualCard(WORLD) as card:
        yield card


@pytest.fixture(scope="module")
def rig(card: VirtualCard, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A calibrated rig: the mismatch is stored in it, taken on the card itself."""
    path = tmp_path_factory.mktemp("bench") / "bench.toml"
    succeed(
        "rig", "new", path, "--series-resistor", "10ohm", "--tolerance", "0.5",
        "--sample-rate", "48000", "--device", "default", "--woofer",
        environment=card.environment,
    )  # fmt: skip
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
    expected = truth()
    for name, bound in bounds.items():
        estimate = report["parameters"][name]
        low, high = estimate["interval_95"]
        assert estimate["value"] == pytest.approx(expected[name], rel=bound), name
        assert low <= expected[name] <= high, name


@pytest.mark.parametrize("time", ["first", "again"])
def test_from_card_to_parameters(time: str, card: VirtualCard, rig: Path, tmp_path: Path) -> None:
    free, joint = measure(card, rig, tmp_path / time)
    check(free, BOUNDS)
    check(joint, WITH_MASS)


def test_mismatch_is_there_without_calibration(card: VirtualCard, tmp_path: Path) -> None:
    """The calibration earns its place: without it 3 % of gain goes into Re, and is owned up to."""
    bare = tmp_path / "bare.toml"
    succeed("rig", "new", bare, "--series-resistor", "10ohm", "--device", "default", "--woofer")
    card.set_world(WORLD)
    words = ("take", "rowan-3", "--rig", bare, "--out", tmp_path, "--yes")
    report = fit_json(take_path(on_card(card, *words)))
    estimate = report["parameters"]["Re"]
    # Hot side: a mismatch e gives e (1 + Z/R).
    expected = (MISMATCH - 1) * (1 + WORLD.Re / 10)
    assert estimate["value"] / WORLD.Re - 1 == pytest.approx(expected, rel=0.1)
    low, high = estimate["interval_95"]
    assert low <= WORLD.Re <= high

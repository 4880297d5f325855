"""The window on a sound card that runs in real time: by clicks from nothing to Vas, and faults.

As tests/promises/test_virtual_bench_job.py for the commands: the circuit between output and inputs
is tests/support/analogue_world.py, and a card that lost blocks may be asked again.
"""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from analogue_world import World
from browser import Browser
from program import wait_for
from shown_window import Shown
from virtual_card import VirtualCard
from window_client import Client, opened

pytestmark = [pytest.mark.virtual_card, pytest.mark.browser]

WORLD = World()
MASS = 7.5e-3
ATTEMPTS = 6  # a machine with other work loses blocks, by commands as well
LOST_BLOCKS = {"dropout", "channel-slip", "truncated", "wrong-clock", "stream-failed"}


@pytest.fixture
def card(virtual_card: VirtualCard) -> Iterator[VirtualCard]:
    before = virtual_card.world
    virtual_card.set_world(WORLD)
    yield virtual_card
    virtual_card.set_world(before)


def described(shown: Shown) -> None:
    """A bench on the card, by its form."""
    shown.go("/bench")
    shown.fill("rig-new", series_resistor="10ohm", device="default", amplifier="none",
               woofer="yes", sweep_seconds="2")  # fmt: skip
    shown.press("rig-new")
    shown.until("document.querySelector('#wiring')")


def read_cautions(shown: Shown) -> None:
    """Click the cautions away when they are shown; a sitting shows each once."""
    started = "document.getElementById('strip').classList.contains('busy')"
    asked = "document.getElementById('cautions').open"
    shown.until(f"{started} || {asked}")
    if shown.run(f"return {asked}"):
        shown.run("document.getElementById('cautions-yes').click()")


def taken(shown: Shown, folder: Path, mass: str = "") -> dict[str, object]:
    """One take by clicks; its record. A card that lost blocks is asked again."""
    for _ in range(ATTEMPTS):
        shown.go("/take?unit=rowan-3")
        shown.fill("take", added_mass=mass)
        shown.press("take")
        read_cautions(shown)
        shown.until("document.getElementById('verdict')", 90)
        latest = max((folder / "takes").iterdir(), key=lambda one: one.stat().st_mtime_ns)
        record = json.loads((latest / "take.json").read_text(encoding="utf-8"))
        if not {one["code"] for one in record["findings"] if one["refuses"]} & LOST_BLOCKS:
            break
    return dict(record)


def test_by_clicks_from_an_empty_folder_to_a_woofer(card: VirtualCard, tmp_path: Path) -> None:
    with Browser() as browser:
        with opened(tmp_path, environment=card.environment) as (address, _):
            shown = Shown(browser, address, {})
            described(shown)
            assert not taken(shown, tmp_path)["refused"]
            card.set_world(replace(WORLD, added_mass=MASS))
            assert not taken(shown, tmp_path, "7.5g±0.05g")["refused"]
            card.set_world(WORLD)
        # The program ended and begun again: everything is in the folder.
        with opened(tmp_path, environment=card.environment) as (address, _):
            shown = Shown(browser, address, {})
            shown.go("/driver?unit=rowan-3")
            shown.fill("fit", diameter="118mm")
            shown.press("fit")
            shown.until("document.querySelector(\"[data-symbol='Vas']\")", 90)
            assert not browser.complaints()
    found = json.loads((tmp_path / "fits" / "rowan-3.json").read_text(encoding="utf-8"))
    fs = found["parameters"]["fs"]["value"]
    assert fs == pytest.approx(WORLD.fs, rel=0.005)
    low, high = found["parameters"]["Mms"]["interval_95"]
    assert low < WORLD.Mms < high


def test_a_clipped_take_seen_by_two_windows_and_loaded_again(
    card: VirtualCard, tmp_path: Path
) -> None:
    grown = "Number(document.getElementById('curve').dataset.grown ?? 0)"
    card.set_world(replace(WORLD, amplifier_gain=6.0))
    with Browser() as browser:
        with opened(tmp_path, environment=card.environment) as (address, process):
            shown = Shown(browser, address, {})
            described(shown)
            shown.go("/take?unit=rowan-3")
            shown.press("take")
            read_cautions(shown)
            shown.until(f"{grown} > 1")
            shown.go("/take")  # loaded again in the middle of it
            shown.until(f"{grown} > 1")
            first = browser.driver.current_window_handle
            browser.driver.switch_to.new_window("window")
            shown.go("/take")
            for window in (browser.driver.current_window_handle, first):
                browser.driver.switch_to.window(window)
                shown.until("document.getElementById('verdict')", 90)
                said = shown.run("return document.querySelector('main').textContent")
                assert "Refused" in said
                assert "down by 6 dB" in said, said
                assert "Find a good level" in said
            # The server ends in the middle of the next one.
            shown.go("/take?unit=rowan-4")
            shown.press("take")
            shown.until(f"{grown} > 1")
            process.send_signal(signal.SIGINT)
            assert process.wait(30) == 0
        (kept,) = (tmp_path / "takes").glob("rowan-4_*")
        record = json.loads((kept / "take.json").read_text(encoding="utf-8"))
        assert "interrupted" in {one["code"] for one in record["findings"]}
        with opened(tmp_path, environment=card.environment) as (address, _):
            shown = Shown(browser, address, {})
            assert "the latest was refused" in shown.run("return document.body.textContent")


def test_card_that_goes_away_leaves_a_take_and_words(card: VirtualCard, tmp_path: Path) -> None:
    with opened(tmp_path, environment=card.environment) as (address, _):
        client = Client(address)
        client.do("rig-new", FILE="bench.toml", series_resistor="10ohm", device="default",
                  amplifier="none", woofer=True, sweep_seconds="2")  # fmt: skip
        assert client.finished()["status"] == 0
        client.do("take", UNIT="rowan-3", rig="bench.toml")
        for name, said in client.events():
            if name == "job" and said["playing"] and said["playing"]["part"] > 0.4:
                break
        os.kill(card.daemon_pid, signal.SIGSTOP)
        try:
            job = client.finished()
        finally:
            os.kill(card.daemon_pid, signal.SIGCONT)
        assert job["status"] == 1
        (kept,) = (tmp_path / "takes").iterdir()
        record = json.loads((kept / "take.json").read_text(encoding="utf-8"))
        assert record["refused"]
        assert (kept / "capture.wav").stat().st_size > 8 * 48000
        wait_for(lambda: client.get("/").status == 200)

"""How quick the window is, and what it costs while a sweep runs. A script, not a test.

    python tests/benchmarks/benchmark_window.py [--takes N] [--minutes M]

prints a table: the time from the command to the address and to the first page; from a slider to its
new numbers and, in Chromium, to the new curve and the first paint; how often meters and curve move
and the share of one processor that the program takes while it sweeps; and how many of N takes over
the real-time virtual card were refused, beside a tenth as many by the command alone, which tell
what the machine itself loses. No more takes are begun after M minutes.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parents[1]
FOLDERS = (HERE / "support", HERE / "support" / "running", HERE / "campaigns")
sys.path[:0] = [str(HERE.parent), *map(str, FOLDERS)]

import pictures  # noqa: E402
from browser import Browser  # noqa: E402
from program import freeair, wait_for  # noqa: E402
from virtual_card import VirtualCard  # noqa: E402
from window_client import Client, opened  # noqa: E402


def row(what: str, value: str, aim: str = "") -> None:
    """One line of the table."""
    print(f"{what:<54}{value:>12}  {aim}", flush=True)


def processor_seconds(pid: int) -> float:
    """User and system time of a process so far [s] (proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def of_pages(folder: Path) -> None:
    """First page and sliders, on a simulated bench."""
    pictures.furnished(folder)
    began = time.perf_counter()
    with opened(folder) as (address, _):
        row("from the command to its address", f"{time.perf_counter() - began:.2f} s")
        client = Client(address)
        client.get("/")
        row("from the command to the first page", f"{time.perf_counter() - began:.2f} s")
        fit = "fits/Lantern-1.json"
        box = {"fit": fit, "vented": True, "volume_l": 20, "fb_hz": 40, "ql": 7, "bore_mm": 60,
               "drive_v": 10, "xmax_mm": 4, "source_ohm": 0, "celsius": 20,
               "pressure_hpa": 1013.25}  # fmt: skip
        network = {"woofer": fit, "tweeter": fit, "corner_hz": 2000, "order": 2, "q": 0.7,
                   "attenuate_db": 3, "compensate": True, "drive_v": 9, "least_ohm": 4}  # fmt: skip
        coil = {"fit": fit, "former_mm": 25.4, "plate_mm": 5, "wall_mm": 0.1, "pole_mm": 24.6,
                "hole_mm": 27.6, "metal": "copper",
                "now_wire_mm": 0.18, "now_layers": 2, "now_height_mm": 10,
                "new_wire_mm": 0.2, "new_layers": 2, "new_height_mm": 12}  # fmt: skip
        for name, said in (("box", box), ("network", network), ("coil", coil)):
            times = []
            for _ in range(21):
                start = time.perf_counter()
                assert client.post(f"/what-if/{name}", said).status == 200
                times.append(1e3 * (time.perf_counter() - start))
            later = statistics.median(times[1:])
            row(f"slider to new numbers, {name}", f"{later:.0f} ms", "aim: below 100 ms")


def of_browser(folder: Path) -> None:
    """First paint and a slider in Chromium, network and drawing included."""
    with opened(folder) as (address, _), Browser() as browser:
        browser.visit(address)
        wait_for(lambda: browser.run(_PAINTED) is not None, 60)
        paint = browser.run(_PAINTED)
        row("from the request to the first paint of the shelf", f"{paint:.0f} ms")
        browser.visit(address.split("/?")[0] + "/what-if")
        for way, slider in (
            ("box", "box-volume"),
            ("network", "net-corner"),
            ("coil", "coil-new-height"),
        ):
            wait_for(lambda way=way: browser.run(_DRAWN, way) != "0", 60)
            times = [browser.driver.execute_async_script(_SLIDE, way, slider) for _ in range(21)]
            later = statistics.median(times[1:])
            row(f"slider to new curve in Chromium, {way}", f"{later:.0f} ms")


_PAINTED = "return performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? null"
_DRAWN = "return document.getElementById(arguments[0]).dataset.drawn ?? '0'"
_SLIDE = """
const [way, slider, done] = arguments;
const section = document.getElementById(way), input = document.getElementById(slider);
const before = section.dataset.drawn, began = performance.now();
new MutationObserver((_, watcher) => {
  if (section.dataset.drawn === before) return;
  watcher.disconnect();
  requestAnimationFrame(() => done(performance.now() - began));
}).observe(section, { attributes: true });
input.stepUp(Number(input.step) >= 1 ? 7 : 1);
input.dispatchEvent(new Event("input", { bubbles: true }));
"""


def codes(take: Path) -> list[str]:
    """What a take was refused for."""
    record = json.loads((take / "take.json").read_text(encoding="utf-8"))
    return sorted({one["code"] for one in record["findings"] if one["refuses"]})


def of_takes(folder: Path, takes: int, minutes: float) -> None:
    """Sweeps over the real-time card with a window looking on, then by the command alone."""
    end = time.monotonic() + 60 * minutes
    refused: dict[str, list[list[str]]] = {"with the window": [], "by the command alone": []}
    meters, curves, shares = [], [], []
    with VirtualCard() as card:
        with opened(folder, environment=card.environment) as (address, process):
            client = Client(address)
            client.do("rig-new", FILE="bench.toml", series_resistor="10ohm", device="default",
                      amplifier="none", woofer=True)  # fmt: skip
            client.finished()
            for number in range(takes):
                if time.monotonic() > end:
                    break
                left, seconds, counts, used = watched(client, process.pid, f"rowan-{number}")
                refused["with the window"].append(codes(folder / left) if left else ["no take"])
                if not seconds:  # it ended before it sounded, or told nothing while it did
                    continue
                meters.append(counts["job"] / seconds)
                curves.append(counts["curve"] / seconds)
                shares.append(used / seconds)
        for _ in range(max(2, takes // 10)):
            words = ("--rig", folder / "bench.toml", "--yes", "--quiet", "--out", folder / "alone")
            freeair("take", "rowan", *words, environment=card.environment)
            latest = max((folder / "alone").iterdir(), key=lambda one: one.stat().st_mtime_ns)
            refused["by the command alone"].append(codes(latest))
            if time.monotonic() > end + 60:
                break
    for name, found, aim in (
        ("meters move", meters, "aim: 10"),
        ("the curve grows", curves, "aim: 4"),
    ):
        row(f"{name}, times a second", f"{statistics.median(found):.1f}", f"{aim} or more")
    row("share of one processor while it sweeps", f"{100 * statistics.median(shares):.0f} %")
    for name, found in refused.items():
        lost = [one for one in found if one]
        why = ", ".join(sorted({code for one in lost for code in one}))
        row(f"takes refused {name}", f"{len(lost)} of {len(found)}", why or "aim: none")


def watched(client: Client, pid: int, unit: str) -> tuple[str | None, float, dict[str, int], float]:
    """One take: its path, and the seconds, events and seconds of processor while it played."""
    client.do("take", UNIT=unit, rig="bench.toml")
    first, seconds, used, share, counts = None, 0.0, 0.0, 0.0, {"job": 0, "curve": 0}
    for name, said in client.events():
        if name == "job" and said["playing"]:
            if first is None:
                first, used = time.perf_counter(), processor_seconds(pid)
            seconds = time.perf_counter() - first
            share = processor_seconds(pid) - used
        if said and (name == "curve" or said["playing"]):
            counts[name] += 1
        if name == "job" and said["status"] is not None:
            if not seconds:
                print(f"{unit} told nothing while it played: {said}", file=sys.stderr, flush=True)
            return said["left"], seconds, counts, share
    raise RuntimeError("the window ended before its take did")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=100)
    parser.add_argument("--minutes", type=float, default=30.0)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        for part in ("pages", "takes"):
            Path(place, part).mkdir()
        of_pages(Path(place, "pages"))
        of_browser(Path(place, "pages"))
        of_takes(Path(place, "takes"), wanted.takes, wanted.minutes)

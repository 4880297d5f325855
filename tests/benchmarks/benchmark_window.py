"""How quick the window is, and what it costs while a sweep runs. A script, not a test.

    python tests/benchmarks/benchmark_window.py [--takes N]

prints the time from the command to the address and to the first page, from a slider to its new
numbers and, in Chromium, to the new curve and the first paint; how often
meters and curve move, the share of one processor that the program takes while it
sweeps, and how many of N takes over the real-time virtual card lost a block.
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
from program import wait_for  # noqa: E402
from virtual_card import VirtualCard  # noqa: E402
from window_client import Client, opened  # noqa: E402


def processor_seconds(pid: int) -> float:
    """User and system time of a process so far [s] (proc(5), fields 14 and 15 of stat)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def of_pages(folder: Path) -> None:
    """First page and sliders, on a simulated bench."""
    pictures.furnished(folder)
    began = time.perf_counter()
    with opened(folder) as (address, _):
        print(f"from the command to its address: {time.perf_counter() - began:.2f} s")
        client = Client(address)
        client.get("/")
        print(f"from the command to the first page: {time.perf_counter() - began:.2f} s")
        fit = "fits/Lantern-1.json"
        box = {"fit": fit, "vented": True, "volume_l": 20, "fb_hz": 40, "ql": 7, "bore_mm": 60,
               "drive_v": 10, "xmax_mm": 4, "source_ohm": 0, "celsius": 20,
               "pressure_hpa": 1013.25}  # fmt: skip
        network = {"woofer": fit, "tweeter": fit, "corner_hz": 2000, "order": 2, "q": 0.7,
                   "attenuate_db": 3, "compensate": True, "drive_v": 9, "least_ohm": 4}  # fmt: skip
        coil = {"fit": fit, "former_mm": 25.4, "plate_mm": 5, "metal": "copper",
                "now_wire_mm": 0.18, "now_layers": 2, "now_height_mm": 10,
                "new_wire_mm": 0.2, "new_layers": 2, "new_height_mm": 12}  # fmt: skip
        for name, said in (("box", box), ("network", network), ("coil", coil)):
            times = []
            for _ in range(21):
                start = time.perf_counter()
                assert client.post(f"/what-if/{name}", said).status == 200
                times.append(1e3 * (time.perf_counter() - start))
            later = statistics.median(times[1:])
            print(f"slider to new numbers, {name}: {later:.0f} ms (the first {times[0]:.0f} ms)")


def of_browser(folder: Path) -> None:
    """First paint and a slider in Chromium, network and drawing included."""
    with opened(folder) as (address, _), Browser() as browser:
        browser.visit(address)
        paint = browser.run(
            "return performance.getEntriesByName('first-contentful-paint')[0].startTime"
        )
        print(f"from the request to the first paint of the shelf: {paint:.0f} ms")
        browser.visit(address.split("/?")[0] + "/what-if")
        for way, slider in (
            ("box", "box-volume"),
            ("network", "net-corner"),
            ("coil", "coil-new-height"),
        ):
            wait_for(lambda way=way: browser.run(_DRAWN, way) != "0", 60)
            times = [browser.driver.execute_async_script(_SLIDE, way, slider) for _ in range(21)]
            later = statistics.median(times[1:])
            print(f"slider to new curve, {way}: {later:.0f} ms (the first {times[0]:.0f} ms)")


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


def of_takes(folder: Path, takes: int) -> None:
    """Sweeps over the real-time card with a window looking on."""
    with VirtualCard() as card, opened(folder, environment=card.environment) as (address, process):
        client = Client(address)
        client.do("rig-new", FILE="bench.toml", series_resistor="10ohm", device="default",
                  amplifier="none", woofer=True)  # fmt: skip
        client.finished()
        lost, meters, curves, shares = 0, [], [], []
        for number in range(takes):
            client.do("take", UNIT=f"rowan-{number}", rig="bench.toml")
            first, counts = None, [0, 0]
            for name, said in client.events():
                if name == "job" and said["playing"]:
                    if first is None:
                        first, used = time.perf_counter(), processor_seconds(process.pid)
                    seconds = time.perf_counter() - first
                    share = processor_seconds(process.pid) - used
                    counts[0] += 1
                elif name == "curve" and said:
                    counts[1] += 1
                if name == "job" and said["status"] is not None:
                    break
            meters.append(counts[0] / seconds)
            curves.append(counts[1] / seconds)
            shares.append(share / seconds)
            record = json.loads((folder / said["left"] / "take.json").read_text(encoding="utf-8"))
            codes = {one["code"] for one in record["findings"] if one["refuses"]}
            lost += bool(codes)
            if codes:
                print(f"take {number + 1}: {', '.join(sorted(codes))}")
    print(f"meters move {statistics.median(meters):.1f} times a second")
    print(f"the curve grows {statistics.median(curves):.1f} times a second")
    print(f"share of one processor while it sweeps: {100 * statistics.median(shares):.0f} %")
    print(f"takes refused, of {takes}: {lost}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--takes", type=int, default=100)
    wanted = parser.parse_args().takes
    with tempfile.TemporaryDirectory() as place:
        for part in ("pages", "takes"):
            Path(place, part).mkdir()
        of_pages(Path(place, "pages"))
        of_browser(Path(place, "pages"))
        of_takes(Path(place, "takes"), wanted)

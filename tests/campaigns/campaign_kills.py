"""Kill a refit at random moments, again and again, and count what is lost, half or done twice.

    python tests/campaigns/campaign_kills.py 200

Prints one line: kills, refits that ended before they were killed, results lost, results made
twice, workers that outlived their command by two seconds. All but the first two must be 0.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "support"), str(HERE.parent / "support" / "running")]

import driver_bench  # noqa: E402 - found by the line above
import numpy as np  # noqa: E402
from made_archive import unit_of, write_table  # noqa: E402
from program import begun  # noqa: E402

from cli.archive.ledger_lines import Result, parse, pieces_of  # noqa: E402


@dataclass
class Tally:
    """What went wrong, and how often."""

    kills: int = 0
    ended: int = 0
    lost: int = 0
    twice: int = 0
    outlived: int = 0


def results(out: Path) -> Counter[str]:
    """Whole results in the ledger by what they depend on."""
    found: Counter[str] = Counter()
    for segment in (out / "ledger").glob("*.lines"):
        for line in segment.read_bytes().splitlines(keepends=True)[1:]:
            pieces = pieces_of(line)
            said = None if pieces is None else parse(pieces)
            if isinstance(said, Result):
                found[said.key] += 1
    return found


def alive(process: int) -> bool:
    """Whether a process runs (Linux)."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def campaign(folder: Path, kills: int, seed: int = 0) -> Tally:
    """Kill so many refits; a new folder of results begins whenever one is finished."""
    rng = np.random.default_rng(seed)
    tally = Tally()
    archive = folder / "archive"
    for number in range(6):
        write_table(archive / f"u{number}.csv", unit_of(driver_bench.WOOFER, number), number)
    run = 0
    before: Counter[str] = Counter()
    while tally.kills < kills:
        out = folder / f"out{run}"
        with begun("refit", archive, "--out", out, "--workers", "2") as process:
            end = time.monotonic() + rng.uniform(0.1, 6.0)
            family: set[int] = set()
            while time.monotonic() < end and process.poll() is None:
                for task in Path(f"/proc/{process.pid}/task").glob("*/children"):
                    family |= {int(child) for child in task.read_text().split()}
                time.sleep(0.05)
            over = process.poll() is not None
            process.kill()
            process.wait()
            ended = time.monotonic()
            while any(map(alive, family)) and time.monotonic() < ended + 2:
                time.sleep(0.02)
            tally.outlived += sum(map(alive, family))
        found = results(out)
        tally.lost += sum((before - found).values())
        tally.twice += sum(count > 1 for count in found.values())
        tally.kills += not over
        tally.ended += over
        if over:
            tally.lost += process.returncode != 0 or not (out / "summary.html").is_file()
            run, found = run + 1, Counter()
        before = found
    return tally


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        print(campaign(Path(place), int(sys.argv[1])))

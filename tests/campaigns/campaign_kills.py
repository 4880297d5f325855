"""Kill commands at random moments, again and again, and count what is lost, half or done twice.

    python tests/campaigns/campaign_kills.py 200
    python tests/campaigns/campaign_kills.py 30 take window

Half of the kills of all but a refit fall into the moments in which something is written. Prints a
line for each command; all but its kills and those that came too late must be 0.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "support"), str(HERE.parent / "support" / "running")]

import driver_bench  # noqa: E402 - found by the line above
import numpy as np  # noqa: E402
from made_archive import unit_of, write_table  # noqa: E402
from program import begun, freeair  # noqa: E402
from window_client import Client  # noqa: E402

from cli.archive.ledger_lines import Result, parse, pieces_of  # noqa: E402
from cli.series import limits_file  # noqa: E402
from cli.sources import opened  # noqa: E402
from meas.bench import rig_file  # noqa: E402
from meas.takes import take as takes  # noqa: E402

HOW = (signal.SIGKILL, signal.SIGKILL, signal.SIGTERM, signal.SIGINT)


@dataclass
class Tally:
    """What went wrong, and how often.

    Attributes:
        kills: Of commands that still ran.
        ended: Commands that ended before.
        lost: Things that were whole and are no more.
        twice: Things made more than once by one command.
        half: Things of which a reader finds a part, or that no reader takes.
        outlived: Processes at work two seconds after their command.
        stuck: Commands afterwards that did not do their work.
        what: The faults in words.
    """

    kills: int = 0
    ended: int = 0
    lost: int = 0
    twice: int = 0
    half: int = 0
    outlived: int = 0
    stuck: int = 0
    what: list[str] = field(default_factory=list)

    @property
    def faults(self) -> int:
        """All that must not be."""
        return self.lost + self.twice + self.half + self.outlived + self.stuck


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


def children(process: int) -> set[int]:
    """Processes that a process has begun and that still run (Linux)."""
    found: set[int] = set()
    for task in Path(f"/proc/{process}/task").glob("*/children"):
        with suppress(OSError):
            found |= {int(child) for child in task.read_text().split()}
    return found


def end(process: subprocess.Popen[str], family: set[int], how: signal.Signals, tally: Tally) -> str:
    """End a command; what it said on standard error. Counts what outlives it by two seconds."""
    over = process.poll() is not None
    with suppress(ProcessLookupError):
        os.kill(process.pid, how)
    _, said = process.communicate(timeout=60)
    ended = time.monotonic()
    while any(map(alive, family)) and time.monotonic() < ended + 2:
        time.sleep(0.02)
    tally.outlived += sum(map(alive, family))
    tally.kills += not over
    tally.ended += over
    return said


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
            until = time.monotonic() + rng.uniform(0.1, 6.0)
            family: set[int] = set()
            while time.monotonic() < until and process.poll() is None:
                family |= children(process.pid)
                time.sleep(0.05)
            over = process.poll() is not None
            end(process, family, signal.SIGKILL, tally)
        found = results(out)
        tally.lost += sum((before - found).values())
        tally.twice += sum(count > 1 for count in found.values())
        if over:
            tally.lost += process.returncode != 0 or not (out / "summary.html").is_file()
            run, found = run + 1, Counter()
        before = found
    return tally


@dataclass(frozen=True)
class Attacked:
    """A command that is killed.

    Attributes:
        words: Of the run of a number.
        makes: Things that one run makes at most.
        clear: What to do before each run.
    """

    words: Callable[[int], list[str]]
    makes: int = 1
    clear: Callable[[Path], object] = lambda _: None


def bench(folder: Path) -> None:
    """A simulated bench, two takes, fits, and tables of five units."""
    simulated = ("--device", "simulated", "--sweep-seconds", "0.6", "--woofer")
    _do(folder, "rig", "new", "bench.toml", "--series-resistor", "10ohm", *simulated)
    (folder / "fresh").write_bytes((folder / "bench.toml").read_bytes())
    _do(folder, "take", "lantern", "--rig", "bench.toml", "--quiet", "--out", "first")
    (folder / "given").mkdir()
    for name in ("one", "two"):
        _do(folder, "fit", *_first(folder), "--save", f"given/{name}.json")
    for number in range(5):
        unit = unit_of(driver_bench.WOOFER, number)
        write_table(folder / "units" / f"u{number}.csv", unit, number)


def _first(folder: Path) -> list[str]:
    return [str(path.relative_to(folder)) for path in (folder / "first").iterdir()]


def _do(folder: Path, *words: str) -> None:
    done = freeair(*words, cwd=folder)
    assert done.returncode == 0, done.stderr


def _without_calibration(folder: Path) -> None:
    (folder / "bench.toml").write_bytes((folder / "fresh").read_bytes())


def _words(*words: str) -> Callable[[int], list[str]]:
    return lambda number: [word.replace("#", str(number)) for word in words]


UNITS = [f"units/u{number}.csv" for number in range(5)]
ATTACKED = {
    "take": Attacked(_words("take", "lantern", "--rig", "bench.toml", "--quiet")),
    "calibrate": Attacked(
        _words("rig", "calibrate", "bench.toml", "--standard", "same-node", "--yes"),
        clear=_without_calibration,
    ),
    "fit": Attacked(
        _words("fit", "units/u0.csv", "--save", "made/f#.json", "--report", "made/f#.html"), 2
    ),
    "compare": Attacked(
        _words("compare", "given/one.json", "given/two.json", "--report", "made/c#.html")
    ),
    "series": Attacked(_words("series", "limits", *UNITS, "--save", "made/s#.toml")),
    "window": Attacked(_words("open", ".", "--no-browser")),
}


def whole(folder: Path) -> set[str]:
    """All things that somebody who looks into the folder finds, each read whole.

    Raises:
        Exception: Of a reader, where a thing is not whole.
    """
    found = set()
    for path in (folder / "takes").glob("[!.]*"):
        takes.load(path)
        assert len(takes.read_capture(path).samples) > 0, path
        found.add(str(path))
    if rig_file.read(folder / "bench.toml").calibration is not None:
        found.add("standard")
    for path in (folder / "made").glob("[!.]*"):
        if path.suffix == ".json":
            opened.fit(path)
        elif path.suffix == ".toml":
            limits_file.read(path)
        else:
            assert path.read_bytes().rstrip().endswith(b"</html>"), path
        if path.name != "index.html":  # renewed by whatever writes a page
            found.add(str(path))
    return found


def _names(folder: Path) -> set[str]:
    places = (folder, folder / "made", folder / "takes")
    return {entry.name for place in places if place.is_dir() for entry in place.iterdir()}


def _press(process: subprocess.Popen[str]) -> None:
    """Take once by the window, unless it ends before."""
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    with suppress(Exception):  # it ends in the midst of everything
        Client(address).do("take", UNIT="lantern", rig="bench.toml")


def attack(name: str, folder: Path, kills: int, seed: int = 0) -> Tally:
    """Kill a command so many times in a folder that `bench` has made."""
    one, rng, tally = ATTACKED[name], np.random.default_rng(seed), Tally()
    (folder / "made").mkdir(exist_ok=True)
    longest, run = 2.5 if name == "window" else 0.0, 0
    while tally.kills < kills:
        one.clear(folder)
        run += 1
        before = whole(folder)
        names = _names(folder)
        begin = time.monotonic()
        with begun(*one.words(run), cwd=folder) as process:
            if name == "window":
                threading.Thread(target=_press, args=[process], daemon=True).start()
            if run % 2 or not longest:
                while process.poll() is None and _names(folder) <= names:
                    time.sleep(0.0005)
                longest = longest or time.monotonic() - begin
                time.sleep(float(rng.choice([0.0, rng.uniform(0, 0.02)])))
            else:
                with suppress(subprocess.TimeoutExpired):
                    process.wait(rng.uniform(0.05, longest))
            how = HOW[rng.integers(len(HOW))]
            said = end(process, children(process.pid), how, tally)
        # Before `main` runs, while libraries are loaded, Ctrl-C is Python's own matter.
        if ("Traceback" in said and ", in main" in said) or "mistake in freeair" in said:
            tally.half += 1
            tally.what.append(said[-2000:])
        try:
            after = whole(folder)
        except Exception as error:
            tally.half += 1
            tally.what.append(f"{name} {run}: {type(error).__name__}: {error}")
            break
        tally.lost += len(before - after)
        tally.twice += max(0, len(after - before) - one.makes)
        if run % 3 == 0:
            _check_next(one, folder, 100000 + run, tally, name)
    _check_next(one, folder, 200000, tally, name)
    return tally


def _check_next(one: Attacked, folder: Path, number: int, tally: Tally, name: str) -> None:
    """The same command, left to its work, does it once."""
    one.clear(folder)
    before = whole(folder)
    if name == "window":
        with begun(*one.words(number), cwd=folder) as process:
            assert process.stdout is not None
            client = Client(process.stdout.readline().strip())
            status, page = int(client.get("/").status), 200
            client.do("take", UNIT="lantern", rig="bench.toml")
            status += int(client.finished()["status"])
    else:
        done = freeair(*one.words(number), cwd=folder)
        status, page = done.returncode, 0
    made = len(whole(folder) - before)
    if status != page or made != one.makes:
        tally.stuck += 1
        tally.what.append(f"{name} {number}: status {status}, {made} made")


def main() -> int:
    """The campaign; how many commands had faults."""
    # What a shell begins in the background ignores Ctrl-C, and so would all that we begin.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    kills, names = int(sys.argv[1]), sys.argv[2:] or ["refit", *ATTACKED]
    bad = 0
    with tempfile.TemporaryDirectory() as place:
        for name in names:
            folder = Path(place) / name
            folder.mkdir()
            if name == "refit":
                tally = campaign(folder, -(-kills // len(names)))
            else:
                bench(folder)
                tally = attack(name, folder, -(-kills // len(names)))
            print(name, tally, flush=True)
            bad += bool(tally.faults)
    return bad


if __name__ == "__main__":
    raise SystemExit(main())

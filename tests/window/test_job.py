"""What a command leaves when the window runs it: files as ever, its tables as tables."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from invoked import Invoke

from cli.main import run
from cli.terminal import progress
from cli.window import actions, folder, views
from cli.window.desk import Desk, Job
from cli.window.growing import Drawing
from meas.excitation import choice
from meas.takes import take as takes


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    words = ("--series-resistor", "10ohm", "--device", "simulated", "--sweep-seconds", "0.6")
    assert run(["rig", "new", "bench.toml", "--woofer", *words]) == 0
    return tmp_path


class Watched(Desk):
    """Remembers what its meters showed."""

    def __init__(self) -> None:
        self.levels: set[tuple[float, float]] = set()
        super().__init__(real_time=False)

    def _changed(self) -> None:
        super()._changed()
        if self.job is not None and self.job.playing is not None:
            self.levels.add(tuple(self.job.playing["level"]))


def done(name: str, desk: Desk | None = None, **said: object) -> Job:
    """A button pressed, and what came of it."""
    fields = {n if n.isupper() else "--" + n.replace("_", "-"): v for n, v in said.items()}
    desk = desk or Desk(real_time=False)
    job = desk.start(name, actions.argv(name, fields), rig=folder.rig("bench.toml"))
    desk.wait()
    assert job.status == 0, job.said
    return job


def test_takes_at_two_levels_are_followed_in_a_table(
    capsys: pytest.CaptureFixture[str],
) -> None:
    done("take", UNIT="rowan-3", rig="bench.toml", levels="0.1,0.2")
    kept = sorted(one.as_posix() for one in Path("takes").iterdir())
    assert [takes.load(Path(one)).rig.drive.level for one in kept] == [0.1, 0.2]
    job = done("levels", TAKE=kept)
    (table,) = [one for one in job.parts if isinstance(one, dict)]
    assert table["heads"][1:3] == ["0.1", "0.2"]
    # Cell by cell what the terminal shows.
    lines = [line.split() for line in Invoke(capsys)("levels", *kept).stdout.splitlines()]
    for row in table["rows"]:
        assert " ".join(row).split() in lines


def test_one_input_by_a_known_resistor() -> None:
    job = done("take", UNIT="rowan-3", rig="bench.toml", substitution="8.2ohm±1%", swap_seconds="1")
    assert "substitution" in {one.code for one in takes.load(Path(job.left)).findings}


def test_a_reading_of_the_tone_gives_volts() -> None:
    done("rig-tone", RIG="bench.toml", tone="100Hz", volts_at_driver="0.352V")
    assert folder.rig("bench.toml").card.input_volt_full_scale is not None
    job = done("take", UNIT="rowan-3", rig="bench.toml", excitation="multisine")
    assert "V rms at the driver" in job.said


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("rig-level", {}),
        ("rig-tone", {"tone": "100Hz"}),
        ("rig-calibrate", {"standard": "short"}),
        ("rig-check", {"resistor": "8.2ohm±1%"}),
        ("polarity-reference", {}),
    ],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_meters_move_whatever_plays(name: str, said: dict[str, str]) -> None:
    desk = Watched()
    done(name, desk, RIG="bench.toml", **said)
    assert len(desk.levels) > 5
    assert all(0 <= one < 1 for level in desk.levels for one in level)


def test_time_to_swap_is_seen_and_can_be_ended() -> None:
    seen = []

    def watch(playing: progress.Playing, told: progress.Progress) -> None:
        seen.append((playing.what, told.frames_total - told.frames_done))
        if len(seen) == 2:
            raise KeyboardInterrupt

    token = progress.WATCHER.set(watch)
    try:
        with pytest.raises(KeyboardInterrupt):
            progress.wait("the driver in the resistor's place", 60)
    finally:
        progress.WATCHER.reset(token)
    assert seen == [("the driver in the resistor's place", left) for left in (600, 599)]


def test_the_curve_is_drawn_beside_a_recording_and_a_drawing_that_dies_is_noticed() -> None:
    job = done("take", UNIT="rowan-3", rig="bench.toml")
    rig, kept = folder.rig("bench.toml"), takes.read_capture(Path(job.left))
    playing = progress.Playing("sweep", kept.sample_rate_hz, choice.build(rig))
    drawing = Drawing(rig)
    try:
        half = drawing.look(kept.samples[: len(kept.samples) // 2], playing)
        whole = drawing.look(kept.samples, playing)
        assert half is not None and whole is not None
        curve = takes.load(Path(job.left)).curve
        assert curve is not None
        final = np.interp(np.log(whole["f"]), np.log(curve.frequency_hz), curve.magnitude_ohm)
        heard = np.array(whole["f"]) > rig.drive.start_hz
        assert np.abs(np.array(whole["z"]) / final - 1)[heard].max() < 0.03  # as test_growing.py
        assert not any(one["refuses"] for one in whole["findings"])
        first = choice.build(rig).passes[0]
        pause = first.stop_frame + round(0.6 * kept.sample_rate_hz)
        again = progress.Playing("sweep", kept.sample_rate_hz, choice.build(rig))
        swapped = drawing.look(np.ascontiguousarray(kept.samples[:pause, ::-1]), again)
        assert swapped is not None
        assert "swapped-inputs" in {one["code"] for one in swapped["findings"]}
        drawing.close()
        with pytest.raises((OSError, EOFError, ValueError)):
            drawing.look(kept.samples, playing)
    finally:
        drawing.close()


def test_a_unit_is_offered_the_bench_that_it_was_last_taken_on() -> None:
    """So that no tweeter meets the bench for woofers by being quick with the button."""
    words = ("--series-resistor", "10ohm", "--device", "simulated", "--sweep-seconds", "0.6")
    assert run(["rig", "new", "gentle.toml", *words]) == 0
    done("take", UNIT="spark-2", rig="gentle.toml")
    done("take", UNIT="rowan-3", rig="bench.toml")
    assert [views.benches(unit)[0].path for unit in ("spark-2", "rowan-3", "new")] == [
        "gentle.toml", "bench.toml", "bench.toml",
    ]  # fmt: skip
    assert "woofers only" in views.called(views.benches("rowan-3")[0])

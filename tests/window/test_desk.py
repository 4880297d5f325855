"""What a press of a button leaves, and that one bench does one thing at a time."""

from __future__ import annotations

import html
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from program import fit_json, freeair, succeed
from window_client import Client, opened


def bench(folder: Path, *more: str) -> None:
    words = ("--series-resistor", "10ohm", "--device", "simulated", "--sweep-seconds", "0.6")
    succeed("rig", "new", folder / "bench.toml", *words, *more)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Client]]:
    """One window for all tests that leave it as they found it; each names its own unit."""
    folder = tmp_path_factory.mktemp("place")
    bench(folder, "--woofer")
    with opened(folder) as (address, _):
        yield folder, Client(address)


def take(client: Client, unit: str = "lantern-1", **more: str) -> str:
    answer = client.do("take", UNIT=unit, rig="bench.toml", **more)
    assert answer.status == 202, answer.text
    job = client.finished()
    assert job["status"] == 0, job["said"]
    return str(job["left"])


def test_from_nothing_to_parameters_as_by_the_commands(tmp_path: Path) -> None:
    with opened(tmp_path) as (address, _):
        client = Client(address)
        answer = client.do(
            "rig-new", FILE="bench.toml", series_resistor="10ohm", device="simulated",
            amplifier="none", woofer=True, sweep_seconds="0.6",
        )  # fmt: skip
        assert answer.status == 202, answer.text
        assert client.finished()["status"] == 0
        takes = [take(client), take(client, added_mass="7.5g±0.1g")]
        answer = client.do("fit", TAKE=takes, diameter="118mm")
        assert client.finished()["status"] == 0
        command = answer.json["command"]
        assert command.startswith("freeair fit ")
        shelf = client.get("/").text
        assert "lantern-1" in shelf
        page = client.get("/driver?unit=lantern-1").text
        assert 'data-symbol="Vas"' in page
        assert "What the data cannot show" in page and "coil by multimeter" in page
    kept = json.loads((tmp_path / "fits" / "lantern-1.json").read_text(encoding="utf-8"))
    by_command = fit_json(*(tmp_path / one for one in takes), "--diameter", "118mm")
    assert kept["parameters"] == by_command["parameters"]
    for one in takes:
        assert sorted(p.name for p in (tmp_path / one).iterdir()) == [
            "capture.wav", "distortion.csv", "impedance.csv", "take.json",
        ]  # fmt: skip


def test_two_presses_at_once_make_one_take(place: tuple[Path, Client]) -> None:
    folder, client = place
    fields = {"UNIT": "twice", "--rig": "bench.toml"}
    answers = [client.post("/do/take", {"fields": fields, "read": []}) for _ in range(2)]
    assert [one.status for one in answers] == [202, 409]
    said = answers[1].json["fault"]
    assert "freeair take" in said["what"]
    assert "Nothing was begun" in said["remedy"]
    client.finished()
    assert len(list((folder / "takes").glob("twice_*"))) == 1


def test_the_curve_grows_and_every_window_sees_it(place: tuple[Path, Client]) -> None:
    _, client = place
    client.do("take", UNIT="lantern-1", rig="bench.toml")
    seen, meters = [], set()
    for name, said in client.events():
        if name == "job" and said["playing"]:
            meters.add(said["playing"]["part"])
        if name == "curve" and said is not None:
            seen.append(said)
            # A window opened in the middle, or loaded again, is told at once.
            late = next(one for one in client.events() if one[0] == "job")[1]
            assert late["command"] == "freeair take --rig bench.toml --yes lantern-1"
        if name == "job" and said is not None and said["status"] is not None:
            break
    # How fast they come is the benchmark's affair; the recording is 5.3 s long.
    assert len(seen) > 3
    assert len(meters) > 20
    highest = [one["f"][-1] for one in seen]
    assert highest[0] < highest[-1]
    assert all(
        low <= z <= high
        for one in seen
        for low, z, high in zip(one["low"], one["z"], one["high"], strict=True)
    )


def test_stop_keeps_what_was_recorded(place: tuple[Path, Client]) -> None:
    folder, client = place
    client.do("take", UNIT="lantern-1", rig="bench.toml")
    for name, said in client.events():
        if name == "job" and said["playing"] and said["playing"]["part"] > 0.3:
            break
    assert client.post("/stop", {}).status == 200
    job = client.finished()
    assert job["status"] == 1
    record = json.loads((folder / job["left"] / "take.json").read_text(encoding="utf-8"))
    assert record["refused"]
    assert "interrupted" in {one["code"] for one in record["findings"]}
    assert (folder / job["left"] / "capture.wav").stat().st_size > 48000 * 8
    page = client.get(f"/take?of={job['left']}").text
    assert "Refused" in page
    assert "Take it again" in page


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_the_end_of_the_program_keeps_the_take(tmp_path: Path, name: str) -> None:
    """By Ctrl-C, by the end of the sitting, by a closed terminal; with two windows looking on."""
    if not hasattr(signal, name):
        pytest.skip(f"this system has no {name}")
    bench(tmp_path, "--woofer")
    with opened(tmp_path) as (address, process):
        client, other = Client(address), Client(address)
        client.do("take", UNIT="lantern-1", rig="bench.toml")
        looking = other.events()
        next(looking)
        for kind, said in client.events():
            if kind == "job" and said["playing"] and said["playing"]["part"] > 0.3:
                break
        process.send_signal(getattr(signal, name))
        assert process.wait(30) == 0
        list(looking)  # ends by itself
    (kept,) = (tmp_path / "takes").iterdir()
    record = json.loads((kept / "take.json").read_text(encoding="utf-8"))
    assert "interrupted" in {one["code"] for one in record["findings"]}
    assert (kept / "capture.wav").stat().st_size > 48000 * 8


def test_a_kept_take_is_there_when_the_program_begins_again(place: tuple[Path, Client]) -> None:
    folder, client = place
    take(client, "again")
    with opened(folder) as (address, _):
        assert "again" in Client(address).get("/").text


@pytest.mark.skipif(sys.platform == "win32", reason="a folder that is in use cannot be removed")
def test_a_folder_that_is_gone_is_named(tmp_path: Path) -> None:
    gone = tmp_path / "gone"
    gone.mkdir()
    with opened(gone) as (address, _):
        client = Client(address)
        gone.rmdir()
        assert "is gone" in client.get("/").text
        answer = client.post("/do/fit", {"fields": {"TAKE": ["x"]}, "read": []})
        assert "is gone" in answer.json["fault"]["what"]
    gone.mkdir()
    words = f"cd {gone} && rmdir {gone} && exec {sys.executable} -m cli.main open . --no-browser"
    path = str(Path(__file__).parents[2])
    done = subprocess.run(
        ["sh", "-c", words], capture_output=True, text=True, timeout=60, check=False,
        env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    assert done.returncode == 2
    assert "cannot be worked in" in done.stderr


def test_a_fit_waits_while_it_plays(place: tuple[Path, Client]) -> None:
    folder, client = place
    before = sorted(folder.glob("fits/*"))
    client.do("take", UNIT="waiting", rig="bench.toml")
    assert client.do("fit", TAKE=["bench.toml"]).status == 409
    assert sorted(folder.glob("fits/*")) == before
    client.finished()


def test_values_are_refused_as_by_the_command(place: tuple[Path, Client]) -> None:
    _, client = place
    for mass in ("7.5", "7,5g", "7.5 bananas"):
        client.do("take", UNIT="lantern-1", rig="bench.toml", added_mass=mass)
        job = client.finished()
        assert job["status"] == 2
        assert "--added-mass" in job["said"]


@pytest.mark.parametrize("name", ["--out=/x", "../$(touch x); ä", "<script>alert(1)</script>"])
def test_hostile_names_are_names(place: tuple[Path, Client], name: str) -> None:
    folder, client = place
    before = {p.name for p in folder.iterdir()} | {"takes"}
    left = take(client, name)
    assert {p.name for p in folder.iterdir()} == before
    record = json.loads((folder / left / "take.json").read_text(encoding="utf-8"))
    assert record["unit"] == name
    for page in ("/", f"/take?of={quote(left)}", f"/driver?unit={quote(name)}"):
        text = client.get(page).text
        assert "<script>alert" not in text
        assert html.escape(name) in text


class TestCautions:
    def test_nothing_sounds_before_they_are_read(self, tmp_path: Path) -> None:
        bench(tmp_path, "--amplifier", "bridged")
        with opened(tmp_path) as (address, _):
            client = Client(address)
            form = {"fields": {"UNIT": "x", "--rig": "bench.toml"}, "read": []}
            answer = client.post("/do/take", form)
            assert answer.status == 428
            titles = [one["title"] for one in answer.json["cautions"]]
            assert any("Bridged" in title for title in titles)
            assert not (tmp_path / "takes").exists()
            assert client.post("/do/take", {**form, "read": ["Something else"]}).status == 428
            assert client.post("/do/take", {**form, "read": titles}).status == 202
            client.finished()
            # Once in a sitting for one bench ...
            assert client.post("/do/take", form).status == 202
            client.finished()
            # ... but what is put in the driver's place is asked about every time.
            for _ in range(2):
                fields = {"RIG": "bench.toml", "--standard": "short"}
                answer = client.post("/do/rig-calibrate", {"fields": fields, "read": []})
                assert answer.status == 428
                assert "short" in answer.json["cautions"][0]["title"]

    def test_a_real_bench_is_asked_about_although_it_has_no_amplifier(self, tmp_path: Path) -> None:
        succeed("rig", "new", tmp_path / "bench.toml", "--series-resistor", "10ohm")
        with opened(tmp_path) as (address, _):
            form = {"fields": {"UNIT": "x", "--rig": "bench.toml"}, "read": []}
            answer = Client(address).post("/do/take", form)
            assert answer.status == 428
            titles = " ".join(one["title"] for one in answer.json["cautions"])
            assert "Low-frequency drive is held back" in titles


def test_a_tweeter_is_never_driven_fully_below_its_band(tmp_path: Path) -> None:
    """Without --woofer the drive stays a tenth of the level below 200 Hz, here too."""
    from meas.takes import take as takes

    bench(tmp_path)
    with opened(tmp_path) as (address, _):
        client = Client(address)
        left = tmp_path / take(client)
    kept = takes.load(left)
    samples = takes.read_capture(left).samples
    rate = kept.sample_rate_hz
    begin = round(0.5 * rate)  # the sweep up from 10 Hz begins after half a second
    early = abs(samples[begin : begin + round(0.2 * rate), 0]).max()
    assert early < 0.2 * abs(samples[:, 0]).max()


def test_files_of_the_command_line_appear(place: tuple[Path, Client]) -> None:
    folder, client = place
    rig = ("--rig", folder / "bench.toml", "--yes", "--out", folder / "takes")
    succeed("take", "spark-2", *rig)
    assert "spark-2" in client.get("/").text


def test_dropped_recording_becomes_the_same_take(place: tuple[Path, Client]) -> None:
    folder, client = place
    first = next((folder / "takes").glob("spark-2*"))
    answer = client.ask(
        "POST", "/drop?name=bench recording.wav".replace(" ", "%20"),
        (first / "capture.wav").read_bytes(),
    )  # fmt: skip
    assert answer.status == 200, answer.text
    kept = answer.json["kept"]
    client.do("import", RECORDING=kept, rig="bench.toml", unit="lantern-9")
    job = client.finished()
    assert job["status"] == 0, job["said"]
    by_command = succeed(
        "import", folder / kept, "--rig", folder / "bench.toml", "--unit", "lantern-9",
        "--out", folder / "other",
    )  # fmt: skip
    other = Path(by_command.splitlines()[-1])
    assert (folder / job["left"] / "impedance.csv").read_text() == (
        other / "impedance.csv"
    ).read_text()


def test_an_address_that_is_taken_is_named(tmp_path: Path) -> None:
    with opened(tmp_path) as (address, _):
        port = address.split(":")[2].split("/")[0]
        done = freeair("open", tmp_path, "--no-browser", "--port", port)
        assert done.returncode == 2
        assert port in done.stderr


def test_open_of_no_folder_says_so(tmp_path: Path) -> None:
    done = freeair("open", tmp_path / "nothing", "--no-browser")
    assert done.returncode == 2
    assert "is no folder" in done.stderr


def test_phone_says_what_it_means(tmp_path: Path) -> None:
    try:
        with opened(tmp_path, "--phone") as (address, _):
            client = Client(address)
            page = client.get("/").text
            assert "<svg" in page
            assert "Whoever is in this network" in page
    except AssertionError as error:
        if "http://" in str(error):
            pytest.skip("this machine is in no network")
        raise

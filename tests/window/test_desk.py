"""What a press of a button leaves, and that one bench does one thing at a time."""

from __future__ import annotations

import html
import json
import os
import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
import segno
from program import fit_json, freeair, succeed
from window_client import Client, opened

from cli.window import desk, serving
from meas.audio.protocol import Progress
from meas.bench import rig_file
from meas.bench.simulated_settings import SimulatedSettings
from meas.errors import UsageError


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
        takes = [take(client)]
        client.do("fit", TAKE=takes, diameter="118mm")
        assert client.finished()["status"] == 0
        (wanted,) = set(re.findall(r"/take\?mass=([\d.]+)g", client.get("/").text))
        moving = 1e3 * SimulatedSettings().Mms_kg
        fall = 1 - (1 + float(wanted) / moving) ** -0.5  # compliance unchanged (Small 1972)
        assert 0.2 < fall < 0.5
        takes.append(take(client, added_mass=f"{wanted}g±0.1g"))
        answer = client.do("fit", TAKE=takes, diameter="118mm")
        assert client.finished()["status"] == 0
        command = answer.json["command"]
        assert command.startswith("freeair fit ")
        shelf = client.get("/").text
        assert "lantern-1" in shelf
        page = client.get("/driver?unit=lantern-1").text
        assert 'data-symbol="Vas"' in page
        assert "What the data cannot show" in page and "coil by multimeter" in page
    words = shlex.split(command)
    saved = tmp_path / words[words.index("--save") + 1]
    kept = json.loads(saved.read_text(encoding="utf-8"))
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
            assert answer.status == 200
            titles = [one["title"] for one in answer.json["cautions"]]
            assert any("Bridged" in title for title in titles)
            assert not (tmp_path / "takes").exists()
            assert client.post("/do/take", {**form, "read": ["Something else"]}).status == 200
            assert client.post("/do/take", {**form, "read": titles}).status == 202
            client.finished()
            # Once in a sitting for one bench ...
            assert client.post("/do/take", form).status == 202
            client.finished()
            # ... but what is put in the driver's place is asked about every time.
            for _ in range(2):
                fields = {"RIG": "bench.toml", "--standard": "short"}
                answer = client.post("/do/rig-calibrate", {"fields": fields, "read": []})
                assert answer.status == 200
                assert "short" in answer.json["cautions"][0]["title"]

    def test_a_real_bench_is_asked_about_although_it_has_no_amplifier(self, tmp_path: Path) -> None:
        succeed("rig", "new", tmp_path / "bench.toml", "--series-resistor", "10ohm")
        with opened(tmp_path) as (address, _):
            form = {"fields": {"UNIT": "x", "--rig": "bench.toml"}, "read": []}
            answer = Client(address).post("/do/take", form)
            assert answer.status == 200
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


def test_phone_serves_the_network_by_this_machines_address_and_ends_with_the_program(
    tmp_path: Path,
) -> None:
    try:
        own = serving.own_address()
    except UsageError:
        pytest.skip("this machine is in no network")
    with opened(tmp_path, "--phone") as (address, process):
        assert address.startswith(f"http://{own}:")
        client = Client(address)  # connects to that address, not to the machine itself
        page = client.get("/").text
        assert segno.make(address, error="m").svg_inline(
            border=4, dark="#000", light="#fff", omitsize=True
        ) in page  # fmt: skip
        assert "Whoever is in this network" in page
        port = client.host.rpartition(":")[2]
        for host in (f"192.0.2.77:{port}", f"bench.local:{port}", f"0.0.0.0:{port}", own):
            assert client.ask("GET", "/", heads={"Host": host}).status == 421
        assert client.ask("GET", "/", cookie="").status == 403
        assert client.post("/stop", {}).status == 200
        process.send_signal(signal.SIGINT)
        assert process.wait(30) == 0
        assert process.stderr is not None
        assert "Whoever is in this network" in process.stderr.read()
        with pytest.raises(OSError):
            client.get("/")


def test_findings_appear_while_it_still_sweeps(place: tuple[Path, Client]) -> None:
    """Mains hum shows when the first sweep is over."""
    folder, client = place
    rig = rig_file.read(folder / "bench.toml")
    assert rig.simulated is not None
    loud = rig.simulated.model_copy(update={"hum_volt": 0.2})
    slow = rig.drive.model_copy(update={"sweep_seconds": 2.0})
    other = {"name": "hum", "simulated": loud, "drive": slow}
    rig_file.write_new(folder / "hum.toml", rig.model_copy(update=other))
    client.do("take", UNIT="humming", rig="hum.toml")
    heard_at = None
    for name, said in client.events():
        hums = name == "job" and any("hum" in one["text"] for one in said["live"] if one["refuses"])
        if hums and said["playing"]:
            heard_at = heard_at or said["playing"]["part"]
        if name == "job" and said["status"] is not None:
            break
    assert heard_at is not None
    assert heard_at < 1
    page = client.get(f"/take?of={said['left']}").text
    assert "Mains hum" in page
    data = client.get(f"/data/take?of={said['left']}").json
    assert {one["what"] for one in data["hertz"]} >= {"hum"}
    assert len(data["curve"]["f"]) > 100


def test_a_bench_broken_by_hand_is_named_where_it_is_missed(tmp_path: Path) -> None:
    bench(tmp_path)
    file = tmp_path / "bench.toml"
    whole = file.read_text("utf-8")
    with opened(tmp_path) as (address, _):
        client = Client(address)
        for broken in (whole.replace("[drive]", "[drive"), whole.replace("10.0", "ten ohm", 1)):
            assert broken != whole
            file.write_text(broken, "utf-8")
            for page in ("/", "/bench", "/take", "/polarity"):
                text = client.get(page).text
                assert "Could not be read" in text and "bench.toml" in text, page
            answer = client.do("take", UNIT="x", rig="bench.toml")
            assert answer.status == 422
            assert "bench.toml" in answer.json["fault"]["where"]
        file.write_text(whole, "utf-8")
        assert "Could not be read" not in client.get("/take").text


def test_a_full_disk_is_said_and_nothing_half_written_is_left(tmp_path: Path) -> None:
    """Files beyond 1 MB cannot be written, as on a full disk; afterwards it goes on."""
    resource = pytest.importorskip("resource")
    if not hasattr(resource, "prlimit"):
        pytest.skip("this system limits no other process")
    bench(tmp_path, "--woofer")
    with opened(tmp_path) as (address, process):
        client = Client(address)
        size = resource.RLIMIT_FSIZE
        before = resource.prlimit(process.pid, size, (2**20, resource.RLIM_INFINITY))
        for ending in ("wav", "csv"):
            answer = client.ask("POST", f"/drop?name=a.{ending}", b"1,2\n" * 2**19)
            assert answer.status == 422
            assert "File too large" in answer.text
        client.do("take", UNIT="x", rig="bench.toml")
        job = client.finished()
        assert job["status"] != 0
        assert "cannot be written" in job["said"]
        assert "mistake in freeair" not in job["said"]
        left = [p for p in tmp_path.rglob("*") if p.is_file() and p.name != "bench.toml"]
        assert not left
        resource.prlimit(process.pid, size, before)
        assert take(client, "x")


def test_a_file_where_a_folder_is_wanted_is_named(tmp_path: Path) -> None:
    (tmp_path / "tables").write_text("mine", "utf-8")
    with opened(tmp_path) as (address, _):
        answer = Client(address).ask("POST", "/drop?name=a.csv", b"1,2\n")
        assert answer.status == 422
        assert answer.json["fault"]["where"] == "tables"
    assert (tmp_path / "tables").read_text("utf-8") == "mine"


def test_each_input_that_clips_is_named_once() -> None:
    """The second to clip too, and neither again once a sweep that is over was judged."""
    job = desk.Job(1, "take", ("take",))

    def seen(source: float, driver: float) -> list[str]:
        desk._found_out(job, Progress(4800, 48000, (source, driver)), 0.1)
        return [one["text"].split()[1] for one in job.live]

    assert seen(0.5, 0.4) == []
    assert seen(1.0, 0.4) == ["source"]
    assert seen(1.0, 1.0) == ["source", "driver"]
    assert seen(1.0, 1.0) == ["source", "driver"]
    job.live = [{"code": "clipped", "text": "Both inputs saturate.", "refuses": True}]
    assert seen(1.0, 1.0) == ["inputs"]

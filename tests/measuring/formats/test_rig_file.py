"""The rig file: edited by people, read strictly, updated without touching what they wrote."""

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from meas.bench import rig_file
from meas.bench.rig import Calibration, Card, Drive, Rig, Wiring
from meas.bench.simulated_settings import SimulatedSettings
from meas.errors import FreeairError, UnreadableInput, UsageError

WHEN = "2026-03-01T10:00:00+01:00"
CALIBRATION = Calibration(
    taken_at=WHEN,
    sample_rate_hz=48000,
    device="bench card",
    source_input=1,
    driver_input=2,
    points=((10.0, 1.01, -1.25e-5, 1e-5), (1e3, 1.0123456789, 0.0, 2e-5), (2e4, 1.0, -0.1, 1e-5)),
)
RIG = Rig(name="attic-1a2b", wiring=Wiring(series_resistor_ohm=10.0))
FULL = RIG.model_copy(
    update={
        "card": Card(device='card "A" \\ µ', sample_rate_hz=96000),
        "drive": Drive(level=0.1, woofer=True),
        "calibration": CALIBRATION,
        "simulated": SimulatedSettings(seed=None),
    }
)


@pytest.mark.parametrize("rig", [RIG, Rig(name="bare-0000")])
def test_what_is_written_is_read_back(tmp_path, rig):
    rig_file.write_new(tmp_path / "r.toml", rig)
    assert rig_file.read(tmp_path / "r.toml") == rig


def test_calibration_is_kept_to_nine_digits(tmp_path):
    """Half a unit of the ninth digit: at most 5e-9, where 5e-4 is assumed left (rig.py)."""
    rig_file.write_new(tmp_path / "r.toml", FULL)
    back = rig_file.read(tmp_path / "r.toml")
    assert back.model_copy(update={"calibration": None}) == FULL.model_copy(
        update={"calibration": None}
    )
    stored, given = (one.standards[0].points for one in (back.calibration, CALIBRATION))
    for found, meant in zip(stored, given, strict=True):
        assert found == pytest.approx(meant, rel=5e-9)


def keys(model: type[BaseModel], prefix=""):
    for name, field in model.model_fields.items():
        yield prefix + name
        kinds = [field.annotation, *getattr(field.annotation, "__args__", ())]
        for kind in kinds:
            if isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from keys(kind, f"{prefix}{name}.")


def test_every_key_shows_in_the_file():
    """A key without a value stands there as a comment, so that nobody must look it up."""
    text = rig_file.as_text(Rig(name="x", simulated=SimulatedSettings(seed=None)))
    for key in keys(Rig):
        if not key.startswith(("calibration", "polarity")):  # measured, not written by hand
            assert key.rsplit(".", 1)[-1] in text, key
    uncommented = text.replace("# series_resistor_ohm", "series_resistor_ohm").replace(
        "# device", "device"
    )
    parsed = tomllib.loads(uncommented.replace("# input_resistance_ohm", "input_resistance_ohm"))
    assert parsed["wiring"]["input_resistance_ohm"] == 22000.0


def test_cautions_stand_in_the_file():
    text = rig_file.as_text(RIG)
    assert "bridged" in text.split("amplifier =")[0]
    assert "tweeters" in text.split("level =")[0]


def test_nothing_is_overwritten_unasked(tmp_path):
    path = tmp_path / "r.toml"
    path.write_text("mine")
    with pytest.raises(UsageError, match="not overwritten"):
        rig_file.write_new(path, RIG)
    assert path.read_text() == "mine"
    rig_file.write_new(path, RIG, overwrite=True)
    assert rig_file.read(path) == RIG


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_updates_keep_what_people_wrote(tmp_path, newline):
    path = tmp_path / "r.toml"
    mine = '# my bench\nname = "x"   # in the attic\n\n[wiring]\n# measured on Sunday\n'
    mine += "series_resistor_ohm = 10\n[drive]\nlevel = 0.5 # loud\n"
    path.write_text(mine.replace("\n", newline), newline="")
    rig = rig_file.read(path)
    rig = rig_file.store_calibration(path, rig, CALIBRATION)
    changed = rig.model_copy(update={"drive": rig.drive.model_copy(update={"level": 0.2})})
    rig_file.update(path, changed)
    text = path.read_bytes().decode()
    for kept in ("# my bench", "# in the attic", "# measured on Sunday", "level = 0.2 # loud"):
        assert kept in text
    assert text.startswith(mine.replace("\n", newline).split("level")[0])
    back = rig_file.read(path)
    assert back.drive.level == 0.2
    assert len(back.calibration.standards[0].points) == 3
    assert text.index("[calibration]") > text.index("[drive]")


def test_calibrating_again_replaces_and_does_not_grow(tmp_path):
    path = tmp_path / "r.toml"
    rig_file.write_new(path, RIG)
    rig = rig_file.store_calibration(path, RIG, CALIBRATION)
    once = path.read_text()
    later = CALIBRATION.standards[0].model_copy(update={"taken_at": "2026-03-02T10:00:00+01:00"})
    other = Calibration(standards=(later,))
    rig = rig_file.store_calibration(path, rig, other)
    rig_file.store_calibration(path, rig, CALIBRATION)
    assert path.read_text() == once
    rig_file.update(path, RIG)
    assert rig_file.read(path) == RIG


def test_an_update_goes_through_a_link(tmp_path):
    rig_file.write_new(tmp_path / "r.toml", RIG)
    (tmp_path / "link.toml").symlink_to(tmp_path / "r.toml")
    rig_file.store_calibration(tmp_path / "link.toml", RIG, CALIBRATION)
    assert (tmp_path / "link.toml").is_symlink()
    assert rig_file.read(tmp_path / "r.toml").calibration is not None


def test_values_can_be_removed_and_added(tmp_path):
    path = tmp_path / "r.toml"
    path.write_text('name = "x"\n')
    for rig in (RIG, FULL, Rig(name="x")):
        rig_file.update(path, rig)
        back = rig_file.read(path)
        assert back.wiring == rig.wiring
        assert back.card == rig.card
        assert back.simulated == rig.simulated


@pytest.mark.parametrize(
    "content",
    [
        "wiring.series_resistor_ohm = 10.0\ndrive.level = 0.1 # mine\n",
        "wiring = {series_resistor_ohm = 10.0} # mine\ndrive = {level = 0.1}\n",
        "[drive]\nlevel = 0.1\n[wiring] # mine\nseries_resistor_ohm = 10",
        "[drive]\n[calibration]\ntaken_at = 't'\nsample_rate_hz = 8000\ndevice = 'd'\nsource_input"
        " = 1\ndriver_input = 2\npoints = [[1, 1, 0, 0],\n [2, 1, 0, 0]]\n[card] # mine\n",
    ],
)
def test_updates_respect_every_way_to_write_tables(tmp_path, content):
    path = tmp_path / "r.toml"
    path.write_text("name = 'x'\n" + content)
    before = rig_file.read(path)
    changes = FULL.model_dump(exclude={"name", "format", "calibration"})
    after = Rig.model_validate({"name": "x", "mains_hz": 60, **changes})
    after = after.model_copy(update={"mains_hz": 60, "calibration": CALIBRATION})
    rig_file.update(path, after)
    back = rig_file.read(path)
    assert len(back.calibration.standards[0].points) == 3
    same = {"calibration": None}
    assert back.model_copy(update=same) == after.model_copy(update=same)
    assert "# mine" in path.read_text()
    rig_file.update(path, before)
    assert rig_file.read(path) == before


def unreadable(path):
    with pytest.raises(UnreadableInput) as caught:
        rig_file.read(path)
    assert str(path) in caught.value.where
    assert caught.value.remedy
    return str(caught.value)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ('name = "x"\n[wiring\n', "line 2, column"),
        ('name = "x"\nname = "y"\n', "line 2"),
        ("name = x\n", "line 1, column 8"),
        ("", "name is missing"),
        ('name = ""\n', "name = ''"),
        ('format = "freeair-rig/2"\nname = "x"\nfuture = 1\n', "newer freeair"),
        ('format = "other/1"\nname = "x"\n', "format = 'other/1'"),
        ('name = "x"\nmains_hz = 55\n', "mains_hz = 55"),
        ('name = "x"\n[wirring]\n', "did you mean wiring?"),
        ('name = "x"\nwiring = 3\n', "wiring"),
        ('name = "x"\n[wiring]\nseries_resistr_ohm = 10\n', "did you mean series_resistor_ohm?"),
        ('name = "x"\n[wiring]\nseries_resistor_ohm = "10ohm"\n', "without quotes"),
        ('name = "x"\n[wiring]\nseries_resistor_ohm = "10"\n', "without quotes"),
        ('name = "x"\n[wiring]\nseries_resistor_ohm = true\n', "series_resistor_ohm = True"),
        ('name = "x"\n[wiring]\nseries_resistor_ohm = 0\n', "series_resistor_ohm = 0"),
        ('name = "x"\n[wiring]\nseries_resistor_ohm = -10\n', "series_resistor_ohm = -10"),
        ('name = "x"\n[wiring]\nseries_resistor_ohm = nan\n', "finite"),
        ('name = "x"\n[wiring]\nseries_resistor_ohm = inf\n', "finite"),
        ('name = "x"\n[wiring]\nseries_resistor_ohm = 10,0\n', "line 3"),
        ('name = "x"\n[wiring]\ntolerance_percent = 90\n', "tolerance_percent = 90"),
        ('name = "x"\n[wiring]\nresistor_side = "top"\n', '"hot" or "ground"'),
        ('name = "x"\n[wiring]\nsource_input = 2\n', "two different inputs"),
        ('name = "x"\n[wiring]\nsource_input = 0\n', "source_input = 0"),
        ('name = "x"\n[wiring]\namplifier = "big"\n', "amplifier = 'big'"),
        ('name = "x"\n[card]\nsample_rate_hz = 48\n', "sample_rate_hz = 48"),
        ('name = "x"\n[card]\nsample_rate_hz = 48000.5\n', "sample_rate_hz = 48000.5"),
        ('name = "x"\n[drive]\nlevel = 2\n', "drive.level = 2"),
        ('name = "x"\n[drive]\nwoofer = "yes"\n', "drive.woofer = 'yes'"),
        ('name = "x"\n[drive]\nstart_hz = 100\nstop_hz = 50\n', "start_hz must be below"),
        ('name = "x"\n[simulated]\nbits = 4\n', "simulated.bits = 4"),
        ('name = "x"\n[simulated]\nfs_hz = inf\n', "simulated.fs_hz = inf"),
        (
            'name = "x"\n[calibration]\ntaken_at = "t"\nsample_rate_hz = 48000\ndevice = "d"\n'
            "source_input = 1\ndriver_input = 2\npoints = [[20, 1, 0, 0], [10, 1, 0, 0]]\n",
            "must be positive and increase",
        ),
        ("a = " + "[" * 5000, "no valid TOML"),
        ("a = 1" + "0" * 5000, "no valid TOML"),
    ],
)
def test_wrong_files_name_key_and_value(tmp_path, content, said):
    (tmp_path / "r.toml").write_text(content)
    assert said in unreadable(tmp_path / "r.toml")


def test_all_faults_are_told_at_once(tmp_path):
    (tmp_path / "r.toml").write_text(
        "mains_hz = 5\n[drive]\nlevel = 7\nrepeat = 3\n[card]\nx = 1\n"
    )
    said = unreadable(tmp_path / "r.toml")
    for part in ("name is missing", "mains_hz = 5", "drive.level = 7", "repeats?", "card.x"):
        assert part in said


def test_files_that_are_no_rig(tmp_path):
    assert "does not exist" in unreadable(tmp_path / "none.toml")
    assert "folder" in unreadable(tmp_path)
    (tmp_path / "r.toml").write_bytes(b"name = '\xff'")
    assert "UTF-8" in unreadable(tmp_path / "r.toml")
    (tmp_path / "bom.toml").write_bytes(b'\xef\xbb\xbfname = "x"\n')
    assert rig_file.read(tmp_path / "bom.toml").name == "x"


def test_a_missing_resistor_is_legal(tmp_path):
    (tmp_path / "r.toml").write_text('name = "x"\n')
    assert rig_file.read(tmp_path / "r.toml").wiring.series_resistor_ohm is None


def test_an_unquoted_time_is_understood(tmp_path):
    text = rig_file.as_text(FULL).replace(f'"{WHEN}"', WHEN)
    (tmp_path / "r.toml").write_text(text)
    assert rig_file.read(tmp_path / "r.toml").calibration.standards[0].taken_at == WHEN


def test_names_of_new_rigs_differ():
    names = {rig_file.unique_name("Attic bench") for _ in range(20)}
    assert len(names) > 15  # two random bytes: twenty names collide once in 350 runs
    assert all(name.startswith("attic-bench-") for name in names)
    assert rig_file.unique_name("木").startswith("rig-")


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_only_our_errors_escape(tmp_path_factory, data):
    text = rig_file.as_text(FULL)
    pieces = ["", "=", '"', "[", "]", "nan", "inf", "-1", "true", "1e999", "2026-01-01", "\n", "\0"]
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text) - 1))
        end = at + data.draw(st.integers(0, 12))
        text = text[:at] + data.draw(st.sampled_from(pieces)) + text[end:]
    path = tmp_path_factory.getbasetemp() / "fuzz.toml"
    path.write_text(text)
    try:
        rig = rig_file.read(path)
        rig_file.update(path, rig.model_copy(update={"calibration": CALIBRATION}))
    except FreeairError:
        return
    assert rig_file.read(path).drive == rig.drive

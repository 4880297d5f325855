"""A table of wrong things that a user can type or feed: each is told what, where, what to do.

Every row names the command, the exit status (2: usage or unreadable; 1: the data or the bench
cannot support a result) and pieces that the message must hold. Nothing may print a traceback,
write a file, or change one.
"""

# ruff: noqa: E501 - a row of the table stays on one line
from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from invoked import Invoke
from made_fits import Physical, fit_of

from cli.main import run
from cli.series import limits_file
from fit.series.limits import derive
from meas.bench import rig_file
from meas.bench.simulated_settings import SimulatedSettings

RATE = 48000


def sweep(seconds: float = 2.0) -> np.ndarray:
    """A sweep on both channels, the second smaller: enough for a file to be well formed."""
    time = np.arange(round(seconds * RATE)) / RATE
    wave = 0.4 * np.sin(2 * np.pi * 30 * time * np.exp(time))
    return np.stack([wave, 0.5 * wave], axis=1).astype(np.float32)


def table(*rows: str) -> str:
    return "\n".join(rows) + "\n"


HEAD = "frequency_hz,resistance_ohm,reactance_ohm"


def _tables(folder: Path) -> None:
    frequency = np.geomspace(10, 20000, 200)
    s = 2j * np.pi * frequency
    # Re 6, a resonance at 50 Hz with Qms 4 and Res 40 ohm, 0.3 mH.
    detuning = frequency / 50 - 50 / frequency
    z = 6 + s * 0.3e-3 + 40 / (1 + 4j * detuning)
    rows = [f"{f!r},{v.real!r},{v.imag!r}" for f, v in zip(frequency.tolist(), z, strict=True)]
    files = {
        "good.csv": table(HEAD, *(row.replace("np.float64(", "").replace(")", "") for row in rows)),
        "resistor.csv": table(HEAD, *(f"{f!r},8.2,0.001" for f in frequency.tolist())),
        "empty.csv": "",
        "header-only.csv": table(HEAD),
        "nan.csv": table(HEAD, "10,6,1", "20,nan,1"),
        "infinite.csv": table(HEAD, "10,6,1", "20,6,inf"),
        "negative.csv": table(HEAD, "-10,6,1", "20,6,1"),
        "zero.csv": table(HEAD, "0,6,1", "20,6,1"),
        "old.html": "an earlier report",
        "double.csv": table(HEAD, "10,6,1", "10,6,1"),
        "word.csv": table(HEAD, "10,six,1"),
        "comma.csv": table(HEAD, '10,"6,1",1'),
        "no-reactance.csv": table("frequency_hz,resistance_ohm", "10,6"),
        "other-names.csv": table("freq,re,im", "10,6,1"),
        "bad-uncertainty.csv": table(HEAD + ",standard_uncertainty_ohm", "10,6,1,0"),
        "more-cells.csv": table(HEAD, "10,6,1,9"),
        "few.csv": table(HEAD, "10,6,1", "100,7,1"),
    }
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n\0\0\0")


def _recordings(folder: Path) -> None:
    good = sweep()
    soundfile.write(folder / "mono.wav", good[:, 0], RATE)
    soundfile.write(folder / "short.wav", good[:100], RATE)
    broken = good.copy()
    broken[500, 1] = np.nan
    soundfile.write(folder / "nan.wav", broken, RATE, subtype="FLOAT")
    soundfile.write(folder / "silent.wav", np.zeros_like(good), RATE)
    soundfile.write(folder / "same.wav", good[:, [0, 0]], RATE, subtype="FLOAT")
    soundfile.write(folder / "slow.wav", good, 4000)
    (folder / "text.wav").write_text("this is no sound")
    (folder / "empty.wav").write_bytes(b"")


def _rigs(folder: Path) -> None:
    (folder / "broken.toml").write_text("format = \n")
    (folder / "typo.toml").write_text(
        'format = "freeair-rig/1"\nname = "x"\n[wiring]\nseries_resistr_ohm = 10.0\n'
    )
    (folder / "negative.toml").write_text(
        'format = "freeair-rig/1"\nname = "x"\n[wiring]\nseries_resistor_ohm = -10.0\n'
    )
    (folder / "future.toml").write_text('format = "freeair-rig/9"\nname = "x"\n')
    (folder / "nowhere.toml").write_text(
        'format = "freeair-rig/1"\nname = "x"\n[wiring]\nseries_resistor_ohm = 10.0\n'
        '[card]\ndevice = "a card that is not there"\n'
    )
    (folder / "bad-targets.toml").write_text(
        'format = "freeair-targets/1"\n[targets]\nfs = "48Hz"\n'
    )
    (folder / "odd-targets.toml").write_text(
        'format = "freeair-targets/1"\n[targets]\nfz = "48Hz ± 5%"\n'
    )


def _write_rig_of_unknown_resistor(folder: Path) -> None:
    known = rig_file.read(folder / "bench.toml")
    wiring = known.wiring.model_copy(update={"series_resistor_ohm": None})
    simulated = SimulatedSettings(series_resistor_ohm=10.0)
    unknown = known.model_copy(update={"wiring": wiring, "simulated": simulated})
    rig_file.write_new(folder / "unknown.toml", unknown)


@pytest.fixture(scope="session")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with good and bad files of every kind; made once, never changed."""
    folder = tmp_path_factory.mktemp("bad-input")
    _tables(folder)
    _recordings(folder)
    _rigs(folder)
    rig = str(folder / "bench.toml")
    words = ["--device", "simulated", "--woofer", "--sweep-seconds", "1"]
    assert run(["rig", "new", rig, "--series-resistor", "10ohm", *words]) == 0
    amplified = [*words, "--amplifier", "bridged"]
    file = str(folder / "bridged.toml")
    assert run(["rig", "new", file, "--series-resistor", "10ohm", *amplified]) == 0
    out = ["--rig", rig, "--out"]
    assert run(["take", "lark", *out, str(folder / "free")]) == 0
    assert run(["take", "lark", *out, str(folder / "mass"), "--added-mass", "7.5g"]) == 0
    assert run(["take", "wren", *out, str(folder / "wren")]) == 0
    assert run(["take", "coil", *out, str(folder / "part"), "--kind", "part"]) == 0
    _write_rig_of_unknown_resistor(folder)
    refused = ["--rig", str(folder / "unknown.toml"), "--out", str(folder / "refused")]
    assert run(["take", "lark", *refused]) == 1
    for kind in ("free", "mass", "wren", "part", "refused"):
        made = next((folder / kind).iterdir())
        made.rename(folder / f"take-{kind}")
    assert run(["fit", str(folder / "take-free"), "--save", str(folder / "fit.json")]) == 0
    shutil.copytree(folder / "take-free", folder / "take-without-record")
    (folder / "take-without-record" / "take.json").unlink()
    shutil.copytree(folder / "take-free", folder / "take-damaged")
    (folder / "take-damaged" / "take.json").write_text("{")
    (folder / "other.json").write_text('{"format": "something"}')
    (folder / "text.json").write_text("no json")
    (folder / "refusal.json").write_text('{"refused": true, "reasons": []}')
    limits_file.write(
        folder / "series.toml",
        derive([(str(i), fit_of(Physical().but(Bl=1 + 0.01 * i, Cms=1 - 0.02 * i)))
                for i in range(5)]),
    )  # fmt: skip
    saved = json.loads((folder / "fit.json").read_text())
    saved["format"] = "freeair-fit/7"
    (folder / "newer.json").write_text(json.dumps(saved))
    return folder


@pytest.fixture
def here(bench: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The bench as the working folder; fails when a command added or changed a file."""
    monkeypatch.chdir(bench)
    before = _state(bench)
    yield bench
    assert _state(bench) == before


def _state(folder: Path) -> dict[str, tuple[int, int]]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return {str(path): (path.stat().st_size, path.stat().st_mtime_ns) for path in files}


# command | status | pieces of the message: what, where, what to do
ROWS = """
frobnicate                                             | 2 | frobnicate; freeair --help
fit                                                    | 2 | FREE; freeair fit --help
fit good.csv --frob                                    | 2 | --frob; freeair fit --help
fit gone.csv                                           | 2 | gone.csv; does not exist; Check the name
fit .                                                  | 2 | a folder with takes in it; such as 'take-
fit mono.wav                                           | 2 | is a recording; freeair import mono.wav --rig FILE
fit good.csv --tabel-tolerance 1%                      | 2 | Did you mean --table-tolerance
fit empty.csv                                          | 2 | empty.csv; is empty; header
fit header-only.csv                                    | 2 | header-only.csv; no rows; impedance table
fit nan.csv                                            | 2 | nan.csv, line 3, column resistance_ohm; 'nan' is no number
fit infinite.csv                                       | 2 | line 3, column reactance_ohm; 'inf' is no number
fit negative.csv                                       | 2 | line 2, column frequency_hz; not greater than zero
fit zero.csv                                           | 2 | line 2, column frequency_hz; not greater than zero
fit double.csv                                         | 2 | line 3, column frequency_hz; stands in line 2 already; one row for each
fit word.csv                                           | 2 | line 2, column resistance_ohm; 'six' is no number
fit comma.csv                                          | 2 | line 2, column resistance_ohm; decimal comma; decimal points
fit no-reactance.csv                                   | 2 | no column reactance_ohm; The first row names the columns
fit other-names.csv                                    | 2 | no column frequency_hz; The first row names the columns
fit bad-uncertainty.csv                                | 2 | column standard_uncertainty_ohm; not greater than zero
fit more-cells.csv                                     | 2 | line 2; more cells than the header
fit picture.csv                                        | 2 | picture.csv; no text file
fit few.csv                                            | 1 | few; no-resonance; an octave beyond
fit resistor.csv                                       | 1 | no-resonance
fit good.csv good.csv                                  | 2 | good.csv; given twice; once
fit good.csv=7.5g                                      | 2 | good.csv=7.5g; --added-mass FILE=M
fit good.csv --added-mass few.csv                      | 2 | --added-mass; FILE=VALUE; equals sign
fit good.csv --added-mass =7g                          | 2 | --added-mass; FILE=VALUE
fit good.csv --added-mass few.csv=7.5                  | 2 | 7.5; has no unit; 7.5g
fit good.csv --added-mass few.csv=7,5g                 | 2 | comma; decimal point; Write 7.5g if that is meant
fit good.csv --added-mass few.csv=7.5L                 | 2 | 'L'; no unit of mass; volume
fit good.csv --added-mass few.csv=-3g                  | 2 | -3g; mass
fit good.csv --added-mass few.csv=3g±0g                | 2 | limits of zero
fit good.csv --test-box few.csv=6.8g                   | 2 | 'g'; no unit of volume
fit good.csv --test-box few.csv=0L                     | 2 | 0L; volume
fit good.csv --added-mass gone.csv=7.5g                | 2 | gone.csv; does not exist
fit good.csv --diameter 118                            | 2 | --diameter; has no unit; 118mm
fit good.csv --diameter 4in                            | 2 | --diameter; 'in'; metric
fit good.csv --diameter 118m                           | 2 | --diameter; 118m; 5 mm to 1 m
fit good.csv --diameter 118mm --area 109cm2            | 2 | --diameter and --area; one of them
fit good.csv --area 109cm                              | 2 | --area; 'cm'; cm2
fit good.csv --measured-re 6                           | 2 | --measured-re; has no unit; ohm
fit good.csv --measured-re six                         | 2 | --measured-re; 'six'; ohm
fit good.csv --moving-parts 9.3                        | 2 | --moving-parts; has no unit
fit good.csv --moving-parts 9.3g --area 113cm2 --mounting wall | 2 | --mounting; no mounting 'wall'; baffle
fit good.csv --mounting baffle                         | 2 | --mounting; --moving-parts
fit good.csv --air-temperature 70F                     | 2 | --air-temperature; metric
fit good.csv --air-temperature 21                      | 2 | --air-temperature; has no unit; 21C
fit good.csv --air-pressure 1013                       | 2 | --air-pressure; has no unit; hPa
fit good.csv --air-pressure 1013kPa                    | 2 | --air-pressure; 500 hPa to 1100 hPa
fit good.csv --relative-humidity 0.5                   | 2 | --relative-humidity; 50%
fit good.csv --model fancy                             | 2 | fancy; --model; auto
fit good.csv --targets gone.toml                       | 2 | gone.toml
fit good.csv --targets bad-targets.toml                | 2 | bad-targets.toml; fs; no limits; ± 10%
fit good.csv --targets odd-targets.toml                | 2 | odd-targets.toml; fz; fs
fit good.csv --judge-by-status                         | 2 | --judge-by-status; --targets
fit good.csv --report fit.json                         | 2 | fit.json; no kind of report; .html; .pdf
fit good.csv --report old.html                         | 2 | old.html; exists already; another name
fit good.csv --save fit.json                           | 2 | fit.json; exists already; another name
fit take-refused                                       | 1 | take-refused; unknown-resistor; refused when it was made
fit take-mass                                          | 1 | no-free-air
fit take-part                                          | 2 | take-part; passive part; --kind driver
fit take-free take-wren                                | 2 | different units; lark; wren; freeair compare
fit take-free --unit wren                              | 2 | different units; lark; wren
fit take-free --added-mass take-mass=8g                | 2 | take-mass; added mass 7.5g; 8g; Leave out the option
fit take-free --test-box take-mass=7.5L                | 2 | take-mass; added mass 7.5g; test box
fit take-mass --added-mass take-free=7.5g              | 2 | take-free; free air; added mass
fit take-without-record                                | 2 | no take.json
fit take-damaged                                       | 2 | take.json; no JSON
compare fit.json                                       | 2 | AFTER; freeair compare --help
compare fit.json ./fit.json                            | 2 | given twice, as fit.json; once
compare gone.json fit.json                             | 2 | gone.json; does not exist
compare text.json fit.json                             | 2 | text.json; no JSON; freeair fit --json
compare other.json fit.json                            | 2 | other.json; format; freeair fit --json
compare newer.json fit.json                            | 2 | newer.json; newer freeair; Update
compare refusal.json fit.json                          | 2 | refusal.json; refusal; measure again
compare fit.json take-refused                          | 1 | take-refused; unknown-resistor
compare fit.json fit.json --margin big                 | 2 | --margin; big
compare fit.json fit.json --margin 0%                  | 2 | --margin; 5%
compare fit.json take-free --report fit.json           | 2 | fit.json; no kind of report; .png; .md
compare fit.json take-free --report old.html           | 2 | old.html; exists already
compare fit.json fit.json --hours 0                    | 2 | --hours; 0,2,8,24
compare fit.json fit.json --hours 5,2                  | 2 | --hours; increasing
compare fit.json fit.json --hours 0,soon               | 2 | --hours; soon
series                                                 | 2 | limits; judge
series limits --save new.toml                          | 2 | UNIT; freeair series limits --help
series limits fit.json                                 | 2 | --save; freeair series limits --help
series limits fit.json --save bench.toml               | 2 | bench.toml; exists already
series limits fit.json --save new.toml                 | 1 | too-few-units; 99 % of good units; 5 are needed
series limits fit.json fit.json --save new.toml        | 2 | lark; more than once; once
series limits fit.json --save new.toml --coverage 20%  | 2 | --coverage; 50% to 99.99%
series limits fit.json --save new.toml --confidence sure | 2 | --confidence; sure
series limits good.csv --save new.toml --model fancy   | 2 | fancy; --model
series limits gone.json --save new.toml                | 2 | gone.json; does not exist
series limits take-refused --save new.toml             | 1 | take-refused; unknown-resistor
series limits resistor.csv --save new.toml             | 1 | resistor; no-resonance
series limits fit.json --save new.toml --table-tolerance 1% | 2 | --table-tolerance; no table; Leave
series judge fit.json                                  | 2 | --limits
series judge fit.json --limits gone.toml               | 2 | gone.toml; exist
series judge fit.json --limits bench.toml              | 2 | is no limits file; a rig by its format; freeair series limits
series judge fit.json --limits broken.toml             | 2 | broken.toml; line 1
series judge fit.json --limits bad-targets.toml        | 2 | bad-targets.toml; limits file; freeair series limits
series judge fit.json --limits series.toml             | 1 | mixed-models; --model plain
series judge fit.json good.csv --limits series.toml    | 2 | saved fit; one unit
series judge take-free take-wren --limits series.toml  | 2 | different units; lark; wren
series judge take-refused --limits series.toml         | 1 | take-refused; unknown-resistor
series judge gone.csv --limits series.toml             | 2 | gone.csv; does not exist
series judge fit.json --limits series.toml --picture x.gif | 2 | x.gif; .png or .svg
series summary fit.json                                | 1 | too-few-units; 3
series summary fit.json --limits gone.toml             | 2 | gone.toml
series pairs fit.json                                  | 1 | too-few-units; freeair compare
series pairs fit.json take-wren good.csv               | 1 | no-sensitivity; wren; diameter
box fit.json --tuning 40Hz                             | 2 | no option --tuning; Did you mean --fb
box .                                                  | 2 | is a folder; Name the file in it
box take-free                                          | 2 | a take; saved fit
export fit.json --spice                                | 2 | --spice wants a value; freeair export --help
export fit.json                                        | 2 | no format; --csv FILE
export fit.json --csv good.csv                         | 2 | good.csv; exists already
export gone --csv new.csv                              | 2 | gone; does not exist
export take-refused --csv new.csv                      | 1 | take-refused; unknown-resistor; capture.wav
targets new bench.toml                                 | 2 | bench.toml; exists already
targets new no/such/folder/x.toml                      | 2 | x.toml; folder does not exist
rig new . --series-resistor 10ohm                      | 2 | is a folder; Name a file
rig level bench.toml --set 2                           | 2 | --set takes no value, '2'
rig calibrat bench.toml                                | 2 | no command 'calibrat'; freeair rig calibrate
polarity bench.toml                                    | 2 | reference, press, cell
rig check fit.json --resistor 8.2ohm                   | 2 | is no rig file but a document (JSON)
watch                                                  | 2 | --rig FILE is missing; freeair watch --rig bench.toml
rig new bench.toml --series-resistor 10ohm             | 2 | bench.toml; exists already
rig new new.toml                                       | 2 | --series-resistor; freeair rig new --help
rig new new.toml --series-resistor 10                  | 2 | --series-resistor; has no unit; 10ohm
rig new new.toml --series-resistor 10uF                | 2 | --series-resistor; capacitance
rig new new.toml --series-resistor 4,7ohm              | 2 | --series-resistor; comma
rig new new.toml --series-resistor 10ohm --tolerance 1ohm | 2 | --tolerance; percentage
rig new new.toml --series-resistor 10ohm --tolerance 80% | 2 | --tolerance; 50
rig new new.toml --series-resistor 10ohm --resistor-side cold | 2 | --resistor-side; cold; hot
rig new new.toml --series-resistor 10ohm --amplifier tube | 2 | --amplifier; tube; bridged
rig new new.toml --series-resistor 10ohm --source-input 2 | 2 | both be input 2; two different inputs
rig new new.toml --series-resistor 10ohm --source-input 0 | 2 | --source-input; 0
rig new new.toml --series-resistor 10ohm --source-input left | 2 | --source-input; valid integer; freeair rig new --help
rig new new.toml --series-resistor 10ohm --sample-rate 48 | 2 | --sample-rate; 48; kHz
rig new new.toml --series-resistor 10ohm --level 2     | 2 | --level; 2
rig new new.toml --series-resistor 10ohm --mains 400   | 2 | --mains; 400; 50
rig new new.toml --series-resistor 10ohm --sweep-seconds 0 | 2 | --sweep-seconds; 0.5
rig wiring gone.toml                                   | 2 | gone.toml
rig wiring broken.toml                                 | 2 | broken.toml; line 1
rig wiring typo.toml                                   | 2 | typo.toml; series_resistr_ohm; did you mean series_resistor_ohm
rig wiring negative.toml                               | 2 | negative.toml; wiring.series_resistor_ohm; -10
rig wiring future.toml                                 | 2 | future.toml; newer
rig wiring good.csv                                    | 2 | good.csv
rig calibrate bench.toml                               | 2 | Both inputs on the source node; --yes
rig calibrate bench.toml --standard moon --yes         | 2 | moon; --standard; same-node
rig check bench.toml                                   | 2 | --resistor
rig check bench.toml --resistor 8.2                    | 2 | --resistor; has no unit
rig level gone.toml                                    | 2 | gone.toml
take                                                   | 2 | UNIT
take lark                                              | 2 | --rig
take lark --rig gone.toml                              | 2 | gone.toml
take lark --rig bench.toml --added-mass 7.5            | 2 | --added-mass; has no unit
take lark --rig bench.toml --test-box 6.8kg            | 2 | --test-box; 'kg'
take lark --rig bench.toml --added-mass 7g --test-box 6L | 2 | at once; one take with the mass
take lark --rig bench.toml --kind speaker              | 2 | --kind; speaker; driver part system
take coil --rig bench.toml --kind part --added-mass 7g | 2 | --kind part; leave one of the two out
take lark --rig bench.toml --out good.csv              | 2 | good.csv; another place
take lark --rig bridged.toml                           | 2 | Bridged amplifier; --yes
take lark --rig nowhere.toml                           | 1 | device
import                                                 | 2 | CAPTURE
import gone.wav --rig bench.toml --unit lark           | 2 | gone.wav; does not exist
import mono.wav --rig bench.toml                       | 2 | --unit
import mono.wav --rig bench.toml --unit lark           | 2 | mono.wav; one channel; recorded together
import text.wav --rig bench.toml --unit lark           | 2 | text.wav; neither a WAV nor a FLAC; Give an uncompressed
import empty.wav --rig bench.toml --unit lark          | 2 | empty.wav; is empty
import nan.wav --rig bench.toml --unit lark            | 2 | nan.wav
import slow.wav --rig bench.toml --unit lark           | 2 | slow.wav; 4000 Hz
import good.csv --rig bench.toml --unit lark           | 2 | good.csv; neither a WAV nor a FLAC; Give an uncompressed
import silent.wav --rig bench.toml --unit lark --calibration gone.wav | 2 | gone.wav; does not exist
import same.wav --rig bench.toml --unit lark --calibration silent.wav | 1 | silent.wav; silent-input
"""


def _rows() -> list[object]:
    rows = []
    for line in ROWS.strip().splitlines():
        command, status, pieces = (cell.strip() for cell in line.split(" | "))
        wanted = [piece.strip() for piece in pieces.split(";")]
        rows.append(pytest.param(command.split(), int(status), wanted, id=command))
    return rows


def test_the_table_is_long_enough() -> None:
    assert len(_rows()) >= 60


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize(("words", "status", "pieces"), _rows())
def test_wrong_input(
    words: list[str], status: int, pieces: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    ran = Invoke(capsys)(*words)
    assert ran.status == status, ran.told
    assert "Traceback" not in ran.told
    assert "Sorry" not in ran.told
    said = " ".join(ran.stderr.split())
    missing = [piece for piece in pieces if piece not in said]
    assert not missing, f"{missing} not in: {said}"
    assert "freeair-" not in ran.stdout  # nothing on standard output that looks like a result


REFUSALS_WITH_JSON = [
    ("fit gone.csv --json", 2, "usage"),
    ("fit --json", 2, "usage"),
    ("fit good.csv --no-such-option --json", 2, "usage"),
    ("fit resistor.csv --json", 1, "no-resonance"),
    ("fit take-refused --json", 1, "unknown-resistor"),
    ("compare fit.json take-refused --json", 1, "unknown-resistor"),
    ("compare gone.json fit.json --json", 2, "usage"),
    ("take lark --rig gone.toml --json", 2, "usage"),
    ("import gone.wav --rig bench.toml --unit x --json", 2, "usage"),
]


@pytest.mark.usefixtures("here")
@pytest.mark.parametrize(("command", "status", "code"), REFUSALS_WITH_JSON)
def test_refusal_is_one_json_object(
    command: str, status: int, code: str, capsys: pytest.CaptureFixture[str]
) -> None:
    ran = Invoke(capsys)(*command.split())
    assert ran.status == status
    document = json.loads(ran.stdout)
    assert document["refused"] is True
    assert [reason["code"] for reason in document["reasons"]] == [code]
    assert all(reason["text"] for reason in document["reasons"])
    assert ran.stderr, "the reason stands on standard error as well"


@pytest.mark.parametrize("name", ["silent.wav", "same.wav"])
def test_refused_recording_is_kept(
    name: str, bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Status 1, the reason named, the path last, the samples stored as they were."""
    ran = Invoke(capsys)(
        "import", bench / name, "--rig", bench / "bench.toml", "--unit", "lark", "--out", tmp_path
    )
    assert ran.status == 1, ran.told
    take = Path(ran.stdout.splitlines()[-1])
    assert json.loads((take / "take.json").read_text())["refused"] is True
    kept, rate = soundfile.read(take / "capture.wav", dtype="float32")
    given, given_rate = soundfile.read(bench / name, dtype="float32")
    assert rate == given_rate
    np.testing.assert_array_equal(kept, given)
    assert not (take / "impedance.csv").exists()


@pytest.mark.parametrize(
    ("number", "piece"), [(errno.EACCES, "may not write there"), (errno.ENOSPC, "disk is full")]
)
def test_folder_that_takes_nothing(
    number: int,
    piece: str,
    bench: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What the system answers in a read-only folder or on a full disk; root is never denied."""
    real = os.mkdir

    def denied(path: str, *more: object, **named: object) -> None:
        if str(path).startswith(str(tmp_path)):
            raise OSError(number, os.strerror(number))
        real(path, *more, **named)  # type: ignore[arg-type]  # passed through as it came

    monkeypatch.setattr(os, "mkdir", denied)
    ran = Invoke(capsys)("take", "lark", "--rig", bench / "bench.toml", "--out", tmp_path / "new")
    assert ran.status == 2
    assert piece in ran.told
    assert str(tmp_path) in ran.told.replace(" ", "")


def test_defect_of_ours_is_owned_up_to(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """No traceback even then: an apology, the version, and where the details are."""
    import meas.tables.csv_table

    def fails(path: Path) -> None:
        raise ZeroDivisionError("made to fail")

    monkeypatch.setattr(meas.tables.csv_table, "read", fails)
    ran = Invoke(capsys)("fit", bench / "good.csv")
    assert ran.status == 1
    assert "Traceback" not in ran.told
    assert "made to fail" in ran.told
    log = next(word for word in ran.told.split() if word.endswith(".log;")).rstrip(";")
    assert "ZeroDivisionError: made to fail" in Path(log).read_text(encoding="utf-8")
    Path(log).unlink()


def test_interruption(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import meas.tables.csv_table

    def stopped(path: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(meas.tables.csv_table, "read", stopped)
    ran = Invoke(capsys)("fit", bench / "good.csv")
    assert ran.status == 130
    assert "Interrupted" in ran.stderr

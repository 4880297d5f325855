"""Coverage-guided fuzzing of every reader with atheris (libFuzzer), for Linux.

    python tests/support/running/fuzz_readers.py READER [libFuzzer's options]
    python tests/support/running/fuzz_readers.py table -max_total_time=60
    python tests/support/running/fuzz_readers.py --list

From the repository's root, in the environment of the tests. A run starts from files made here in
code, mutates them, keeps what reaches new code, and stops at the first input on which a reader
raises anything but our own errors, warns, takes more than 20 s or more than 2 GB. The input is
then written to crash-* in the working folder; give it as last argument to see the fault again.
`tests/hostile/fuzz/test_fuzz_coverage_guided.py` gives every reader a fixed number of inputs and a
fixed seed.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import tempfile
import warnings
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from zlib import crc32

ROOT = Path(__file__).resolve().parents[3]
FORMATS = ROOT / "fixtures" / "formats"
READERS = (
    "wav", "flac", "table", "touchstone", "rig", "targets", "stock", "network", "take", "fit",
    "part", "plan", "guide", "limits", "ledger", "mark",
)  # fmt: skip


def seeds(name: str) -> list[bytes]:
    """Whole files of a kind to start from."""
    if name in ("wav", "flac"):
        return _recordings(name)
    if name == "table":
        return _TABLES
    if name == "touchstone":
        return _TOUCHSTONE
    if name == "take":
        return [_short_take(kind) for kind in ("take-free-air", "take-refused")]
    if name == "fit":
        return [_short_fit()]
    if name == "ledger":
        return _LEDGER
    if name == "mark":
        return [b'{"format": "freeair-refit-folder/1"}']
    file = {"rig": "rig-first-calibration.toml", "plan": "box.json", "guide": "guide.json",
            "part": "part.json", "limits": "series.toml"}.get(name, f"{name}.toml")  # fmt: skip
    return [(FORMATS / file).read_bytes()]


def reader(name: str, folder: Path) -> Callable[[bytes], None]:
    """What is done with the content of a file; raises nothing but what would be a fault."""
    read = _reader(name, folder)
    from meas.errors import FreeairError

    def one(content: bytes) -> None:
        try:
            read(content)
        except FreeairError as error:
            told = str(error)
            # Whatever is wrong, it is told in a paragraph, names its place, and can be printed.
            assert len(told) < 20_000, len(told)
            assert told.strip()
            assert error.exit_status in (1, 2)

    return one


def _reader(name: str, folder: Path) -> Callable[[bytes], object]:
    from cli.archive import tables
    from cli.archive.ledger import Ledger
    from cli.box import plan_file
    from cli.filter import network_file, stock_file
    from cli.guide import state
    from cli.series import limits_file
    from cli.sources import opened, targets_file
    from meas.audio import recording
    from meas.bench import rig_file
    from meas.errors import UsageError
    from meas.tables import csv_table, touchstone
    from meas.tables.wrong_units import plausibility
    from meas.takes import take as takes

    path = folder / {"flac": "a.flac", "wav": "a.wav", "table": "a.csv", "touchstone": "a.s1p"}.get(
        name, "a.toml"
    )

    def put(content: bytes, at: Path = path) -> Path:
        at.write_bytes(content)
        return at

    def take(content: bytes) -> None:
        loaded = takes.load(put(content, folder / "take.json"))
        assert loaded.path == folder

    def rig(content: bytes) -> None:
        read = rig_file.read(put(content))
        drive = read.drive.model_copy(update={"level": 0.125})
        changed = read.model_copy(update={"drive": drive})
        rig_file.update(path, changed, since=read)
        assert rig_file.read(path).drive == drive

    def fit(content: bytes) -> None:
        from cli.driver import export
        from fit.results import store

        unit, fitted = opened.fit(put(content, folder / "a.json"))
        json.dumps(store.to_json(fitted, unit=unit), allow_nan=False)
        export.as_table(str(folder / "a.json"))
        export.as_touchstone(str(folder / "a.json"), 1)
        export.as_subcircuit(str(folder / "a.json"))

    def ledger(content: bytes) -> None:
        """Lines with a right checksum: what is tried is what stands in them."""
        lines = [line for line in content.split(b"\n") if line]
        signed = [b"%08x\t%s\n" % (crc32(line), line) for line in lines]
        put(b"freeair-refit-ledger/1\n" + b"".join(signed), folder / "ledger" / "x.lines")
        read = Ledger(folder)
        rows = [read.row(read.place(key)) for key in read.before if read.place(key)]
        found = {symbol: what[1] for row in rows for symbol, what in row["parameters"].items()}
        tables.columns(found, list(found))
        for row in rows:
            tables.cells(row, list(found))
        read.close()
        if read.damaged:
            raise UsageError("passed over")

    def guide(content: bytes) -> None:
        state.FILE = put(content, folder / "a.json")
        state.read()

    if name == "ledger":
        Ledger(folder).close()
    if name == "take":
        for piece in ("impedance.csv", "capture.wav"):
            (folder / piece).write_bytes((FORMATS / "take-free-air" / piece).read_bytes())
        rows = (folder / "impedance.csv").read_text().splitlines()
        (folder / "impedance.csv").write_text("\n".join([*rows[:2], *rows[202:206]]) + "\n")
    return {
        "wav": lambda content: recording.read(put(content)),
        "flac": lambda content: recording.read(put(content)),
        "table": lambda content: plausibility(csv_table.read(put(content))),
        "touchstone": lambda content: touchstone.read(put(content)),
        "targets": lambda content: targets_file.read(put(content)),
        "stock": lambda content: stock_file.read([put(content)]),
        "network": lambda content: network_file.read(put(content)),
        "part": lambda content: opened.part(put(content, folder / "a.json")),
        "plan": lambda content: plan_file.read(put(content, folder / "a.json")),
        "take": take,
        "rig": rig,
        "fit": fit,
        "guide": guide,
        "limits": lambda content: limits_file.read(put(content)),
        "ledger": ledger,
        "mark": lambda content: Ledger(put(content, folder / "refit.json").parent).close(),
    }[name]


def _recordings(name: str) -> list[bytes]:
    import numpy as np
    import soundfile

    noise = 0.1 * np.random.default_rng(3).standard_normal((64, 2))
    kinds = {"wav": ("PCM_16", "PCM_24", "FLOAT", "DOUBLE"), "flac": ("PCM_16", "PCM_24")}[name]
    made = []
    for subtype in kinds:
        buffer = io.BytesIO()
        soundfile.write(buffer, noise, 48000, format=name.upper(), subtype=subtype)
        made.append(buffer.getvalue())
    return made


def _short_take(kind: str) -> bytes:
    record = json.loads((FORMATS / kind / "take.json").read_text(encoding="utf-8"))
    record["points"] = min(record["points"], 4)
    for standard in (record["rig"]["calibration"] or {"standards": []})["standards"]:
        standard["points"] = standard["points"][:3]
    return json.dumps(record, ensure_ascii=False).encode()


def _short_fit() -> bytes:
    document = json.loads((FORMATS / "fit.json").read_text(encoding="utf-8"))
    del document["covariance"]
    document["curves"] = document["curves"][:1]
    for curve in document["curves"]:
        curve["frequency_hz"] = curve["frequency_hz"][:3]
        for key in ("measured_ohm", "model_ohm", "motional_ohm"):
            curve[key] = {part: values[:3] for part, values in curve[key].items()}
    for estimate in document["parameters"].values():
        kept = sorted(estimate["contributions"])[:2]
        estimate["contributions"] = {name: estimate["contributions"][name] for name in kept}
    return json.dumps(document, ensure_ascii=False).encode()


_TABLES = [
    b"frequency_hz,resistance_ohm,reactance_ohm\n10,6,1\n20,7,-2\n",
    b"\xef\xbb\xbf# a\nsep=;\nFrequency_Hz;magnitude_ohm;phase_deg;x\r\n10;6,5;1e1;\r\n20;7;-20;",
    "frequency_hz\tmagnitude_ohm\tstandard_uncertainty_ohm\n10\t8\t0.1\n".encode("utf-16"),
    b'"frequency_hz","magnitude_ohm"\r"10","8"\r"20","9"',
]
_TOUCHSTONE = [
    b"! a\n# HZ Z RI R 1\n100 8 4\n200 9 5\n",
    b"# kHz S DB R 50\r\n1 -3 10 ! x\r\n2 -4 20\r\n",
    b"[Version] 2.0\n# MHz Y MA\n"
    b"[Number of Ports] 1\n[Reference] 8\n[Network Data]\n1 2 3\n[End]\n",
]
_RESULT = (
    b'{"kind": "result", "key": "k", "time": "2026-11-25T10:00:00+00:00", "id": ["lantern", "", '
    b'"2026-11-25T10:00:00+00:00"], "inputs": {"a.csv": "0"}, "options": "o", "models": "m"}\t'
    b'{"unit": "lantern", "label": "", "first": "2026-11-25T10:00:00+00:00", "last": "", '
    b'"takes": 1, "left_out": [["b.csv", "no-table", "is none", "", false]], "model": "plain", '
    b'"parameters": {"fs": [48.0, "Hz", 0.1, 47.8, 48.2, 0.0], '
    b'"Le": [0.0005, "H", 1e-5, 0.00048, 0.00052, 0.0, 1000.0]}}\t{}'
)
_LEDGER = [
    _RESULT,
    _RESULT + b'\n{"kind": "completed", "time": "2026-11-25T10:01:00+00:00", "keys": ["k"], '
    b'"number": 1}\t{}\t{}\n{"kind": "wrote", "digest": "d"}\t{}\t{}\n'
    b'{"kind": "claimed", "key": "x"}\t{}\t{}\n{"kind": "released", "key": "x"}\t{}\t{}',
]
INSTRUMENTED = (
    "tomllib", "cli.archive.ledger_lines", "cli.archive.tables", "cli.series.limits_file",
    "cli.driver.export", "cli.box.plan_file", "cli.guide.state",
    "cli.filter.network_file",
    "cli.filter.stock_file", "cli.sources", "cli.words.values", "fit.crossover.spice",
    "fit.results.store", "meas.audio.recording", "meas.bench.rig_file", "meas.tables",
    "meas.takes.take",
)  # fmt: skip
WORDS = (
    "frequency_hz", "resistance_ohm", "standard_uncertainty_ohm", "[Version]", "[End]", "# HZ",
    "0x7fffffffffffffffff", "1e400", "-0.0", "nan", "inf", "null", "true", "\\u0000", "\\ud800",
    "1979-05-27T07:32:00Z", "'''", '"""', "[[", "{}", "freeair-", "format", "\xff\xff\xff\xff",
)  # fmt: skip


def main() -> None:
    """Run one reader under libFuzzer; never returns."""
    if len(sys.argv) < 2 or sys.argv[1] not in READERS:
        print(__doc__ if "--list" not in sys.argv else " ".join(READERS))
        sys.exit(0 if "--list" in sys.argv else 2)
    name = sys.argv.pop(1)
    sys.path.insert(0, str(ROOT))
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    import atheris

    with atheris.instrument_imports(include=["meas", "cli", "fit", "tomllib"]):
        for module in INSTRUMENTED:
            import_module(module)

    warnings.simplefilter("error")
    with tempfile.TemporaryDirectory() as scratch:
        folder, corpus = Path(scratch) / "read", Path(scratch) / "corpus"
        folder.mkdir()
        corpus.mkdir()
        for number, content in enumerate(seeds(name)):
            (corpus / f"seed-{number}").write_bytes(content)
        words = Path(scratch) / "words"
        quoted = ("".join(f"\\x{byte:02x}" for byte in word.encode("latin-1")) for word in WORDS)
        words.write_text("".join(f'"{word}"\n' for word in quoted))
        options = [
            f"-dict={words}",
            "-timeout=20",
            "-rss_limit_mb=2048",
            "-max_len=20000",
            "-len_control=20",
        ]
        given = sys.argv[1:]
        replayed = any(not word.startswith("-") for word in given)
        words_of_run = [*options, *given, *([] if replayed else [str(corpus)])]
        quiet = io.StringIO()  # "taken: ..." of every accepted value says nothing here
        check = reader(name, folder)

        def one(content: bytes) -> None:
            with contextlib.redirect_stderr(quiet):
                check(content)
            quiet.seek(0)
            quiet.truncate()

        atheris.Setup([sys.argv[0], *words_of_run], one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()

"""``freeair refit``: every take fitted once, whatever is damaged, interrupted or changed."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import sys
from pathlib import Path

import driver_bench
import numpy as np
import pytest
from invoked import Invoke
from made_archive import MASS_KG, unit_of, write_table, write_take
from program import ROOT

from cli.archive.files import LeftOut, Measured, look
from cli.archive.states import natural, states
from meas.errors import Finding

WOOFER, MIDRANGE = driver_bench.WOOFER, driver_bench.MIDRANGE


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Takes with a mass, a table, and a little of everything that can be wrong."""
    folder = tmp_path_factory.mktemp("archive")
    for number in (2, 10):
        unit = unit_of(WOOFER, number)
        write_take(folder / "takes", f"lantern-{number}", unit, number, hours=number)
        write_take(
            folder / "takes", f"lantern-{number}", unit, 100 + number, mass=MASS_KG, hours=number
        )
    write_table(folder / "tables" / "spark.csv", MIDRANGE, 1)
    wrong = {
        "text.csv": "frequency_hz,magnitude_ohm\n10,six\n",
        "notes.csv": "who,when\nRuth,today\n",
        "no-mass.csv": "# condition: added-mass\nfrequency_hz,magnitude_ohm\n10,6\n",
        "comma.csv": "# added-mass: 7,5g\nfrequency_hz,magnitude_ohm\n10,6\n",
    }
    for name, text in wrong.items():
        (folder / "tables" / name).write_text(text)
    clipped = (Finding("clipped", "the driver input clips", refuses=True),)
    write_take(folder, "lantern-2", WOOFER, 5, hours=1, findings=clipped)
    write_take(folder, "choke", WOOFER, 5, kind="part")
    records = {"torn": '{"format": "freeair-ta', "newer": '{"format": "freeair-take/9"}'}
    for name, content in records.items():
        (folder / name).mkdir()
        (folder / name / "take.json").write_text(content)
    return folder


@pytest.fixture
def invoke(capsys: pytest.CaptureFixture[str]) -> Invoke:
    return Invoke(capsys)


def table_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def lines_of(output: str) -> list[dict]:
    return [json.loads(line) for line in output.splitlines()]


def ledger_lines(out: Path) -> int:
    return sum(text.count(b'"kind": "result"')
               for text in (f.read_bytes() for f in (out / "ledger").glob("*.lines")))  # fmt: skip


def test_one_bad_file_never_stops_the_rest(archive: Path, invoke: Invoke, tmp_path: Path) -> None:
    ran = invoke("refit", archive, "--workers", 1, "--out", tmp_path / "out", "--json")
    assert ran.status == 1  # something is to be looked after
    *results, last = lines_of(ran.stdout)
    fitted = [r["unit"] for r in results if r.get("format") == "freeair-fit/1"]
    assert fitted == ["lantern-2", "lantern-10", "spark"]
    assert (last["format"], last["fitted"]) == ("freeair-refit/1", 3)
    told = {one["source"]: one for one in last["left_out"]}
    reasons = {
        "tables/text.csv": r"line 2, column magnitude_ohm: 'six' is no number",
        "tables/notes.csv": r"no column frequency_hz",
        "tables/no-mass.csv": r"not which mass",
        "tables/comma.csv": r"has a comma",
        "torn": r"is no JSON",
        "newer": r"newer",
    }
    for source, reason in reasons.items():
        assert re.search(reason, told[source]["text"]), told[source]
        assert told[source]["remedy"]
        assert told[source]["fault"]
    refused = next(one for one in told.values() if one["code"] == "clipped")
    other = next(one for one in told.values() if one["code"] == "not-a-driver")
    assert not refused["fault"]  # known since it was taken
    assert not other["fault"]
    assert {row["source"] for row in table_of(tmp_path / "out" / "left-out.csv")} == set(told)


def test_fits_as_freeair_fit_does(archive: Path, invoke: Invoke, tmp_path: Path) -> None:
    takes = sorted(archive.glob("takes/lantern-2_*"), key=lambda p: "added" in p.name)
    alone = json.loads(invoke("fit", *takes, "--diameter", "118mm", "--json").stdout)
    ran = invoke("refit", archive, "--diameter", "spark=25mm", "--diameter", "118mm", "--json",
                 "--workers", 1, "--out", tmp_path / "out")  # fmt: skip
    here = lines_of(ran.stdout)[0]
    assert here["unit"] == "lantern-2"
    for name, estimate in alone["parameters"].items():
        for key in ("value", "standard_uncertainty"):
            # Not bit for bit: this process's linear algebra may use several threads, and numpy's
            # sums differ in their last digits with it.
            assert here["parameters"][name][key] == pytest.approx(estimate[key], rel=1e-6), name
    assert {"Vas", "Sd"} <= here["parameters"].keys()
    row = table_of(tmp_path / "out" / "results.csv")[0]
    assert float(row["Vas_m3"]) == here["parameters"]["Vas"]["value"]
    assert float(row["Vas_low_95_m3"]) == here["parameters"]["Vas"]["interval_95"][0]
    spark = lines_of(ran.stdout)[-2]
    assert spark["unit"] == "text"  # refused; sorted by name
    rows = table_of(tmp_path / "out" / "results.csv")
    sizes = {row["unit"]: float(row["Sd_m2"]) for row in rows if row["Sd_m2"]}
    assert sizes["spark"] == pytest.approx(np.pi * 0.025**2 / 4)
    assert sizes["lantern-10"] == pytest.approx(np.pi * 0.118**2 / 4)


def test_only_what_changed_is_fitted_again(invoke: Invoke, tmp_path: Path) -> None:
    for number in (1, 2, 3):
        write_table(tmp_path / f"spark-{number}.csv", unit_of(MIDRANGE, number), number)
    out = tmp_path / "refitted"

    def refit() -> dict:
        ran = invoke("refit", tmp_path, "--workers", 1, "--json")
        assert ran.status == 0, ran.told
        return {one["unit"]: one for one in lines_of(ran.stdout)[:-1]}

    first = refit()
    assert ledger_lines(out) == 3
    assert refit() == first
    assert ledger_lines(out) == 3
    assert "Nothing has changed" in (out / "summary.html").read_text("utf-8")
    (tmp_path / "spark-2.csv").unlink()
    (tmp_path / "spark-3.csv").unlink()
    # A tenth more coil resistance is far beyond noise of 1e-4 and a coil within 1 K.
    changed = unit_of(MIDRANGE, 2)
    write_table(
        tmp_path / "spark-2.csv", type(changed)(**{**vars(changed), "Re": 1.1 * changed.Re})
    )
    again = refit()
    assert ledger_lines(out) == 4
    assert again["spark-1"] == first["spark-1"]
    was, now = (run["spark-2"]["parameters"]["Re"]["value"] for run in (first, again))
    assert now / was == pytest.approx(1.1, rel=2e-3)
    page = (out / "summary.html").read_text("utf-8")
    section = page.split("Since the last refit</h2>")[1].split("</section>")[0]
    assert "spark-2.csv changed" in section
    assert "R<sub>e</sub>" in section
    assert "gone" in section.split("spark-3")[1]
    assert "spark-1" not in section


def test_newer_models_are_a_reason_to_fit_again(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cli.refit import job as refit_job
    from cli.refit import plan

    write_table(tmp_path / "spark.csv", MIDRANGE)
    assert invoke("refit", tmp_path, "--workers", 1).status == 0
    for module in (plan, refit_job):
        monkeypatch.setattr(module, "models_digest", lambda: "another")
    assert invoke("refit", tmp_path, "--workers", 1).status == 0
    assert ledger_lines(tmp_path / "refitted") == 2


def test_a_change_of_any_source_is_another_model(tmp_path: Path) -> None:
    """At whatever depth below `fit` and `meas`; a stale result would be handed out as new."""
    from cli.refit.job import models_digest, sources_digest

    packages = [Path(shutil.copytree(ROOT / name, tmp_path / name)) for name in ("fit", "meas")]
    as_it_is = sources_digest(*packages)
    assert as_it_is == models_digest()
    sources = [file for package in packages for file in package.rglob("*.py")]
    assert len(sources) > 150
    for file in sources:
        content = file.read_bytes()
        file.write_bytes(content + b"#")
        assert sources_digest(*packages) != as_it_is, file
        file.write_bytes(content)
    moved = sources[0].with_name("elsewhere.py")
    sources[0].rename(moved)
    assert sources_digest(*packages) != as_it_is


def test_a_worker_with_other_models_gives_no_number(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on another machine where another version is installed."""
    from cli.refit import plan

    write_table(tmp_path / "spark.csv", MIDRANGE)
    monkeypatch.setattr(plan, "models_digest", lambda: "another")
    ran = invoke("refit", tmp_path, "--workers", 1, "--json")
    assert ran.status == 1
    assert lines_of(ran.stdout)[0]["reasons"][0]["code"] == "other-version"
    assert ledger_lines(tmp_path / "refitted") == 0  # the next refit tries again


def test_a_torn_line_and_a_damaged_one_cost_their_own_fits(invoke: Invoke, tmp_path: Path) -> None:
    for number in (1, 2):
        write_table(tmp_path / f"spark-{number}.csv", unit_of(MIDRANGE, number), number)
    first = invoke("refit", tmp_path, "--workers", 1, "--json").stdout
    (segment,) = (tmp_path / "refitted" / "ledger").glob("*.lines")
    whole = segment.read_bytes()
    lines = whole.splitlines(keepends=True)
    one, two = (k for k, line in enumerate(lines) if b'"kind": "result"' in line)
    digit = lines[one].index(b'"value": 5') + 9
    # A wrong number, and good JSON; and the power goes while the second is kept.
    lines[one] = lines[one][:digit] + b"7" + lines[one][digit + 1 :]
    segment.write_bytes(b"".join(lines[: two + 1])[:-200])
    for file in (tmp_path / "refitted").glob("*.[ch]*"):  # no table has been written then
        file.unlink()
    ran = invoke("refit", tmp_path, "--workers", 1, "--json")
    assert ran.stdout == first
    assert "passed over: 1" in ran.stderr


def test_results_that_somebody_changed_are_not_overwritten(invoke: Invoke, tmp_path: Path) -> None:
    write_table(tmp_path / "spark.csv", MIDRANGE)
    assert invoke("refit", tmp_path, "--workers", 1).status == 0
    results = tmp_path / "refitted" / "results.csv"
    mine = results.read_text("utf-8") + "my own row\n"
    results.write_text(mine, "utf-8")
    ran = invoke("refit", tmp_path, "--workers", 1)
    assert ran.status == 2
    assert "results.csv" in ran.told
    assert "--out DIR" in ran.told
    assert results.read_text("utf-8") == mine
    foreign = tmp_path / "foreign"
    foreign.mkdir()
    (foreign / "letter.txt").write_text("dear")
    ran = invoke("refit", tmp_path, "--workers", 1, "--out", foreign)
    assert ran.status == 2
    assert "something else" in ran.told
    assert [file.name for file in foreign.iterdir()] == ["letter.txt"]


def test_the_page_is_safe_from_names(invoke: Invoke, tmp_path: Path) -> None:
    hostile = '<script>alert(1)</script>"><img src=x onerror=alert(2)>'
    for number in (1, 2, 3):
        name = f"{hostile}-{number}"
        write_take(tmp_path, name, unit_of(MIDRANGE, number), number, hours=number,
                   label="</style><b>new</b>")  # fmt: skip
    (tmp_path / "<i>x<").mkdir()
    (tmp_path / "<i>x<" / "take.json").write_text("{")
    assert invoke("refit", tmp_path, "--workers", 1).status == 1
    page = (tmp_path / "refitted" / "summary.html").read_text("utf-8")
    assert "&lt;script&gt;alert(1)" in page
    for bare in ("<script>alert", "<img", "</style><b>", "<i>x"):
        assert bare not in page
    assert page.count("<style") == page.count("</style>")
    assert "default-src 'none'" in page  # fetches nothing
    outside = re.findall(r"""<[^>]*\b(?:href|src)=["']?(?!#)([^"'> ]+)""", page)
    assert outside == []
    assert not re.search(r"url\((?!#)", page)


def test_clocks_that_were_never_set_spoil_nothing(invoke: Invoke, tmp_path: Path) -> None:
    for number in range(7):
        take = write_take(tmp_path, f"spark-{number}", unit_of(MIDRANGE, number), number)
        record = json.loads((take / "take.json").read_text("utf-8"))
        year = {0: "0001", 1: "9999"}.get(number, "2026")
        record["taken_at"] = f"{year}-01-01T{number:02d}:00:00+00:00"
        (take / "take.json").write_text(json.dumps(record), "utf-8")
    assert invoke("refit", tmp_path, "--workers", 1).status == 0
    page = (tmp_path / "refitted" / "summary.html").read_text("utf-8")
    assert page.count('<th scope="row">f<sub>s</sub>') == 1
    assert "drift0" not in page  # five times are left, too few to tell


def test_parquet_holds_the_same(archive: Path, invoke: Invoke, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    assert invoke("refit", archive, "--workers", 1, "--out", tmp_path, "--parquet").status == 1
    found = parquet.read_table(tmp_path / "results.parquet").to_pylist()
    plain = table_of(tmp_path / "results.csv")
    assert [row["unit"] for row in found] == [row["unit"] for row in plain]
    for one, other in zip(found, plain, strict=True):
        for name, cell in other.items():
            value = one[name]
            assert (("" if value is None else value) if not isinstance(value, float | int)
                    else str(value)) == cell, name  # fmt: skip


def test_parquet_without_its_library_says_what_to_install(
    archive: Path, invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.delitem(sys.modules, "pyarrow.parquet", raising=False)
    ran = invoke("refit", archive, "--out", tmp_path / "out", "--parquet")
    assert ran.status == 2
    assert "freeair[tables]" in ran.told
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["gone"], "gone does not exist"),
        (["empty"], "no take and no impedance table; take.json"),
        (["full", "--model", "best"], "no model 'best'; auto"),
        (["full", "--diameter", "118"], "has no unit; 118mm"),
        (["full", "--diameter", "118mm", "--area", "113cm2"], "two sizes; 'lantern-*=118mm'"),
        (["full", "--scheduler", "nowhere"], "no dask scheduler answers; dask scheduler"),
    ],
)
def test_wrong_usage_is_told(
    words: list[str], said: str, invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    write_table(tmp_path / "full" / "spark.csv", MIDRANGE)
    monkeypatch.setattr("cli.refit.cluster._ANSWER_SECONDS", 1)
    ran = invoke("refit", *words)
    assert ran.status == 2, ran.told
    for piece in said.split("; "):
        assert piece in ran.told, ran.told
    assert not (tmp_path / "full" / "refitted").exists()


def measured(unit: str, label: str = "", hours: float | None = 0.0, mass: float = 0.0) -> Measured:
    from datetime import timedelta

    from made_archive import BEGIN

    from meas.takes.take import TakeCondition

    condition = TakeCondition("added-mass", mass, None, "") if mass else TakeCondition()
    when = "" if hours is None else (BEGIN + timedelta(hours=hours)).isoformat()
    path = f"{unit}/{label}/{hours}/{mass}"
    return Measured(path, True, unit, label, when, condition, path, path)


@pytest.mark.parametrize(
    ("takes", "sizes"),
    [
        # One sitting; labels name takes, since only one of them has free air.
        ([("", 0, 0), ("", 0.1, 1)], [2]),
        ([("hung", 0, 0), ("with coin", 0.1, 1)], [2]),
        # Before and after: each has its own free air.
        ([("new", 0, 0), ("new", 0.1, 1), ("run in", 1, 0), ("run in", 1.1, 1)], [2, 2]),
        # No label, but a night in between, and free air on both days.
        ([("", 0, 0), ("", 12, 0)], [1, 1]),
        # The mass was put on the next morning: what else should it belong to?
        ([("", 0, 0), ("", 12, 1)], [2]),
        # Two takes of one evening are repeats.
        ([("", 0, 0), ("", 2, 0)], [2]),
        # A table without a time beside a take.
        ([("", None, 0), ("", 2, 0)], [2]),
    ],
)
def test_states(takes: list[tuple[str, float | None, float]], sizes: list[int]) -> None:
    found, copies = states(measured("lantern", label, hours, mass) for label, hours, mass in takes)
    assert [len(state.sources) for state in found] == sizes
    assert copies == []
    assert all(state.sources[0].condition.name == "free-air" for state in found)


def test_units_come_in_the_order_of_their_numbers() -> None:
    assert sorted(["spark-10", "spark-9", "a", "spark-9b"], key=natural) == [
        "a", "spark-9", "spark-9b", "spark-10",
    ]  # fmt: skip


def test_a_copy_counts_once(invoke: Invoke, tmp_path: Path) -> None:
    """A backup and an exported table are no further measurements, and add no certainty."""
    take = write_take(tmp_path, "lantern", WOOFER, hours=0)
    only = lines_of(invoke("refit", tmp_path, "--workers", 1, "--json").stdout)[0]
    shutil.copytree(take, tmp_path / "backup" / take.name)
    for form in ("csv", "touchstone"):
        file = tmp_path / f"exported.{'csv' if form == 'csv' else 's1p'}"
        assert invoke("export", take, f"--{form}", file).status == 0
        assert "unit: lantern" in file.read_text("utf-8")
    ran = invoke("refit", tmp_path, "--workers", 1, "--json", "--out", tmp_path / "again")
    *results, last = lines_of(ran.stdout)
    assert ran.status == 0
    assert len(results) == 1
    assert results[0]["parameters"] == only["parameters"]
    assert sorted(one["code"] for one in last["left_out"]) == ["copy"] * 3
    # A table has no time: it would belong to the first sitting, were it not known for a copy.
    write_take(tmp_path, "lantern", WOOFER, 9, hours=-48)
    *results, _ = lines_of(invoke("refit", tmp_path, "--workers", 1, "--json").stdout)
    used = [one["refit"]["sources"] for one in results]
    assert [len(sources) for sources in used] == [1, 1]


def test_tables_say_what_takes_know(tmp_path: Path) -> None:
    said = ("unit: Lantern 7", "label: new", "added-mass: 7.5g±0.2g",
            "taken-at: 2026-03-01T10:00:00+01:00")  # fmt: skip
    write_table(tmp_path / "a.csv", WOOFER, comments=said)
    (tmp_path / "b.csv").write_bytes(
        '"# unit: Lantern 7";;\r\nfrequency_hz;magnitude_ohm\r\n10;6\r\n'.encode("utf-16")
    )
    (tmp_path / "c.s1p").write_text("! unit: Lantern 7\n! test-box: 6.8L\n# HZ Z RI R 1\n10 6 1\n")
    write_table(tmp_path / "d.csv", WOOFER, comments=("model in free air, coil model ladder",))
    a, b, c, d = look(tmp_path)
    assert isinstance(d, LeftOut)
    assert "computed from a fit" in d.text
    assert {one.unit for one in (a, b, c)} == {"Lantern 7"}
    assert (a.label, a.taken_at) == ("new", "2026-03-01T10:00:00+01:00")
    assert a.condition.value == pytest.approx(7.5e-3)
    assert a.condition.half_width == pytest.approx(0.2e-3)
    assert b.condition.name == "free-air"
    assert c.condition.value == pytest.approx(6.8e-3)
    assert c.condition.written == "6.8L"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    (only,) = look(tmp_path)
    assert (only.source, only.code) == ("pipe.csv", "not-opened")


def test_what_changes_while_it_is_read_gives_no_number(
    invoke: Invoke, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else the result of the new contents would stand under the digest of the old for good."""
    from cli.refit import job as refit_job

    write_table(tmp_path / "spark.csv", MIDRANGE)
    write_table(tmp_path / "gone.csv", WOOFER)
    real = refit_job.fit_state

    def meddling(job: refit_job.Job) -> refit_job.Outcome:
        file = tmp_path / job.sources[0].path
        if file.name == "gone.csv":
            file.unlink()
        else:
            file.write_text(file.read_text("utf-8") + "30000,9,9,1\n", "utf-8")
        return real(job)

    monkeypatch.setattr(refit_job, "fit_state", meddling)
    ran = invoke("refit", tmp_path, "--workers", 1, "--json")
    assert ran.status == 1
    codes = [one["reasons"][0]["code"] for one in lines_of(ran.stdout)[:-1]]
    assert codes == ["changed-meanwhile"] * 2
    assert ledger_lines(tmp_path / "refitted") == 0


def test_links_that_lead_back_do_not_loop(tmp_path: Path) -> None:
    write_table(tmp_path / "in" / "spark.csv", MIDRANGE)
    (tmp_path / "in" / "round").symlink_to(tmp_path)
    assert [one.path for one in look(tmp_path) if isinstance(one, Measured)] == ["in/spark.csv"]


def test_the_command_loads_nothing_heavy_before_it_runs() -> None:
    """Also because threads of linear algebra are told to be one before numpy is loaded."""
    import subprocess

    code = "import sys, cli.refit; print(sorted({'numpy', 'joblib'} & sys.modules.keys()))"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_recordings_are_analysed_anew_on_request(invoke: Invoke, tmp_path: Path) -> None:
    """A take whose curve is wrong, and one refused by a check that no longer refuses it."""
    from dataclasses import replace

    from made_recordings import Bench, Circuit, write_wav

    from meas.takes import take as takes

    bench = Bench(load=Circuit(), sweep_seconds=1.5)
    wav = write_wav(tmp_path / "a.wav", bench.record())
    rig, archive = tmp_path / "rig.toml", tmp_path / "archive"
    assert invoke("rig", "new", rig, "--series-resistor", "10ohm").status == 0
    done = invoke("import", wav, "--rig", rig, "--unit", "larch", "--out", tmp_path / "takes")
    assert done.status == 0, done.told
    take = takes.load(Path(done.stdout.splitlines()[-1]))
    samples = takes.read_capture(take.path).samples
    older = replace(take.curve, impedance_ohm=1.1 * take.curve.impedance_ohm)
    takes.save(replace(take, unit="older", curve=older), samples, archive)
    wrongly = (Finding("clipped", "the inputs clip", refuses=True),)
    takes.save(replace(take, unit="refused", findings=wrongly), samples, archive)

    def fitted(*more: str) -> dict[str, float]:
        ran = invoke("refit", archive, "--workers", 1, "--json", *more)
        assert ran.status == 0, ran.told
        return {r["unit"]: r["parameters"]["Re"]["value"] for r in lines_of(ran.stdout)[:-1]}

    before, after = fitted(), fitted("--from-captures")
    alone = json.loads(invoke("fit", take.path, "--json").stdout)["parameters"]["Re"]["value"]
    assert before == {"older": pytest.approx(1.1 * alone, rel=1e-5)}
    assert after == {name: pytest.approx(alone, rel=1e-6) for name in ("older", "refused")}
    page = (archive / "refitted" / "summary.html").read_text("utf-8")
    assert "other options" in page.split("Since the last refit</h2>")[1].split("</section>")[0]

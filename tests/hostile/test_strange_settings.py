"""Files that libraries look for in the current folder change nothing and hold nothing up."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from made_archive import write_table
from made_fits import Physical, fit_of
from program import begun

from fit.results import store

HOSTILE = "text.usetex: True\nfont.family: no such font\nsvg.fonttype: path\nfigure.dpi: 5000\n"


def _files(folder: Path) -> Path:
    folder.mkdir()
    for name, compliance in (("before", 1.0), ("after", 1.1)):
        fit = fit_of(Physical().but(Cms=compliance))
        (folder / f"{name}.json").write_text(json.dumps(store.to_json(fit, unit="lantern")))
    import driver_bench

    write_table(folder / "archive" / "lantern-1.csv", driver_bench.WOOFER)
    return folder


WORDS = [
    (["compare", "before.json", "after.json", "--report", "r.html"], "r.html"),
    (["compare", "before.json", "after.json", "--report", "r.pdf"], "r.pdf"),
    (["compare", "before.json", "after.json", "--report", "r.png"], "r.png"),
    (["fit", "archive/lantern-1.csv", "--report", "f.html"], "f.html"),
    (["refit", "archive"], "archive/refitted/summary.html"),
]


@pytest.mark.parametrize(("words", "made"), WORDS, ids=lambda value: str(value)[:40])
def test_settings_of_pictures_are_fixed(words, made, tmp_path):
    pages = []
    for kind in ("none", "hostile", "pipe"):
        folder = _files(tmp_path / kind)
        if kind == "hostile":
            (folder / "matplotlibrc").write_text(HOSTILE)
        elif kind == "pipe":
            if not hasattr(os, "mkfifo"):
                continue
            os.mkfifo(folder / "matplotlibrc")
        with begun(*words, cwd=folder) as process:
            _, said = process.communicate(timeout=60)
            assert process.returncode == 0, said
        pages.append(len((folder / made).read_bytes()))
    # Pages name the minute; pictures in another type would differ by far more.
    assert max(pages) - min(pages) < 50, pages

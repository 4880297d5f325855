"""The benchmark runs and prints every figure; their size is not a matter of pass or fail."""

import re

import pytest
from benchmark_import_and_fit import main


def test_benchmark_runs(capsys: pytest.CaptureFixture[str]) -> None:
    main(["--repeat", "1", "--points", "60", "--seconds", "3"])
    lines = capsys.readouterr().out.splitlines()
    figures = [float(re.search(r"(-?\d+\.\d+)( s)?$", line)[1]) for line in lines]  # type: ignore[index]
    assert len(figures) == 9
    assert all(figure > 0 for figure in figures)

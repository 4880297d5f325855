"""The benchmarks run and print every figure; their size is not a matter of pass or fail."""

import re

import benchmark_fit
import benchmark_import
import pytest


def _figures(text: str) -> list[float]:
    found = (re.search(r"(-?\d+\.\d+)( s)?$", line) for line in text.splitlines())
    return [float(figure[1]) for figure in found if figure]


def test_benchmark_of_importing(capsys: pytest.CaptureFixture[str]) -> None:
    benchmark_import.main(["--repeat", "1", "--seconds", "3"])
    figures = _figures(capsys.readouterr().out)
    assert len(figures) == 4
    assert all(figure > 0 for figure in figures)


def test_benchmark_of_fitting(capsys: pytest.CaptureFixture[str]) -> None:
    benchmark_fit.main(["--repeat", "1", "--points", "40", "--refits", "20"])
    figures = _figures(capsys.readouterr().out)
    assert len(figures) == 10
    assert all(figure > 0 for figure in figures)

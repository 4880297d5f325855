"""The examples in docstrings give what they say."""

from __future__ import annotations

import doctest
from importlib import import_module

import pytest
from program import ROOT

WITH_EXAMPLES = [
    ".".join(file.relative_to(ROOT).with_suffix("").parts)
    for package in ("meas", "fit", "cli")
    for file in sorted((ROOT / package).rglob("*.py"))
    if ">>> " in file.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_examples(module: str) -> None:
    done = doctest.testmod(import_module(module), optionflags=doctest.NORMALIZE_WHITESPACE)
    assert done.attempted > 0
    assert done.failed == 0

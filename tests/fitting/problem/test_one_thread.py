"""Linear algebra takes one thread, unless the user has said how many."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import Any

import pytest
from program import ROOT

from fit.numerics.one_thread import VARIABLES

POOLS = """
import json, numpy
from threadpoolctl import threadpool_info
from fit.numerics.one_thread import one_thread

def threads():
    return [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]

print(json.dumps([threads(), *(one_thread()(threads)() for _ in range(2)), threads()]))
"""
PROGRAM = """
import json, os
from fit.numerics.one_thread import one_thread_from_the_start
one_thread_from_the_start()
print(json.dumps({name: os.environ.get(name) for name in ("OMP_NUM_THREADS", "MKL_NUM_THREADS")}))
"""


def probed(code: str, **said: str) -> Any:
    kept = {name: value for name, value in os.environ.items() if name not in VARIABLES}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, env={**kept, **said},
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout)


def test_one_inside_and_as_before_outside() -> None:
    before, first, second, after = probed(POOLS)
    if not before or max(before) == 1:
        pytest.skip("numpy has no pool of several threads here")
    assert set(first) == set(second) == {1}
    assert after == before


def test_what_the_user_says_holds() -> None:
    before, *_, after = pools = probed(POOLS, OPENBLAS_NUM_THREADS="2", OMP_NUM_THREADS="2")
    assert all(pool == before for pool in pools), after
    assert probed(PROGRAM) == {"OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
    assert probed(PROGRAM, OMP_NUM_THREADS="2") == {
        "OMP_NUM_THREADS": "2",
        "MKL_NUM_THREADS": None,
    }

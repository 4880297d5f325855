"""``freeair fit --profile``: three intervals of each value side by side."""

from __future__ import annotations

import json

import driver_bench as bench
import numpy as np
import pytest
from program import succeed

F = np.geomspace(10, 5e3, 60)


@pytest.fixture
def table(tmp_path):
    z = bench.WOOFER.impedance(F)
    rows = [f"{f},{value.real:.3f},{value.imag:.3f}" for f, value in zip(F, z, strict=True)]
    file = tmp_path / "free.csv"
    file.write_text("\n".join(["frequency_hz,resistance_ohm,reactance_ohm", *rows]), "utf-8")
    return file


def test_a_profile_stands_beside_the_intervals_reported(table):
    plain = json.loads(succeed("fit", table, "--json"))
    found = json.loads(succeed("fit", table, "--profile", "--json"))
    assert "profile" not in plain
    assert found["parameters"] == plain["parameters"]  # lmfit moves no digit
    assert {"Re", "fs", "Qms", "Qes", "Qts"} <= set(found["profile"])
    for symbol, one in found["profile"].items():
        low, high = one["interval_95"]
        assert low < found["parameters"][symbol]["value"] < high
        assert one["reported_95"] == found["parameters"][symbol]["interval_95"]
    shown = succeed("fit", table, "--profile")
    assert "profile likelihood" in shown
    assert "reported" in shown

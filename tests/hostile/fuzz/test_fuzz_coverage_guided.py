"""Every reader under coverage-guided fuzzing: a fixed number of inputs from a fixed seed.

`tests/support/running/fuzz_readers.py` is the harness, to be run for longer by hand; this is what
every run of the tests repeats. A fault ends the harness with a status of its own and its traceback
is shown.
"""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from fuzz_readers import READERS, reader, seeds
from program import ROOT

HARNESS = ROOT / "tests" / "support" / "running" / "fuzz_readers.py"
# So many inputs take a second or two; the slow ones build a whole rig, edit it and read it again.
RUNS = {"rig": 60, "take": 150, "fit": 150, "limits": 150, "ledger": 150, "mark": 60}
USUAL = 400


@pytest.mark.skipif(sys.platform != "linux", reason="atheris has no wheels elsewhere")
@pytest.mark.parametrize("name", READERS)
def test_only_our_errors_come_out(name, tmp_path):
    runs = RUNS.get(name, USUAL)
    done = subprocess.run(
        [sys.executable, str(HARNESS), name, f"-runs={runs}", "-seed=1"],
        cwd=tmp_path,  # where the input of a fault would be written
        env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        capture_output=True, text=True, errors="replace", timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-4000:]
    assert f"Done {runs} runs" in done.stderr  # it did run, and to its end
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", READERS)
def test_whole_files_are_read(name, tmp_path):
    """The files to start from get through: fuzzing begins behind the first check, not before it."""
    from meas.errors import FreeairError

    read = reader(name, tmp_path)
    for content in seeds(name):
        read(content)
    with pytest.raises(FreeairError):
        # What no reader may take: the harness turns our errors into silence, this shows they are.
        from fuzz_readers import _reader

        _reader(name, tmp_path)(b"\x00\xff no file of any kind")


def test_the_harness_sees_a_fault(tmp_path):
    """A reader that lets anything else out is caught."""
    import fuzz_readers

    def faulty(content: bytes) -> None:
        raise KeyError(content)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fuzz_readers, "_reader", lambda name, folder: faulty)
        with pytest.raises(KeyError):
            reader("table", tmp_path)(b"")

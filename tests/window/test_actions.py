"""Every form asks for what its command knows, by the names that the command gives it."""

from __future__ import annotations

import re

import pytest

from cli.main import run
from cli.window.actions import ACTIONS


@pytest.mark.parametrize("name", ACTIONS)
def test_the_command_knows_every_field(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    action = ACTIONS[name]
    assert run([*action.words, "--help"]) == 0
    known = set(re.findall(r"--[a-z][a-z-]*", capsys.readouterr().out))
    asked = {field.name for field in action.fields if field.name.startswith("--")}
    asked |= {key for field in action.fields if field.sort == "switch" for key, _ in field.choices}
    asked.discard("")
    if action.saves is not None:
        asked.add(action.saves[0])
    if action.plays:
        asked.add("--yes")
    assert asked <= known

"""What the README promises to type exists."""

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = [
    text for kind, text in re.findall(r"```(\w*)\n(.*?)```", README, flags=re.DOTALL) if not kind
]
COMMANDS = sorted(
    {
        line.split("#")[0].strip()
        for text in [*BLOCKS, *re.findall(r"`(freeair [^`]*)`", README)]
        for line in text.splitlines()
        if line.startswith("freeair ")
    }
)


def test_opens_with_the_job_in_one_paragraph_and_two_commands():
    title, job, heading = README.split("\n\n")[:3]
    assert title == "# freeair"
    assert "\n#" not in job
    assert heading.startswith("## Two commands")
    assert [block.strip() for block in BLOCKS[:2]] == ["bash .ci/demo", "bash .ci/test"]


def test_ci_calls_the_second_command():
    assert (
        (ROOT / ".ci/run").read_text(encoding="utf-8").rstrip().endswith('"$(dirname "$0")/test"')
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_and_option_exists(command):
    from cli.main import app

    words = shlex.split(command)[1:]
    path = []
    for word in words:
        if not re.fullmatch(r"[a-z-]+", word) or word.startswith("-"):
            break
        path.append(word)
    runner = CliRunner()
    # Arguments such as a unit's name look like sub-commands: drop them from the right.
    while True:
        shown = runner.invoke(app, [*path, "--help"], env={"COLUMNS": "100"})
        named = shown.stdout.split("Usage: ", 1)[-1].split("\n")[0]
        if shown.exit_code == 0 and all(f" {word} " in f" {named} " for word in path):
            break
        path.pop()
    assert path, command
    for option in re.findall(r"--[a-z-]+", command):
        assert option in shown.stdout, (command, option)

"""What the README promises to type exists."""

import re
import shlex
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from cli.terminal.lazy_commands import Deferred

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


def _leaves(commands, before=()):
    for name, (home, _) in commands.items():
        if isinstance(home, str):
            yield (*before, name)
        else:
            yield from _leaves(home, (*before, name))


def _helps():
    """What ``--help`` says, by command."""
    from cli.main import COMMANDS as HOMES
    from cli.main import app

    runner = CliRunner()
    return {
        words: runner.invoke(app, [*words, "--help"], env={"COLUMNS": "100"}).stdout
        for words in _leaves(HOMES)
    }


def test_every_command_is_in_the_readme_and_every_option_in_a_command():
    helps = _helps()
    text = re.sub(r"\s+", " ", README)
    for words in helps:
        # A group may be named once for all of its words, such as `freeair polarity`.
        assert re.search(rf"freeair ({' '.join(words)}|{words[0]}`)", text), words
    known = {option for text in helps.values() for option in re.findall(r"--[a-z][a-z0-9-]*", text)}
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z0-9-]*", README)) <= known


def test_every_option_that_can_be_typed_is_explained_by_the_help_that_the_readme_names():
    """The README leads to pages of help; nothing that can be typed is hidden from them."""
    assert "Every command has `--help`." in README
    from cli.main import app

    whole = typer.main.get_command(app)
    helps = _helps()
    for words, text in helps.items():
        command = whole
        for word in words:
            command = command.loaded() if isinstance(command, Deferred) else command
            command = command.commands[word]
        for one in command.loaded().params:
            assert not getattr(one, "hidden", False), (words, one.name)
            for name in (*one.opts, *one.secondary_opts):
                if name.startswith("-"):
                    assert re.search(rf"(?<![\w-]){name}(?![\w-])", text), (words, name)
            assert one.help and one.help.split()[0] in text, (words, one.name)
    assert sum(len(re.findall(r"(?m)^  --", text)) for text in helps.values()) > 100


def test_defaults_that_the_readme_names_are_those_of_the_help():
    helps = {" ".join(words): re.sub(r"\s+", " ", text) for words, text in _helps().items()}
    assert "default `magnet-down`" in README
    assert "magnet-down" in helps["fit"].split("--held")[1][:400]
    assert re.search(r"1 % unless `--table-tolerance", README)
    assert "Default 1% for each table" in helps["fit"]
    assert "0 done, 1 the data or the bench cannot support the result" in README

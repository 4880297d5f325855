"""Words for what a command line lacks, or has too much, with an example that can be typed."""

from __future__ import annotations

import re
from collections.abc import Sequence
from difflib import get_close_matches
from typing import Any

from meas.errors import UsageError


def in_words(error: Any, command: Any, path: str, argv: Sequence[str]) -> UsageError:
    """Say what the parser of the command line has against it.

    Args:
        error: As the parser raised it.
        command: The command that was meant, as far as it was understood.
        path: How it is called, such as ``freeair rig new``.
        argv: All words after the program's name.
    """
    named = re.search(r"'([^']*)'", error.format_message())
    word = getattr(error, "option_name", None) or (named[1] if named else "")
    match type(error).__name__:
        case "MissingParameter":
            return UsageError(_said(error.param), where=path, remedy=_example(command, path))
        case "NoSuchOption":
            return _unknown_option(error, command, path)
        case "BadOptionUsage" if "does not take a value" in error.message:
            return UsageError(f"{word} takes no value", where=path, remedy="Write it alone.")
        case "BadOptionUsage":
            option = next((one for one in command.params if word in one.opts), None)
            text = f"{word} wants a value" if option is None else _said(option, "wants")
            return UsageError(text, where=path, remedy=_example(command, path))
    if "No such command" in error.message:
        return _unknown_command(word, command, path)
    if extra := re.search(r"extra argument\(s\) \((.*)\)", error.message):
        return _too_much(extra[1].split()[0], command, path, argv)
    return UsageError(error.format_message().rstrip("."), where=path, remedy=_help(path))


def _said(parameter: Any, does: str = "is missing") -> str:
    """A parameter by name, and what it is: ``--rig FILE is missing: the bench ...``."""
    metavar = parameter.metavar or parameter.human_readable_name
    option = parameter.param_type_name == "option"
    name = f"{parameter.opts[0]} {metavar}" if option and does == "is missing" else metavar
    if does == "wants":
        name, does = parameter.opts[0], f"wants a value, {metavar}"
    about = (parameter.help or "").strip().rstrip(".")
    return f"{name} {does}{': ' + about[:1].lower() + about[1:] if about else ''}"


def _unknown_option(error: Any, command: Any, path: str) -> UsageError:
    word = error.option_name.lstrip("-")
    options = [one for one in command.params if one.param_type_name == "option"]
    names = [name for one in options for name in one.opts if name.startswith("--")]
    near = get_close_matches(error.option_name, names, 1, 0.7)
    if not near and len(word) > 2:
        whole = re.compile(rf"\b{re.escape(word)}\b", re.IGNORECASE)
        near = [one.opts[0] for one in options if whole.search(one.help or "")]
    meant = f"Did you mean {' or '.join(near[:3])}? " if near else ""
    return UsageError(
        f"there is no option {error.option_name}", where=path, remedy=f"{meant}{_help(path)}"
    )


def _unknown_command(word: str, command: Any, path: str) -> UsageError:
    names = list(command.commands)
    near = get_close_matches(word, names, 1, 0.6)
    few = f"One of: {', '.join(names)}." if len(names) < 9 else ""
    meant = f"Did you mean {path} {near[0]}?" if near else few
    return UsageError(
        f"there is no command '{word}'", where=path, remedy=f"{meant} {_help(path)}".lstrip()
    )


def _too_much(word: str, command: Any, path: str, argv: Sequence[str]) -> UsageError:
    before = argv[argv.index(word) - 1] if word in argv else ""
    flags = [name for one in command.params if getattr(one, "is_flag", False) for name in one.opts]
    if before in flags:
        return UsageError(f"{before} takes no value, '{word}'", where=path, remedy=_help(path))
    return UsageError(f"'{word}' is one word too many", where=path, remedy=_example(command, path))


def _example(command: Any, path: str) -> str:
    """The first line of the command's own examples; without any, where its help is."""
    lines = [line.strip() for line in (command.epilog or "").splitlines()]
    found = next((line for line in lines if line.startswith(path)), "")
    return f"{_help(path)} Such as: {found}" if found else _help(path)


def _help(path: str) -> str:
    return f"See {path} --help."

"""Words for what a command line lacks, or has too much, with an example that can be typed."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from difflib import get_close_matches
from typing import Any

import typer
from typer.exceptions import TyperException

from meas.errors import UsageError


@contextmanager
def worded(ctx: typer.Context) -> Iterator[None]:
    """Say what the parser has against a command line; that a group stands alone is no fault.

    Raises:
        UsageError: In place of the parser's own.
    """
    try:
        yield
    except TyperException as error:
        if type(error).__name__ == "NoArgsIsHelpError":
            raise
        raise _in_words(error, ctx) from error


def _in_words(error: Any, ctx: typer.Context) -> UsageError:
    match type(error).__name__:
        case "MissingParameter":
            return _fault(_said(error.param), ctx, _example(ctx))
        case "NoSuchOption":
            return _unknown_option(error, ctx)
        case "BadOptionUsage":
            option = next(one for one in ctx.command.params if error.option_name in one.opts)
            if getattr(option, "is_flag", False):
                return _fault(f"{error.option_name} takes no value", ctx, "Write it alone.")
            return _fault(_said(option, "wants"), ctx, _example(ctx))
    return _fault(error.format_message().rstrip("."), ctx, _help(ctx))


def _fault(what: str, ctx: typer.Context, remedy: str) -> UsageError:
    return UsageError(what, where=ctx.command_path, remedy=remedy)


def _said(parameter: Any, does: str = "is missing") -> str:
    """A parameter by name, and what it is: ``--rig FILE is missing: the bench ...``."""
    metavar = parameter.metavar or parameter.human_readable_name
    option = parameter.param_type_name == "option"
    name = f"{parameter.opts[0]} {metavar}" if option and does == "is missing" else metavar
    if does == "wants":
        name, does = parameter.opts[0], f"wants a value, {metavar}"
    about = (parameter.help or "").strip().rstrip(".")
    return f"{name} {does}{': ' + about[:1].lower() + about[1:] if about else ''}"


def _unknown_option(error: Any, ctx: typer.Context) -> UsageError:
    word = error.option_name.lstrip("-")
    near = list(error.possibilities or ())[:1]
    if not near and len(word) > 2:  # perhaps what another option is about
        whole = re.compile(rf"\b{re.escape(word)}\b", re.IGNORECASE)
        options: Any = (one for one in ctx.command.params if one.param_type_name == "option")
        near = [one.opts[0] for one in options if whole.search(one.help or "")]
    meant = f"Did you mean {' or '.join(near[:3])}? " if near else ""
    return _fault(f"there is no option {error.option_name}", ctx, f"{meant}{_help(ctx)}")


def unknown_command(word: str, commands: Sequence[str], ctx: typer.Context) -> UsageError:
    """Say that a group has no such command, and which one may be meant."""
    near = get_close_matches(word, commands, 1)
    few = f"One of: {', '.join(commands)}. " if len(commands) < 9 else ""
    meant = f"Did you mean {ctx.command_path} {near[0]}? " if near else few
    return _fault(f"there is no command '{word}'", ctx, f"{meant}{_help(ctx)}")


def too_much(word: str, words: Sequence[str], ctx: typer.Context) -> UsageError:
    """Say that a command has no use for a word; behind a flag it was meant for its value.

    Args:
        words: All of the command's.
    """
    before = words[words.index(word) - 1]
    if any(getattr(one, "is_flag", False) and before in one.opts for one in ctx.command.params):
        return _fault(f"{before} takes no value, '{word}'", ctx, _help(ctx))
    return _fault(f"'{word}' is one word too many", ctx, _example(ctx))


def _example(ctx: typer.Context) -> str:
    """The first line of the command's own examples; without any, where its help is."""
    lines = [line.strip() for line in (ctx.command.epilog or "").splitlines()]
    found = next((line for line in lines if line.startswith(ctx.command_path)), "")
    return f"{_help(ctx)} Such as: {found}" if found else _help(ctx)


def _help(ctx: typer.Context) -> str:
    return f"See {ctx.command_path} --help."

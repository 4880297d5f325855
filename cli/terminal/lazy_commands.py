"""Commands of a program that are imported when they are called, never to be listed."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from itertools import pairwise
from textwrap import indent
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from cli.terminal import usage_words

Commands = Mapping[str, "tuple[str | Commands, str]"]
Groups = Mapping[str, tuple[str, str]]
"""First command of each group to the group's title and an example of it."""


class Deferred(TyperCommand):
    """Stands in a group for a command until somebody calls it, completes it or asks for its help.

    Args:
        home: ``module:function`` of a command, or what a group holds.
    """

    def __init__(self, name: str, home: str | Commands, summary: str) -> None:
        super().__init__(name, short_help=summary, rich_markup_mode=None)
        self._home, self._summary = home, summary

    def loaded(self) -> TyperCommand | TyperGroup:
        """The command itself."""
        if not isinstance(self._home, str):
            return lazy_group(self._home)(
                name=self.name, help=self._summary, no_args_is_help=True, rich_markup_mode=None
            )
        module, _, function = self._home.partition(":")
        app = typer.Typer(add_completion=False, rich_markup_mode=None)
        app.command(self.name, cls=_Command)(getattr(import_module(module), function))
        command = typer.main.get_command(app)
        assert isinstance(command, TyperCommand)
        about, mark, examples = (command.help or "").rpartition("\b\n")
        if mark:  # what can be typed stands last, where the eye ends
            command.help = about.rstrip()
            command.epilog = f"\b\nExamples:\n{indent(examples.rstrip(), '  ')}"
        return command

    def make_context(self, *args: Any, **named: Any) -> typer.Context:
        """Context of the command itself: whatever happens with it happens through this."""
        return self.loaded().make_context(*args, **named)


class _Command(TyperCommand):
    """A command that says in words of ours what is wrong with its line."""

    def parse_args(self, ctx: typer.Context, args: list[str]) -> list[str]:
        words = list(args)
        ctx.allow_extra_args = True
        with usage_words.worded(ctx):
            extra = super().parse_args(ctx, args)
        if extra and not ctx.resilient_parsing:
            raise usage_words.too_much(extra[0], words, ctx)
        return extra


def lazy_group(commands: Commands, groups: Groups | None = None) -> type[TyperGroup]:
    """Make the class of a group of commands.

    Args:
        commands: By its name, each command's ``module:function``, or the commands of a group, and
            what it does in one line.
        groups: How the help sets them apart; none: one list.
    """

    class LazyGroup(TyperGroup):
        def __init__(self, **named: Any) -> None:
            super().__init__(**named)
            for name, (home, summary) in commands.items():
                self.add_command(Deferred(name, home, summary))

        def parse_args(self, ctx: typer.Context, args: list[str]) -> list[str]:
            for option in self.get_params(ctx):
                if option.default is None and getattr(option, "is_flag", False):
                    # A flag left alone is off; to learn that of None, typer would load pydantic.
                    option.default = False
            with usage_words.worded(ctx):
                return super().parse_args(ctx, args)

        def resolve_command(self, ctx: typer.Context, args: list[str]) -> Any:
            if args[0] not in self.commands and not ctx.resilient_parsing:
                raise usage_words.unknown_command(args[0], list(self.commands), ctx)
            return super().resolve_command(ctx, args)

        def format_commands(self, ctx: typer.Context, formatter: Any) -> None:
            if groups is None:
                super().format_commands(ctx, formatter)
                return
            width = max(map(len, commands))
            begins = [*map(list(commands).index, groups), len(commands)]
            rows = [(f"{name:<{width}}", about) for name, (_, about) in commands.items()]
            for (title, example), (start, end) in zip(
                groups.values(), pairwise(begins), strict=True
            ):
                with formatter.section(title):
                    formatter.write_dl(rows[start:end])
                    formatter.write(f"  $ {example}\n")

    return LazyGroup

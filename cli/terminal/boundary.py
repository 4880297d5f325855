"""The program's one boundary, where errors become words and an exit status.

0    done
1    the data or the bench cannot support the result
2    wrong usage or unreadable input
130  interrupted
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import typer
from typer.exceptions import TyperException

from cli.terminal import show
from cli.terminal.ask import Left, WentBack
from cli.terminal.version import program_version
from meas.errors import FreeairError, Refused, UsageError

app = typer.Typer(
    name="freeair",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 88},
)


def run(argv: Sequence[str]) -> int:
    """Run one command, say what stops it, and return its exit status.

    Args:
        argv: Words after the program's name.
    """
    as_json = _wants_json(argv)
    show.prepare_streams(as_json=as_json)
    try:
        status = command(argv)
    except FreeairError as error:
        report_fault(error, as_json=as_json)
        return error.exit_status
    except TyperException as error:  # a group alone: its help, where errors go
        sys.stderr.write(error.format_message().rstrip() + "\n")
        return 2
    except (Left, WentBack):
        show.note("Left: nothing more was played.")
        return 2
    except (KeyboardInterrupt, typer.Abort):
        status = 130
    except BrokenPipeError:
        # The reader of a pipe has gone; Python would complain again while closing the stream.
        sys.stdout = None
        return 1
    except OSError as error:
        if not error.filename:
            _report_defect(as_json, error)
            return 1
        report_fault(of_system(error), as_json=as_json)
        return 2
    except Exception as error:
        _report_defect(as_json, error)
        return 1
    if status == 130:
        show.note("\nInterrupted.")
    return status


def command(argv: Sequence[str]) -> int:
    """Run one command and return its exit status; its errors are the caller's.

    Raises:
        FreeairError: What the command itself raises.
    """
    status = app(args=list(argv), prog_name="freeair", standalone_mode=False)
    return status if isinstance(status, int) else 0


def report_fault(error: FreeairError, *, as_json: bool = False) -> None:
    """Say what is wrong, where, and what to do about it."""
    head = "Refused" if isinstance(error, Refused) else "Not possible"
    if isinstance(error, Refused):
        reasons = [reason.as_json() for reason in error.reasons]
        body = "\n".join(show.refusal(reason) for reason in error.reasons)
    else:
        reasons = [{"code": "usage", "text": str(error)}]
        body = error.what
    if as_json:
        _print_refusal(reasons)
    show.fault(f"{head}: {error.where}" if error.where else head, body, error.remedy)


def _print_refusal(reasons: list[dict[str, str]]) -> None:
    import json

    show.line(json.dumps({"refused": True, "reasons": reasons}, ensure_ascii=False))


def of_system(error: OSError) -> UsageError:
    """Word what the operating system has against a file, where no reader or writer did."""
    return UsageError(
        f"cannot be used ({error.strerror or error})",
        where=os.fsdecode(error.filename) if error.filename else None,
        remedy="Check the name, the medium, and who may read and write there.",
    )


def _report_defect(as_json: bool, error: Exception) -> None:
    import tempfile
    import traceback
    from pathlib import Path

    text = "".join(traceback.format_exception(error))
    with tempfile.NamedTemporaryFile(
        "w", prefix="freeair-", suffix=".log", delete=False, encoding="utf-8"
    ) as log:
        log.write(f"freeair {program_version()}, Python {sys.version}\n{text}")
    what = f"{type(error).__name__}: {error}".strip()
    if as_json:
        _print_refusal([{"code": "internal-error", "text": what}])
    show.fault(
        f"Sorry, this is a mistake in freeair {program_version()}, not yours",
        what,
        f"Nothing that was recorded is lost. What happened is written down in {Path(log.name)}; "
        "please send it along when you report this.",
    )


def _wants_json(argv: Sequence[str]) -> bool:
    words = list(argv)
    return "--json" in (words[: words.index("--")] if "--" in words else words)

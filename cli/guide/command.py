"""``freeair guide``, and ``freeair`` alone at a terminal: led from the wiring to the report."""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.terminal import show
from meas.errors import FreeairError, UsageError

if TYPE_CHECKING:
    from cli.guide.state import GuidedSession
    from cli.guide.steps import Step


def at_terminal() -> bool:
    """Tell whether somebody can be led: asked, and shown what comes of it."""
    return show.can_ask() and sys.stdout is not None and sys.stdout.isatty()


def guide(
    folder: Annotated[
        Path, typer.Argument(metavar="[FOLDER]", help="Where everything goes; this one by default.")
    ] = Path(),
) -> None:
    """Be led through a measurement, step by step.

    Asks, shows the wiring, plays, explains, and says every step as the command that does it. Can
    be left at any question and goes on there when it is called again in the same folder.

    \b
    freeair guide
    """
    if not at_terminal():
        raise UsageError(
            "a guided session needs a terminal to ask at",
            where="freeair guide",
            remedy="In scripts use the commands that it runs: rig new, rig level, rig calibrate, "
            "take, fit ('freeair --help').",
        )
    if not folder.is_dir():
        raise UsageError("is no folder", where=str(folder), remedy="Make it first, or choose one.")
    with contextlib.chdir(folder):
        _lead()


def _lead() -> None:
    from cli.guide import desk
    from cli.guide import state as guide_state
    from cli.guide.steps import another_unit, next_step, step_back
    from cli.terminal.ask import Left, WentBack, confirmed

    desk.begin()
    try:
        state = guide_state.read()
        if state is None:
            _greet()
            state = guide_state.GuidedSession()
        else:
            state = _resumed(state)
            if next_step(state) is None:
                show.note(f"{state.answers['unit']} is done: {state.files('result')[-1]}")
                why = "The bench, its level and its calibration stay as they are."
                if not confirmed("Measure another driver on the same bench?", why):
                    return
                state = another_unit(state)
        while (step := next_step(state)) is not None:
            try:
                state = _through(step, state)
            except WentBack:
                state = step_back(step, state)
            guide_state.write(state)
    except (Left, KeyboardInterrupt, typer.Abort):
        show.note("\nLeft. Everything so far is kept; freeair in this folder goes on from here.")
        return
    _finish(state)


def _greet() -> None:
    show.heading("freeair, bench companion for drivers built at home", stderr=True)
    show.note(
        "I can lead you from the wiring to the report of one driver. It takes about ten minutes. "
        "Everything goes into this folder, nothing is overwritten, and each step is shown as the "
        "command that you could type yourself.\n"
        "At every question: Enter takes what stands in brackets, ? explains, back returns to the "
        "step before, skip goes on without, leave (or Ctrl-D) stops and keeps everything. Nothing "
        "sounds without Enter or a yes. Without hardware: freeair demo. All commands: "
        "freeair --help."
    )


def _resumed(state: GuidedSession) -> GuidedSession:
    """The session where it can go on, saying so."""
    from cli.guide.steps import RESTS_ON, STEPS, next_step

    lost = state.lost()
    known = state.before({*lost, *(step for name in lost for step in RESTS_ON.get(name, ()))})
    done = [step.title.lower() for step in STEPS if step.name in known.done]
    if next_step(known) is not None:
        show.note(f"Going on with {known.answers.get('unit', 'a new driver')}.", "bold")
        if done:
            show.note(f"Behind us: {', '.join(done)}.")
    if lost:
        titles = [step.title.lower() for step in STEPS if step.name in lost]
        show.note(f"Files are gone of: {', '.join(titles)}. That has to be done again.", "yellow")
    return known


def _through(step: Step, state: GuidedSession) -> GuidedSession:
    """Repeat a step until it is done, skipped or left."""
    from cli.guide.desk import Failed
    from cli.guide.steps import ALL_TAKES, STEPS
    from cli.terminal.ask import Question, Skipped, ask
    from cli.terminal.boundary import report_fault

    console = show.console(stderr=True)
    console.print()
    due = [one for one in STEPS if one.due(state) or one.name in state.done]
    console.rule(f"{due.index(step) + 1} of {len(due)}  {step.title}", align="left",
                 style="dim", characters="─" if show.can_draw() else "-")  # fmt: skip
    console.print(step.text)
    options = {"again": "try once more"}
    if step.may_skip:
        options["skip"] = "go on without"
    if step.name in ALL_TAKES[1:]:
        options["retake"] = "make all takes anew (those that are there stay)"
    while True:
        try:
            return step.act(state)
        except Skipped:
            return state.after(step.name)
        except FreeairError as error:
            report_fault(error)
        except Failed:
            pass
        show.note("")
        why = "What went wrong stands above. Nothing is lost, whatever you choose."
        answer = ask(Question("What now? (leave keeps everything)", why, default="again",
                              options=options))  # fmt: skip
        if answer == "skip":
            return state.after(step.name)
        if answer == "retake":
            return state.before(ALL_TAKES)


def _finish(state: GuidedSession) -> None:
    saved, page = state.files("result")[:2]
    show.note("")
    show.note("Done.", "bold green")
    show.note(
        f"The page to look at, print and keep: {page}\n"
        f"After some hours of break-in, measured again: freeair compare {saved} LATER.json\n"
        "Another driver on this bench: freeair"
    )

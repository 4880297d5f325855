"""Answers as people write them: what the command line gets of them."""

from __future__ import annotations

import io

import pytest

from cli.guide import plain_answers
from cli.terminal import ask
from cli.words import values
from meas.errors import UsageError


def types(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


@pytest.mark.parametrize(
    ("typed", "value", "half_width"),
    [
        ("10R 5%", 10, 0.5),
        ("8.2 ohm 1%", 8.2, 0.082),
        ("8.2ohm +- 0.1ohm", 8.2, 0.1),
        ("8.2ohm+/-1%", 8.2, 0.082),
        ("4k7", 4700, None),
        ("10 ohms, 5 percent", 10, 0.5),
        ("8.2 ohm +- 0.1", 8.2, 0.1),
    ],
)
def test_resistors(typed: str, value: float, half_width: float | None) -> None:
    read = values.resistance(plain_answers.with_unit("ohm", typed))
    assert read.value == pytest.approx(value)
    assert read.half_width == (None if half_width is None else pytest.approx(half_width))


def test_a_bare_number_is_asked_about(monkeypatch: pytest.MonkeyPatch) -> None:
    types(monkeypatch, "")
    assert plain_answers.with_unit("ohm", "10") == "10ohm"
    types(monkeypatch, "sure")
    assert plain_answers.with_unit("g", "7.5") == "7.5g"
    types(monkeypatch, "no")
    with pytest.raises(UsageError, match="no unit"):
        values.mass(plain_answers.with_unit("g", "7.5"))


@pytest.mark.parametrize(("typed", "written"), [("7.5 grams", "7.5g"), ("6.8 Liters", "6.8L"),
                                                 ("118 millimetres", "118mm")])  # fmt: skip
def test_units_that_are_spelt_out(typed: str, written: str) -> None:
    assert plain_answers.with_unit("g", typed) == written


@pytest.mark.parametrize("typed", ["5.0 inch", "5.0in", '5.0"', "5.0 inches"])
def test_inches(typed: str) -> None:
    """25.4 mm (international yard, 1959), and half of the last digit written either way."""
    read = values.diameter(plain_answers.length(typed))
    assert read.value == pytest.approx(0.127)
    assert read.half_width == pytest.approx(0.00127, rel=0.03)  # two digits are written


def test_whole_inches_say_next_to_nothing_of_a_cone(monkeypatch: pytest.MonkeyPatch) -> None:
    """As read to a sixteenth only where that is said, which Enter does not."""
    types(monkeypatch, "yes")
    read = values.diameter(plain_answers.length("5 inch"))
    assert read.half_width == pytest.approx(25.4e-3 / 16, rel=0.03)
    types(monkeypatch, "")
    with pytest.raises(UsageError, match="half an inch"):
        plain_answers.length("5 inch")


def test_skip_leaves_out_what_may_be_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    types(monkeypatch, "skip")
    assert ask.ask(ask.Question("Air?", "Why.", optional=True)) == ""
    types(monkeypatch, "skip", "x")
    assert ask.ask(ask.Question("Name?", "Why.", default="x")) == "x"


def test_altitude() -> None:
    """ISO 2533:1975, table of the standard atmosphere: 1000 m 898.75 hPa, 2000 m 795.01 hPa (from
    memory). Weather takes 30 hPa, half a metre at most 6 Pa more (12 hPa for 100 m)."""
    for metres, hpa in ((0, 1013.25), (1000, 898.75), (2000, 795.01)):
        read = values.pressure(plain_answers.pressure(f"{metres} metres"))
        assert read.value == pytest.approx(100 * hpa, abs=10)
        assert 3000 < read.half_width < 3007
    assert plain_answers.pressure("1000 ft") == "305m"  # 0.3048 m (international foot, 1959)


@pytest.mark.parametrize(("typed", "given"), [("left", "1"), ("Right", "2"), ("3", "3")])
def test_sides_of_a_plug(typed: str, given: str) -> None:
    assert plain_answers.side_of_a_plug(typed) == given


@pytest.mark.parametrize("typed", ["what picture", "no", "perhaps", "1", "nope", "quit", "yess"])
def test_only_enter_or_a_clear_yes_lets_it_sound(
    typed: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    types(monkeypatch, typed)
    with pytest.raises(ask.Left):  # at the end of input; it still waits
        ask.wait_until_ready("Enter when ready", "Why.")


@pytest.mark.parametrize("typed", ["", "yes", "Y", "ok", "sure"])
def test_enter_and_a_clear_yes_go_on(typed: str, monkeypatch: pytest.MonkeyPatch) -> None:
    types(monkeypatch, typed)
    ask.wait_until_ready("Enter when ready", "Why.")
    types(monkeypatch, typed)
    assert ask.confirmed("Go on?", "Why.", default=True)


def test_every_prompt_explains(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    question = ask.Question("What?", "The question's reason.", default="x")
    for prompt in (
        lambda: ask.ask(question),
        lambda: ask.confirmed("Go on?", "The question's reason."),
        lambda: ask.wait_until_ready("Enter when ready", "The question's reason."),
    ):
        types(monkeypatch, "?", "")
        prompt()
        assert "The question's reason." in capsys.readouterr().err
        for word, way in (("leave", ask.Left), ("back", ask.WentBack)):
            types(monkeypatch, word)
            with pytest.raises(way):
                prompt()

"""The wiring picture says what the rig says, in text and as SVG, with the cautions beside it."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from invoked import Invoke

from cli.pictures import wiring
from cli.terminal import cautions
from meas.bench.rig import Drive, Rig, Wiring
from meas.errors import UsageError

SIDES = ("hot", "ground")
AMPLIFIERS = ("none", "grounded", "bridged")


def made(side: str, amplifier: str) -> Wiring:
    return Wiring.model_validate(
        {"series_resistor_ohm": 8.2, "resistor_side": side, "amplifier": amplifier,
         "source_input": 3, "driver_input": 4}
    )  # fmt: skip


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("amplifier", AMPLIFIERS)
@pytest.mark.parametrize("same_node", [False, True])
def test_text_picture(side: str, amplifier: str, same_node: bool) -> None:
    picture = wiring.as_text(wiring.describe(made(side, amplifier), same_node=same_node))
    lines = picture.splitlines()
    assert max(map(len, lines)) <= 78
    chain = lines[1]
    first, second = chain.index("resistor 8.2 Ω"), chain.index("+ driver −")
    assert (first < second) is (side == "hot")
    # The driver input taps the chain between the two blocks, or before both when calibrating.
    nodes = [match.start() for match in re.finditer("●", chain)]
    assert len(nodes) == 2
    between = min(first, second) < nodes[1] < max(first, second)
    assert between is not same_node
    assert nodes[0] < min(first, second)
    for column, name in zip(nodes, ("input 3", "input 4"), strict=True):
        start = lines[3].index(name)
        assert start <= column < start + len(name), "each input hangs on its node"
        assert lines[-1][column] == "●"


def test_bridged_amplifier_has_no_ground() -> None:
    picture = wiring.describe(made("hot", "bridged"))
    text = wiring.as_text(picture)
    assert "NOT ground" in text
    assert "sleeve" not in text
    assert "differential or isolated" in picture.note


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("amplifier", AMPLIFIERS)
def test_svg_picture(side: str, amplifier: str) -> None:
    described = wiring.describe(made(side, amplifier))
    root = ElementTree.fromstring(wiring.as_svg(described))
    texts = {node.text: node for node in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {*described.blocks, *described.inputs, *described.source, *described.back} <= set(texts)
    driver = float(texts["+ driver −"].get("x", "0"))
    resistor = float(texts["resistor 8.2 Ω"].get("x", "0"))
    assert (resistor < driver) is (side == "hot")
    assert "Wiring:" in (root.get("aria-label") or "")


def test_command_shows_picture_and_cautions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    invoke = Invoke(capsys)
    rig = tmp_path / "bench.toml"
    assert invoke("rig", "new", rig, "--series-resistor", "8.2ohm").status == 0
    ran = invoke("rig", "wiring", rig, "--svg", tmp_path / "wiring.svg")
    assert ran.status == 0
    assert "[ resistor 8.2 Ω ]" in ran.stdout
    assert "Tweeters die from low frequencies" in ran.told
    assert "currentColor" not in (tmp_path / "wiring.svg").read_text(encoding="utf-8")
    ElementTree.parse(tmp_path / "wiring.svg")


def test_cautions_follow_the_rig() -> None:
    plain = Rig(name="a")
    assert cautions.BRIDGED not in cautions.for_rig(plain)
    assert not any(caution.asks for caution in cautions.for_rig(plain))
    bridged = Rig(name="a", wiring=Wiring(amplifier="bridged"))
    assert cautions.for_rig(bridged)[0] is cautions.BRIDGED
    assert "local codes" in cautions.AMPLIFIER.text
    woofer = Rig(name="a", drive=Drive(woofer=True, start_hz=5.0))
    titles = [caution.title for caution in cautions.for_rig(woofer)]
    assert "Woofers only: full drive from 5 Hz up" in titles
    assert "magnetic" in cautions.for_condition("added-mass")[0].text


def test_simulated_bench_only_asks_what_must_be_learnt() -> None:
    card = {"device": "simulated"}
    assert cautions.for_playing(Rig.model_validate({"name": "a", "card": card})) == ()
    amplified = Rig.model_validate({"name": "a", "card": card, "wiring": {"amplifier": "bridged"}})
    assert all(caution.asks for caution in cautions.for_playing(amplified))


def test_a_question_without_a_terminal_is_an_error(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(UsageError, match="has not been acknowledged"):
        cautions.acknowledge([cautions.BRIDGED], yes=False)
    cautions.acknowledge([cautions.BRIDGED], yes=True)
    assert "Bridged amplifier" in capsys.readouterr().err

"""The wiring picture, as text and as SVG.

Resistor and driver are always two blocks in series between the source and its return. Only
which comes first depends on the resistor's side, and only what the return is called depends on
the amplifier.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from meas.files.outside_text import markup

if TYPE_CHECKING:
    from meas.bench.rig import Wiring


@dataclass(frozen=True)
class Picture:
    """Wiring picture: its parts and its words.

    Attributes:
        source: The live end, in two lines.
        back: The return, in two lines.
        blocks: First and second block of the series chain, from live to return.
        inputs: What each input of the card is, source first.
        lead: What each input's second conductor is called.
        same_node: True for the calibration: both inputs on the source node.
        note: The one thing to remember.
    """

    source: tuple[str, str]
    back: tuple[str, str]
    blocks: tuple[str, str]
    inputs: tuple[str, str]
    lead: str
    same_node: bool
    note: str


def describe(wiring: Wiring, *, same_node: bool = False, place: str = "+ driver −") -> Picture:
    """Say what the picture of a wiring shows.

    Args:
        same_node: Both inputs on the source node.
        place: What is in the driver's place.
    """
    ohm = wiring.series_resistor_ohm
    resistor = "resistor ?" if ohm is None else f"resistor {ohm:.4g} Ω"
    blocks = (resistor, place) if wiring.resistor_side == "hot" else (place, resistor)
    inputs = (f"input {wiring.source_input}", f"input {wiring.driver_input}")
    if wiring.amplifier == "none":
        source, back = ("card output", "signal (tip)"), ("card output", "ground (sleeve)")
        lead, note = "sleeve", "Output and inputs belong to one card: one clock, one ground."
    elif wiring.amplifier == "grounded":
        source, back = ("amplifier", "terminal +"), ("amplifier", "− is ground")
        lead, note = "sleeve", "The amplifier's − terminal must really be the card's ground."
    else:
        source, back = ("amplifier", "terminal +"), ("amplifier", "− NOT ground")
        lead = "− lead"
        note = (
            "Both inputs differential or isolated. No sleeve, no ground and no shield of the card "
            "may touch either amplifier terminal."
        )
    return Picture(source, back, blocks, inputs, lead, same_node, note)


def as_text(picture: Picture) -> str:
    """Draw the picture in at most 78 columns."""
    margin = 17
    first, second = (f"[ {block} ]" for block in picture.blocks)
    if picture.same_node:
        top = "─────●─────────────●────" + first + "──" + second + "──┐"
        nodes = [5, 19]
    else:
        top = "─────●────" + first + "────●────" + second + "──┐"
        nodes = [5, 14 + len(first)]
    width = len(top)

    def row(marks: dict[int, str], corner: str = "│", fill: str = " ") -> str:
        cells = [fill] * (width - 1) + [corner]
        for column, text in marks.items():
            start = column if text.startswith("│") else column - len(text) // 2
            cells[start : start + len(text)] = text
        return "".join(cells)

    wires = dict.fromkeys(nodes, "│")
    leads = dict.fromkeys(nodes, "│ " + picture.lead)
    rows = [
        (picture.source[0], ""),
        (picture.source[1], top),
        ("", row(wires)),
        ("", row(dict(zip(nodes, picture.inputs, strict=True)))),
        ("", row(dict(zip(nodes, ("source", "driver"), strict=True)))),
        ("", row(leads)),
        (picture.back[0], row(wires)),
        (picture.back[1], row(dict.fromkeys(nodes, "●"), corner="┘", fill="─")),
    ]
    return "\n".join(f"{left:<{margin}}{right}".rstrip() for left, right in rows)


def as_svg(picture: Picture) -> str:
    """Draw the picture as an SVG element in the colours of its page (``currentColor``)."""
    width, top, bottom, left, right = 740, 50, 190, 132, 715
    block_w, block_h, second_x = 150, 44, 530
    first_x = 330 if picture.same_node else 230
    nodes = (180, 270) if picture.same_node else (180, 455)
    parts = [
        f'<svg class="wiring" viewBox="0 0 {width} 216" role="img" '
        f'aria-label="{markup(_spoken(picture))}" xmlns="http://www.w3.org/2000/svg" '
        'fill="none" stroke="currentColor" stroke-width="2" font-size="15" '
        'font-family="inherit">',
        f'<path d="M{left} {top}H{first_x}M{first_x + block_w} {top}H{second_x}'
        f'M{second_x + block_w} {top}H{right}V{bottom}H{left}"/>',
    ]
    for x, text in zip((first_x, second_x), picture.blocks, strict=True):
        shape = (
            f'<rect x="{x}" y="{top - block_h / 2}" width="{block_w}" height="{block_h}" rx="4"/>'
        )
        parts += [shape, _label(x + block_w / 2, top + 5, text)]
    for y, pair in ((top, picture.source), (bottom, picture.back)):
        parts.append(f'<circle cx="{left}" cy="{y}" r="5" fill="currentColor"/>')
        parts += [_label(4, y - 4, pair[0], "start"), _label(4, y + 15, pair[1], "start")]
    rows = zip(nodes, picture.inputs, ("source", "driver"), strict=True)
    for x, name, role in rows:
        high = 90
        parts += [
            f'<path class="probe" d="M{x} {top}V{high}M{x} {high + 46}V{bottom}"/>',
            f'<circle cx="{x}" cy="{top}" r="4" fill="currentColor"/>',
            f'<circle cx="{x}" cy="{bottom}" r="4" fill="currentColor"/>',
            f'<rect class="probe" x="{x - 34}" y="{high}" width="68" height="46" rx="4"/>',
            _label(x, high + 19, name),
            _label(x, high + 38, role),
            _label(x + 6, high + 66, picture.lead, "start", small=True),
        ]
    parts.append("</svg>")
    return "".join(parts)


def _spoken(picture: Picture) -> str:
    where = (
        "both inputs on the source"
        if picture.same_node
        else f"{picture.inputs[0]} on the source, {picture.inputs[1]} between the two"
    )
    return (
        f"Wiring: {' '.join(picture.source)}, then {picture.blocks[0]}, then "
        f"{picture.blocks[1]}, back to {' '.join(picture.back)}; {where}."
    )


def _label(x: float, y: float, text: str, anchor: str = "middle", *, small: bool = False) -> str:
    size = ' font-size="12"' if small else ""
    return (
        f'<text x="{x:g}" y="{y:g}" text-anchor="{anchor}" fill="currentColor" '
        f'stroke="none"{size}>{markup(text)}</text>'
    )

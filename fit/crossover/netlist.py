"""A crossover as a SPICE netlist, with its drivers as subcircuits."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from fit.crossover.ladder import Part
from fit.crossover.network import Branch
from fit.crossover.spice import conductance


def netlist(branches: Sequence[Branch], subcircuits: Mapping[str, str]) -> str:
    """Write the whole network behind one source of 1 V (alternating), node ``amp`` against 0.

    Nodes are ``<branch>1``, ``<branch>2`` ... from the amplifier on, the last one is
    ``<branch>_out``, on the driver.

    Args:
        subcircuits: Text of each driver's subcircuit by branch, terminals plus and minus.
    """
    lines = ["* crossover network, loads as fitted"]
    for branch in branches:
        lines.append(subcircuits[branch.name].rstrip())
    lines.append("Vamp amp 0 DC 0 AC 1")
    for branch in branches:
        lines += _branch_lines(branch, _subcircuit_name(subcircuits[branch.name]))
    return "\n".join([*lines, ""])


def _branch_lines(branch: Branch, driver: str) -> list[str]:
    lines = [f"* {branch.name}"]
    here, count = "amp", 0
    in_line = [k for k, arm in enumerate(branch.arms) if arm.place == "series"]
    last = in_line[-1] if in_line else -1
    end = f"{branch.name}_out" if in_line else "amp"
    for k, arm in enumerate(branch.arms):
        if arm.place == "series":
            count += 1
            there = end if k == last else f"{branch.name}{count}"
        else:
            there = "0"
        node = here
        for index, named in enumerate(arm.parts):
            final = index == len(arm.parts) - 1
            after = there if final else f"{branch.name}_a{k}_{index}"
            lines += _part_lines(f"{branch.name}_{named.name}", named.part, node, after)
            node = after
        if arm.place == "series":
            here = there
    lines.append(f"X{branch.name} {here} 0 {driver}")
    return lines


def _part_lines(name: str, part: Part, here: str, there: str) -> list[str]:
    if part.kind == "resistor":
        return [conductance(name, here, there, part.value + part.series_ohm)]
    inner = here
    lines: list[str] = []
    if part.series_ohm > 0:
        inner = f"{name}_i"
        lines.append(conductance(f"{name}_s", here, inner, part.series_ohm))
    letter = "C" if part.kind == "capacitor" else "L"
    lines.append(f"{letter}{name} {inner} {there} {part.value!r}")
    if part.kind == "inductor" and math.isfinite(part.core_ohm):
        lines.append(conductance(f"{name}_c", inner, there, part.core_ohm))
    return lines


def _subcircuit_name(text: str) -> str:
    line = next(line for line in text.splitlines() if line.startswith(".subckt"))
    return line.split()[1]

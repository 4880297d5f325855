"""Answers to sliders: a measured driver in a box, behind a crossover, with another coil.

Each answer is worked out within a tenth of a second on the grid of the command that stands beside
it, with the band of 95 % that the fit's uncertainty draws.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np

from cli.window import folder
from cli.window.desk import in_words
from cli.window.growing import numbers
from meas.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from cli.filter.stock_file import Stock
    from cli.targets.coil_words import CoilWords
    from fit.box.predict import Band, Prediction
    from fit.crossover.load import Load
    from fit.crossover.network import Branch, NetworkPart, NetworkSolution, Stress
    from meas.curve import ComplexArray, FloatArray
    from meas.errors import Finding

_HUMIDITY = 0.5  # hardly moves the air's stiffness: the command takes what was measured


class Asked:
    """Numbers of sliders, each held against the range that its page offers."""

    def __init__(self, said: Mapping[str, object]) -> None:
        self._said = said

    def number(self, name: str, low: float, high: float) -> float:
        """Read a number in its range.

        Raises:
            UsageError: If it is none, or outside.
        """
        value = self._said.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise UsageError("is no number", where=name)
        if not low <= value <= high:
            raise UsageError(f"{value:g} is not from {low:g} to {high:g}", where=name)
        return float(value)

    def yes(self, name: str) -> bool:
        """Tell whether a box is ticked."""
        return self._said.get(name) is True

    def of(self, name: str) -> Mapping[str, object]:
        """Read several numbers under one name."""
        value = self._said.get(name)
        return value if isinstance(value, dict) else {}

    def name(self, name: str) -> str:
        """Read the name of an entry of the folder; empty where nothing was chosen."""
        value = self._said.get(name)
        return value if isinstance(value, str) else ""


def box(said: Mapping[str, object]) -> dict[str, Any]:
    """Try a driver in a box: level, excursion, air speed, impedance.

    Args:
        said: ``fit vented volume_l fb_hz ql drive_v bore_mm source_ohm xmax_mm celsius
            pressure_hpa``.

    Raises:
        UsageError: If a value is out of range, or the fit does not know Vas.
        Refused: If no such box can be predicted.
    """
    from fit.box import saved_driver
    from fit.box.circuit import Air, Box
    from fit.box.predict import cautions, predict
    from fit.box.vent import tube_length

    asked = Asked(said)
    name = asked.name("fit")
    celsius = asked.number("celsius", -20, 60)
    pressure = asked.number("pressure_hpa", 500, 1100)
    around = Air.at(100 * pressure, 273.15 + celsius, _HUMIDITY)
    driver = saved_driver.of_fit(folder.saved_fit(name).fit, around.modulus)
    volume = asked.number("volume_l", 0.1, 1000) / 1e3
    volt = asked.number("drive_v", 0.01, 100)
    options = {"--volume": f"{volume * 1e3:.4g}L", "--drive": f"{volt:.4g}V"}
    length = None
    if vented := asked.yes("vented"):
        fb, QL = asked.number("fb_hz", 5, 300), asked.number("ql", 2, 100)
        bore = asked.number("bore_mm", 5, 500) / 1e3
        built = Box(volume, fb, QL, math.pi / 4 * bore**2)
        length = tube_length(fb, volume, bore, around.sound_speed, 1)
        options |= {"--fb": f"{fb:.4g}Hz", "--ql": f"{QL:.4g}", "--bore": f"{bore * 1e3:.4g}mm"}
    else:
        built = Box(volume)
    xmax = asked.number("xmax_mm", 0, 100) / 1e3
    if xmax:
        options["--xmax"] = f"{xmax * 1e3:.4g}mm"
    ohm = asked.number("source_ohm", 0, 20)
    if ohm:
        options["--source-resistance"] = f"{ohm:.4g}ohm"
    options |= {"--air-temperature": f"{celsius:g}C", "--air-pressure": f"{pressure:g}hPa"}
    found = predict(driver, built, volt, around, source_ohm=ohm)
    told = cautions(found, built, xmax=xmax or None, tube_length=length)
    words = ["box", name, *(["--vented"] if vented else []), *chain(*options.items())]
    return {
        "command": in_words(words),
        "fields": {"FIT": name, **({"--vented": True} if vented else {}), **options},
        "f": numbers(found.frequency_hz),
        "curves": _box_curves(found, 1.96 * driver.widening),
        "values": _box_values(found, driver.widening, length),
        "findings": _told((*driver.warnings, *told)),
    }


def _told(found: Iterable[Finding]) -> list[dict[str, str]]:
    from fit.results.quantities import capitalised

    return [{"code": one.code, "text": capitalised(one.text)} for one in found]


def _box_curves(found: Prediction, reach: float) -> dict[str, Any]:
    def band(one: Band | None, scale: float, floor: float) -> dict[str, Any] | None:
        if one is None:
            return None
        return _banded(scale * one.value, reach * scale * one.standard_uncertainty, floor)

    return {
        "level": band(found.level_db, 1.0, -math.inf),
        "excursion": band(found.excursion_m, 1e3, 0.0),
        "speed": band(found.vent_speed_m_s, 1.0, 0.0),
        "impedance": band(found.magnitude_ohm, 1.0, 0.0),
    }


def _banded(value: FloatArray, off: FloatArray, floor: float = -math.inf) -> dict[str, Any]:
    low = np.maximum(value - off, floor)
    return {"y": numbers(value), "low": numbers(low), "high": numbers(value + off)}


def _box_values(found: Prediction, widening: float, length: float | None) -> list[str]:
    from fit.results.numbers import figures

    names = {"fc": "resonance", "Qtc": "total Q", "f3": "3 dB down at", "peak_db": "peak"}
    rows = []
    for symbol, one in found.parameters.items():
        if symbol == "peak_db" and not one.value:
            continue  # it has none
        written = figures(replace(one, widening=widening), 1.0)
        rows.append(f"{names.get(symbol, symbol)} {written.with_interval(one.unit)}")
    if length is not None:
        rows.append(f"tube to cut {1e3 * length:.0f} mm")
    return rows


def network(said: Mapping[str, object]) -> dict[str, Any]:
    """Solve a two-way crossover of the textbook into the drivers as measured.

    Args:
        said: ``woofer tweeter`` (a fit each, or nothing), ``corner_hz order q attenuate_db
            compensate drive_v least_ohm stock`` and ``parts``: a branch's part to its value.

    Raises:
        UsageError: If a value is out of range or no driver is given.
        Refused: ``no-common-band``.
    """
    from cli.filter import stock_file
    from cli.terminal.cautions import for_network
    from fit.crossover.evaluate import evaluate, shared_band
    from fit.results.numbers import significant

    asked = Asked(said)
    networked, notes, files = branches(asked)
    volt, tolerated = asked.number("drive_v", 0.1, 100), asked.number("least_ohm", 0, 32)
    band = shared_band(networked)
    held = [replace(one, load=_held(files[one.name], band)) for one in networked]
    found = evaluate(held, drive_volt=volt, amplifier_minimum_ohm=tolerated or None)
    own, effects = _rows(found.solution), [_rows(up) - _rows(down) for _, up, down in found.moved]
    off = 1.96 * np.sqrt(np.sum(np.square(effects) / 4, axis=0))
    low, high = found.least_load.interval_95
    drawer = asked.name("stock")
    stock = stock_file.read([folder.inside(drawer)]) if drawer else None
    return {
        "command": in_words(filter_words(asked, files)),
        "f": numbers(found.solution.frequency_hz),
        "levels": {
            one.branch.name: _banded(own[k], off[k])
            for k, one in enumerate(found.solution.branches)
        },
        "load": _banded(own[-1], off[-1]),
        "least": {
            "ohm": found.least_load.value, "off": (high - low) / 2, "hz": found.least_hz,
            "tolerated": tolerated, "verdict": found.verdict or "",
        },
        "crossings": [significant(one.frequency.value) for one in found.crossings],
        "findings": _told((*notes, *found.findings)),
        "cautions": [
            {"title": one.title, "text": one.text}
            for one in for_network(found, paired=stock is not None and stock.has_pairs)
        ],
        "parts": [
            row for one, stress in zip(found.solution.branches, found.stresses or (), strict=True)
            for row in _parts(one.branch, stress, stock)
        ],
    }  # fmt: skip


def _rows(solution: NetworkSolution) -> FloatArray:
    """Levels of the branches [dB], and the load [ohm], shape (b + 1, n)."""
    levels = [one.level_db for one in solution.branches]
    return np.stack([*levels, np.abs(solution.load_ohm)])


def branches(asked: Asked) -> tuple[list[Branch], tuple[Finding, ...], dict[str, str]]:
    """Make the branches of the textbook, with the parts that sliders changed.

    Returns:
        The branches, what to mind, and the files of their drivers.

    Raises:
        UsageError: If a value is out of range or no driver is given.
    """
    from cli.filter.branches import Standard, designed
    from fit.crossover.network import with_part

    files = {name: asked.name(name) for name in ("woofer", "tweeter") if asked.name(name)}
    attenuated = asked.number("attenuate_db", 0, 30)
    wanted = Standard(
        asked.number("corner_hz", 50, 15000),
        int(asked.number("order", 1, 2)),
        asked.number("q", 0.3, 2),
        attenuated if "tweeter" in files else 0.0,
        12,
    )
    loads = {name: _load(file) for name, file in files.items()}
    standard, notes, _ = designed(loads, wanted, list(files) if asked.yes("compensate") else [])
    found, moved = [], asked.of("parts")
    for branch in standard:
        for one in branch.parts:
            key, value = f"{branch.name} {one.name}", one.part.value
            if key in moved:
                wished = Asked(moved).number(key, value / 100, value * 100)
                branch = with_part(branch, one.name, replace(one.part, value=wished))
        found.append(branch)
    return found, notes, files


def filter_words(asked: Asked, files: Mapping[str, str], kept: str = "") -> list[str]:
    """Write the command of a network: that of the textbook, or of the file that keeps it.

    Args:
        kept: That file; empty for the name that one gets whose parts were changed.
    """
    if asked.of("parts"):
        kept = kept or folder.free_name("", "network", ".toml")
    words = ["filter", kept] if kept else [
        "filter", "--crossover", f"{asked.number('corner_hz', 50, 15000):.4g}Hz",
        "--order", f"{asked.number('order', 1, 2):.0f}", "--q", f"{asked.number('q', 0.3, 2):g}",
    ]  # fmt: skip
    for name, file in files.items():
        words += [f"--{name}", file]
        words += ["--compensate", name] if asked.yes("compensate") and not kept else []
    if (attenuated := asked.number("attenuate_db", 0, 30)) and "tweeter" in files and not kept:
        words += ["--attenuate", f"{attenuated:g}dB"]
    if asked.name("stock"):
        words += ["--at-hand", asked.name("stock")]
    if tolerated := asked.number("least_ohm", 0, 32):
        words += ["--amplifier-minimum", f"{tolerated:g}ohm"]
    return [*words, "--drive", f"{asked.number('drive_v', 0.1, 100):.4g}V"]


def _parts(branch: Branch, stress: Iterable[Stress], stock: Stock | None) -> list[dict[str, Any]]:
    """Write parts, their heat (an ideal coil or capacitor has none) and the nearest at hand."""
    from fit.results.numbers import with_prefix

    def at_hand(wished: NetworkPart) -> str:
        best = stock.near(wished)[:1] if stock else []
        return "".join(
            f"{one.text}: {100 * (one.value / wished.part.value - 1):+.1f} %" for one in best
        )

    def heat(borne: Stress) -> str:
        if not borne.worst_watt:
            return "none, as an ideal part"
        return (
            f"{borne.pink_watt:.2g} W with noise, at worst {borne.worst_watt:.2g} W at "
            f"{borne.worst_hz:.0f} Hz"
        )

    named = [(arm.place, one) for arm in branch.arms for one in arm.parts]
    return [
        {
            "branch": branch.name,
            "name": one.name,
            "place": place,
            "value": with_prefix(one.part.value, one.part.unit),
            "si": one.part.value,
            "at_hand": at_hand(one),
            "heat": heat(borne),
        }
        for (place, one), borne in zip(named, stress, strict=True)
    ]


def _load(file: str) -> Load:
    """Make a driver a load."""
    from cli.sources import loads

    return folder.kept("load", file, lambda path: loads.read(path.as_posix()))


def _held(file: str, band: tuple[float, float]) -> Load:
    """Work out the impedance and errors of a load on the grid of a band, once."""
    from fit.crossover.network import grid

    def held(function: Callable[[FloatArray], ComplexArray]) -> Callable[..., ComplexArray]:
        known = function(at)
        return lambda f: known if np.array_equal(f, at) else function(f)

    def read(_: Path) -> Load:
        errors = {source: held(error) for source, error in load.errors.items()}
        return replace(load, impedance=held(load.impedance), errors=errors)

    load, at = _load(file), grid(band)
    return folder.kept(f"load over {band}", file, read)


def coil(said: Mapping[str, object]) -> dict[str, Any]:
    """Try another coil on the same former of the very driver.

    Args:
        said: ``fit former_mm wall_mm pole_mm hole_mm plate_mm metal`` (pole and hole 0 where they
            are not known) and for the coil in it and the one to try, with
            ``now_`` and ``new_`` in front: ``wire_mm layers height_mm``.

    Raises:
        UsageError: If a value is out of range or the fit does not know Mms.
    """
    from cli.targets import coil_words
    from fit.design.rewound import NEEDED, rewound
    from fit.design.winding import cautions
    from fit.results.propagate import effects_on
    from fit.results.quantities import in_order

    asked = Asked(said)
    saved = folder.saved_fit(asked.name("fit"))
    missing = [symbol for symbol in NEEDED if symbol not in saved.fit.parameters]
    if missing:
        raise UsageError(
            f"the fit does not know {', '.join(missing)}",
            where=asked.name("fit"),
            remedy="Fit free air with a mass on the cone, and its diameter.",
        )
    options = _wound(asked, "new")
    words = _read(options)
    now, new = coil_words.coil(_read(_wound(asked, "now"))), coil_words.coil(words)
    plate, gap = asked.number("plate_mm", 1, 60) / 1e3, coil_words.gap(words)
    inputs = {symbol: saved.fit.parameters[symbol] for symbol in NEEDED}
    symbols = in_order((*NEEDED, "Qts"))

    def values(given: Mapping[str, float]) -> FloatArray:
        found = rewound(given, now, new, plate)
        return np.array([found[symbol] for symbol in symbols])

    try:
        own = values({symbol: one.value for symbol, one in inputs.items()})
        effects = effects_on(values, inputs)
    except ValueError as error:
        raise UsageError(str(error), remedy="Set the coil that is in it as it is.") from error
    off = 1.96 * np.sqrt(sum((one**2 for one in effects.values()), np.zeros(own.size)))
    lines = [
        f"{new.turns} turns, {new.resistance[1]:.3g} Ω at 20 °C, {1e3 * new.mass:.3g} g, "
        f"{1e3 * new.height:.3g} mm high, {1e3 * new.outside_diameter:.4g} mm outside",
        f"{100 * new.length_in_gap(plate) / new.length:.0f} % of the wire lies in the gap",
    ]
    if gap is not None:
        inner, outer = (f"{1e3 * free:.2f} mm" for free in new.clearances(gap))
        lines.append(f"metal fills {100 * new.fill(gap):.0f} % of the gap")
        lines.append(f"{inner} stay free inside, {outer} outside")
    return {
        "command": in_words(["wind", *chain(*options.items())]),
        "coil": lines,
        "findings": _told(cautions(new, gap)),
        "rows": [
            _coil_row(symbol, saved.fit.parameters.get(symbol), float(value), float(reach))
            for symbol, value, reach in zip(symbols, own, off, strict=True)
        ],
    }


_SIZES = {
    "--former": ("former_mm", 8, 160), "--former-thickness": ("wall_mm", 0, 2),
    "--pole": ("pole_mm", 0, 200), "--plate": ("hole_mm", 0, 200),
    "--gap-height": ("plate_mm", 1, 60),
}  # fmt: skip


def _wound(asked: Asked, which: str) -> dict[str, str]:
    """Write a coil as options of its command; sizes of nothing are not known."""
    sizes = {option: asked.number(*limits) for option, limits in _SIZES.items()}
    if not (sizes["--pole"] and sizes["--plate"]):
        sizes |= {"--pole": 0.0, "--plate": 0.0}
    sizes["--height"] = asked.number(f"{which}_height_mm", 2, 60)
    aluminium = asked.name("metal") == "aluminium" and which == "new"
    return {
        "--wire": f"{asked.number(f'{which}_wire_mm', 0.05, 1.0):g}mm",
        **({"--metal": "aluminium"} if aluminium else {}),
        "--layers": f"{asked.number(f'{which}_layers', 1, 6):.0f}",
        **{option: f"{size:g}mm" for option, size in sizes.items() if size},
    }


def _read(options: Mapping[str, str]) -> CoilWords:
    """Read the options of a coil as its command does."""
    from cli.targets.coil_words import CoilWords
    from cli.words import values

    lengths = {
        option.strip("-").replace("-", "_"): values.length(text, option)
        for option, text in options.items() if option in (*_SIZES, "--height")
    }  # fmt: skip
    layers, metal = (int(options["--layers"]),), options.get("--metal", "copper")
    return CoilWords((options["--wire"],), metal, layers=layers, **lengths)


def _coil_row(symbol: str, now: Any, value: float, reach: float) -> dict[str, str]:
    from fit.results.numbers import decimals_for, number, with_unit
    from fit.results.quantities import shown

    unit = "1" if now is None else now.unit
    how = shown(symbol, unit)
    decimals = decimals_for(reach / how.scale, value / how.scale)
    then = number(value / how.scale, decimals)
    before = "" if now is None else number(now.value / how.scale, decimals)
    return {
        "symbol": how.symbol, "words": how.words, "now": with_unit(before, how.unit),
        "then": f"{then} ± {number(reach / how.scale, decimals)} {how.unit}".strip(),
    }  # fmt: skip


Way = Callable[[Mapping[str, object]], dict[str, Any]]
WAYS: Mapping[str, Way] = {"box": box, "network": network, "coil": coil}

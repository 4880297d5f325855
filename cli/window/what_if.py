"""Answers to sliders: a measured driver in a box, behind a crossover, with another coil.

Each answer is worked out within a tenth of a second on the grid of the command that stands beside
it, with the band of 95 % that the fit's uncertainty draws.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from cli.window import folder
from cli.window.desk import in_words
from cli.window.views import numbers
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.filter.stock_file import Stock
    from fit.box.predict import Band, Prediction
    from fit.crossover.load import Load
    from fit.crossover.network import Branch
    from fit.design.winding import Coil
    from fit.results.result import Estimate
    from meas.curve import ComplexArray, FloatArray

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
    words = ["box", name, "--volume", f"{volume * 1e3:.4g}L", "--drive", f"{volt:.4g}V"]
    length = None
    if asked.yes("vented"):
        fb, QL = asked.number("fb_hz", 5, 300), asked.number("ql", 2, 100)
        bore = asked.number("bore_mm", 5, 500) / 1e3
        built = Box(volume, fb, QL, math.pi / 4 * bore**2)
        length = tube_length(fb, volume, bore, around.sound_speed, 1)
        words += ["--vented", "--fb", f"{fb:.4g}Hz", "--ql", f"{QL:.4g}"]
        words += ["--bore", f"{bore * 1e3:.4g}mm"]
    else:
        built = Box(volume)
    xmax = asked.number("xmax_mm", 0, 100) / 1e3
    if xmax:
        words += ["--xmax", f"{xmax * 1e3:.4g}mm"]
    ohm = asked.number("source_ohm", 0, 20)
    if ohm:
        words += ["--source-resistance", f"{ohm:.4g}ohm"]
    words += ["--air-temperature", f"{celsius:g}C", "--air-pressure", f"{pressure:g}hPa"]
    found = predict(driver, built, volt, around, source_ohm=ohm)
    told = cautions(found, built, xmax=xmax or None, tube_length=length)
    return {
        "command": in_words(words),
        "f": numbers(found.frequency_hz),
        "curves": _box_curves(found, 1.96 * driver.widening),
        "values": _box_values(found, driver.widening, length),
        "findings": [{"code": one.code, "text": one.text} for one in told],
    }


def _box_curves(found: Prediction, reach: float) -> dict[str, Any]:
    def band(one: Band | None, scale: float = 1.0, floor: float = -math.inf) -> Any:
        if one is None:
            return None
        value, off = one.value * scale, reach * one.standard_uncertainty * scale
        return {"y": numbers(value), "low": numbers(np.maximum(value - off, floor)),
                "high": numbers(value + off)}  # fmt: skip

    return {
        "level": band(found.level_db),
        "excursion": band(found.excursion_m, 1e3, 0.0),
        "speed": band(found.vent_speed_m_s, 1.0, 0.0),
        "impedance": band(found.magnitude_ohm, 1.0, 0.0),
    }


def _box_values(found: Prediction, widening: float, length: float | None) -> list[str]:
    names = {"fc": "resonance", "Qtc": "total Q", "f3": "3 dB down at", "peak_db": "peak"}
    rows = []
    for symbol, one in found.parameters.items():
        if symbol == "peak_db" and not one.value:
            continue  # it has none
        unit = "" if one.unit == "1" else f" {one.unit}"
        off = widening * 1.96 * one.standard_uncertainty
        rows.append(f"{names.get(symbol, symbol)} {one.value:.3g} ± {off:.2g}{unit}")
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
        Refused: If the drivers share no band.
    """
    from fit.crossover.network import common_band, grid, least_load, stresses

    asked = Asked(said)
    networked, files = branches(asked)
    volt = asked.number("drive_v", 0.1, 100)
    try:
        band = common_band(networked)
    except ValueError as error:
        raise UsageError("the two drivers were measured over bands that do not meet") from error
    f = grid(band)
    held = [replace(one, load=_held(files[one.name], _changed(files[one.name]), band))
            for one in networked]  # fmt: skip
    nominal, spread, least = _spread(held, f)
    low, high = least.interval_95
    words = _filter_words(asked, files)
    stock = _stock(asked.name("stock"))
    return {
        "command": in_words([*words, "--drive", f"{volt:.4g}V"]),
        "f": numbers(f),
        "levels": {
            one.branch.name: _banded(one.level_db, spread[k]) for k, one in
            enumerate(nominal.branches)
        },
        "load": _banded(np.abs(nominal.load_ohm), spread[-1]),
        "least": {
            "ohm": least.value, "off": (high - low) / 2,
            "hz": least_load(f, nominal.load_ohm)[1],
            "tolerated": asked.number("least_ohm", 0, 32),
        },
        "parts": [
            row for one in nominal.branches
            for row in _parts(one.branch, stresses(one, f, volt), stock)
        ],
    }  # fmt: skip


def branches(asked: Asked) -> tuple[list[Branch], dict[str, str]]:
    """Make the branches of the textbook, with the parts that sliders changed; and their files.

    Raises:
        UsageError: If a value is out of range or no driver is given.
    """
    from fit.crossover.network import Branch, with_part
    from fit.crossover.textbook import BranchAim, design

    corner, order = asked.number("corner_hz", 50, 15000), int(asked.number("order", 1, 2))
    aim = BranchAim(
        True, corner, order, asked.number("q", 0.3, 2), asked.yes("compensate"), 0.0, 12
    )  # fmt: skip
    files = {name: asked.name(name) for name in ("woofer", "tweeter") if asked.name(name)}
    if not files:
        raise UsageError("no driver is chosen", where="woofer, tweeter")
    found = []
    for name, file in files.items():
        load = _load(file, _changed(file))
        attenuate = asked.number("attenuate_db", 0, 30) if name == "tweeter" else 0.0
        own = replace(aim, low_pass=name == "woofer", attenuate_db=attenuate)
        branch = Branch(name, design(own, load)[0], load)
        for one in branch.parts:
            key, value = f"{name} {one.name}", one.part.value
            if key in asked.of("parts"):
                wished = Asked(asked.of("parts")).number(key, value / 100, value * 100)
                branch = with_part(branch, one.name, replace(one.part, value=wished))
        found.append(branch)
    return found, files


def _filter_words(asked: Asked, files: Mapping[str, str]) -> list[str]:
    words = ["filter", "--crossover", f"{asked.number('corner_hz', 50, 15000):.4g}Hz"]
    words += [
        "--order",
        f"{asked.number('order', 1, 2):.0f}",
        "--q",
        f"{asked.number('q', 0.3, 2):g}",
    ]
    for name, file in files.items():
        words += [f"--{name}", file]
        words += ["--compensate", name] if asked.yes("compensate") else []
    if asked.number("attenuate_db", 0, 30) and "tweeter" in files:
        words += ["--attenuate", f"{asked.number('attenuate_db', 0, 30):g}dB"]
    if asked.name("stock"):
        words += ["--at-hand", asked.name("stock")]
    return words


def _stock(file: str) -> Stock | None:
    """Read the parts at hand."""
    from cli.filter import stock_file

    return stock_file.read([folder.inside(file)]) if file else None


def _spread(branches: Any, f: FloatArray) -> tuple[Any, FloatArray, Estimate]:
    """Solve the network; standard uncertainty of levels and load, (b + 1, n); its least load."""
    from fit.crossover.budget import disturbed, minimum
    from fit.crossover.network import solve
    from fit.results.result import Estimate

    def rows(solution: Any) -> FloatArray:
        levels = [one.level_db for one in solution.branches]
        return np.stack([*levels, np.abs(solution.load_ohm)])

    square, effects = np.zeros((len(branches) + 1, f.size)), {}
    for source, up, down in disturbed(branches, f):
        square += ((rows(up) - rows(down)) / 2) ** 2
        effects[source] = (minimum(up) - minimum(down)) / 2
    found = solve(branches, f)
    return found, np.sqrt(square), Estimate(minimum(found), "ohm", effects)


def _banded(value: FloatArray, uncertainty: FloatArray) -> dict[str, Any]:
    off = 1.96 * uncertainty
    return {"y": numbers(value), "low": numbers(value - off), "high": numbers(value + off)}


def _parts(branch: Any, stress: Any, stock: Stock | None) -> list[dict[str, Any]]:
    from fit.results.numbers import with_prefix

    units = {"inductor": "H", "capacitor": "F", "resistor": "ohm"}
    named = [(arm.place, one) for arm in branch.arms for one in arm.parts]
    return [
        {
            "branch": branch.name,
            "name": one.name,
            "place": place,
            "value": with_prefix(one.part.value, units[one.part.kind]),
            "si": one.part.value,
            "unit": units[one.part.kind],
            "at_hand": _at_hand(one, stock),
            "heat": _heat(borne),
        }
        for (place, one), borne in zip(named, stress, strict=True)
    ]


def _at_hand(wished: Any, stock: Stock | None) -> str:
    """Find the nearest part that lies in the drawer."""
    best = stock.near(wished)[:1] if stock else []
    if not best:
        return ""
    return f"{best[0].text}: {100 * (best[0].value / wished.part.value - 1):+.1f} %"


def _heat(borne: Any) -> str:
    """Work out the power that a part must get rid of; an ideal coil or capacitor none."""
    if not borne.worst_watt:
        return "none, as an ideal part"
    return (
        f"{borne.pink_watt:.2g} W with noise, at worst {borne.worst_watt:.2g} W at "
        f"{borne.worst_hz:.0f} Hz"
    )


def _changed(file: str) -> int:
    """Read the state of a file of the folder."""
    return folder.inside(file).stat().st_mtime_ns


@lru_cache(maxsize=32)
def _load(file: str, _state: int) -> Load:
    """Make a driver a load."""
    from cli.sources import loads

    return loads.read("driver", folder.inside(file).as_posix())


@lru_cache(maxsize=32)
def _held(file: str, state: int, band: tuple[float, float]) -> Load:
    """Work out the impedance and errors of a load on the grid of a band, once."""
    from fit.crossover.network import grid

    load, at = _load(file, state), grid(band)

    def held(function: Callable[[FloatArray], ComplexArray]) -> Callable[..., ComplexArray]:
        known = function(at)
        return lambda f: known if np.array_equal(f, at) else function(f)

    return replace(
        load,
        impedance=held(load.impedance),
        errors={source: held(error) for source, error in load.errors.items()},
    )


def coil(said: Mapping[str, object]) -> dict[str, Any]:
    """Try another coil on the same former of the very driver.

    Args:
        said: ``fit former_mm plate_mm metal`` and for the coil in it and the one to try, with
            ``now_`` and ``new_`` in front: ``wire_mm layers height_mm``.

    Raises:
        UsageError: If a value is out of range or the fit does not know Mms.
    """
    from fit.design.rewound import NEEDED, rewound
    from fit.results.propagate import effects_on

    asked = Asked(said)
    saved = folder.saved_fit(asked.name("fit"))
    missing = [symbol for symbol in NEEDED if symbol not in saved.fit.parameters]
    if missing:
        raise UsageError(
            f"the fit does not know {', '.join(missing)}",
            where=asked.name("fit"),
            remedy="Fit free air with a mass on the cone, and its diameter.",
        )
    now, new = _coil(asked, "now"), _coil(asked, "new")
    plate = asked.number("plate_mm", 1, 60) / 1e3
    inputs = {symbol: saved.fit.parameters[symbol] for symbol in NEEDED}
    symbols = (*NEEDED, "Qts")

    def values(given: Mapping[str, float]) -> FloatArray:
        found = rewound(given, now, new, plate)
        return np.array([found[symbol] for symbol in symbols])

    try:
        own = values({symbol: one.value for symbol, one in inputs.items()})
        effects = effects_on(values, inputs)
    except ValueError as error:
        raise UsageError(str(error), remedy="Set the coil that is in it as it is.") from error
    off = 1.96 * np.sqrt(sum((one**2 for one in effects.values()), np.zeros(own.size)))
    return {
        "command": in_words(_wind_words(asked)),
        "coil": [
            f"{new.turns} turns, {new.resistance[1]:.3g} Ω at 20 °C, {1e3 * new.mass:.3g} g, "
            f"{1e3 * new.height:.3g} mm high, {1e3 * new.outside_diameter:.4g} mm outside",
            f"{100 * new.length_in_gap(plate) / new.length:.0f} % of the wire lies in the gap",
        ],
        "rows": [
            _coil_row(symbol, saved.fit.parameters.get(symbol), float(value), float(reach))
            for symbol, value, reach in zip(symbols, own, off, strict=True)
        ],
    }


def _coil(asked: Asked, which: str) -> Coil:
    from fit.design.winding import Coil, Former, turns_in_height
    from fit.design.wire import ALUMINIUM, COPPER, enamelled

    metal = ALUMINIUM if asked.name("metal") == "aluminium" and which == "new" else COPPER
    wire = enamelled(asked.number(f"{which}_wire_mm", 0.05, 1.0) / 1e3, metal)
    layers = int(asked.number(f"{which}_layers", 1, 6))
    height = asked.number(f"{which}_height_mm", 2, 60) / 1e3
    former = Former(asked.number("former_mm", 8, 160) / 1e3, 0.0)
    return Coil(wire, former, layers, max(layers, turns_in_height(wire, layers, height)))


def _wind_words(asked: Asked) -> list[str]:
    metal = asked.name("metal")
    return [
        "wind", "--former", f"{asked.number('former_mm', 8, 160):g}mm",
        "--wire", f"{asked.number('new_wire_mm', 0.05, 1.0):g}mm",
        *(["--metal", "aluminium"] if metal == "aluminium" else []),
        "--layers", f"{asked.number('new_layers', 1, 6):g}",
        "--height", f"{asked.number('new_height_mm', 2, 60):g}mm",
        "--gap-height", f"{asked.number('plate_mm', 1, 60):g}mm",
    ]  # fmt: skip


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


WAYS: Mapping[str, Callable[[Mapping[str, object]], dict[str, Any]]] = {
    "box": box,
    "network": network,
    "coil": coil,
}

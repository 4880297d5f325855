"""Content of the pages: units with their takes and values, a rig with what it still lacks."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

import numpy as np
from markupsafe import Markup

from cli.report.index import SHOWN as SHOWN
from cli.report.index import standing
from cli.report.page import ParameterRow
from cli.report.picture import small_curve
from cli.window import folder
from cli.window.folder import Entry, SavedFit
from cli.window.growing import curve_data, numbers

if TYPE_CHECKING:
    from fit.results.result import DriverFit
    from meas.audio.recording import Recording
    from meas.bench.rig import Rig
    from meas.curve import Curve
    from meas.takes.take import Take


@dataclass(eq=False)
class Unit:
    """All in the folder about one unit.

    Attributes:
        takes: The latest first, refused ones among them.
        tables: Impedance tables named after it.
        fits: Saved fits, the latest first.
    """

    name: str
    takes: list[Entry] = field(default_factory=list)
    tables: list[Entry] = field(default_factory=list)
    fits: list[Entry] = field(default_factory=list)

    @property
    def latest(self) -> SavedFit | None:
        """The latest saved fit."""
        return self.fits[0].content if self.fits else None

    @property
    def kind(self) -> str:
        """Driver, part or system, as its latest take says."""
        return self.takes[0].content.kind if self.takes else "driver"

    @property
    def usable(self) -> list[Entry]:
        """Takes that were not refused."""
        return [one for one in self.takes if not one.content.refused]

    @property
    def at_levels(self) -> list[str]:
        """Usable takes by which a change with level can be followed; none from one level only."""
        good = self.usable
        several = len({one.content.rig.drive.level for one in good}) > 1
        return [one.path for one in good] if several and self.kind == "driver" else []

    @property
    def next_step(self) -> tuple[str, str]:
        """Say what would give the next value, and on which page; empty where all is known."""
        own = urlencode({"unit": self.name})
        good = self.usable
        if self.kind != "driver" and good:
            return {"part": ("its value", "/parts")}.get(self.kind, ("how it has come out", "/box"))
        if self.latest is None and not good and not self.tables:
            return "a sweep in free air", f"/take?{own}"
        fit = self.latest
        if fit is None:
            return "a fit of what was measured", f"/driver?{own}#fit-title"
        if "Mms" not in fit.fit.parameters:
            words, page = _way_to_mass(fit.fit)
            return f"{words}, for Mms, Bl and Cms", page + own
        if "Vas" not in fit.fit.parameters:
            return "the cone's diameter, for Vas and sensitivity", f"/driver?{own}#fit-title"
        return "", ""

    @property
    def contents(self) -> str:
        """Count what there is of it."""
        counted = (("take", self.takes), ("table", self.tables), ("fit", self.fits))
        return ", ".join(
            f"{len(found)} {name}{'s' * (len(found) > 1)}" for name, found in counted if found
        )


def _way_to_mass(fitted: DriverFit) -> tuple[str, str]:
    """Say what would tell the moving mass, and on which page, its query begun."""
    from cli.driver import mass_to_add
    from fit.box.suggest import suggest

    if suggest(fitted.parameters).kind == "tweeter":
        return "the weight of its moving parts", "/driver?"
    area = fitted.parameters.get("Sd")
    if area is None:
        return "the cone's diameter, so that a mass can be proposed", "/driver?"
    mass = f"{1e3 * mass_to_add.for_cone(fitted, area.value).mass_kg:g}g"
    return f"a take with about {mass} on the cone", f"/take?mass={mass}&"


def units() -> list[Unit]:
    """List the units of the folder, the latest touched first."""
    found: dict[str, Unit] = {}

    def of(name: str) -> Unit:
        return found.setdefault(name, Unit(name))

    for one in folder.entries():
        if one.fault or one.kind not in ("take", "table", "fit"):
            continue
        if one.kind == "take":
            of(one.content.unit).takes.append(one)
        elif one.kind == "fit":
            of(one.content.unit).fits.append(one)
        else:
            of(one.path.rsplit("/", 1)[-1].rsplit(".", 1)[0]).tables.append(one)
    return list(found.values())


def unit(name: str) -> Unit:
    """Find one unit; an empty one where nothing of it is there."""
    return next((one for one in units() if one.name == name), Unit(name))


def spark(one: Unit) -> Markup | None:
    """Draw the latest curve of a unit, small: of a take or a table, else what was fitted."""
    for entry in (*one.takes, *one.tables):
        curve = entry.content.curve if entry.kind == "take" else entry.content
        if curve is not None:
            return small_curve(curve.frequency_hz, curve.magnitude_ohm)
    for fitted in one.latest.fit.curves[:1] if one.latest else ():
        return small_curve(fitted.frequency_hz, np.abs(fitted.measured_ohm))
    return None


def values(
    saved: SavedFit, only: Collection[str] = (), but: Collection[str] = ()
) -> list[ParameterRow]:
    """Write parameters as people read them, with what limits each."""
    from fit.results.quantities import in_order

    wanted = (s for s in in_order(saved.fit.parameters) if s not in but and (not only or s in only))
    return [ParameterRow.of(saved.fit, symbol) for symbol in wanted]


def narrowing(saved: SavedFit) -> list[str]:
    """Say what would narrow the intervals of a saved fit, and those of which values."""
    from fit.results.quantities import shown

    found: dict[str, list[str]] = {}
    for one in saved.document.get("improvements", []):
        if step := one.get("cheapest"):
            found.setdefault(step["action"], []).append(shown(one["parameter"], "1").symbol)
    return [f"{step[:1].upper()}{step[1:]}: {', '.join(of)}." for step, of in found.items()]


def verdict(saved: SavedFit | None) -> tuple[str, str]:
    """Say in a word how a fit meets its targets, and its class: inside, outside, undecided."""
    return standing(saved.document) if saved else ("", "")


def condition(taken: Take) -> str:
    """Name the condition of a take, such as ``added mass 7.5 g``."""
    from fit.results.quantities import condition_words

    if taken.kind != "driver":
        return {"part": "part", "system": "in its box"}[taken.kind]
    return condition_words(taken.condition.name, taken.condition.value)


def called(entry: Entry) -> str:
    """Name an entry of the folder as forms do."""
    content = entry.content
    if entry.kind == "take":
        parts = (content.unit, condition(content), content.taken_at[:16].replace("T", " "))
        return ", ".join((*parts, content.label) if content.label else parts)
    if entry.kind == "fit":
        return f"{content.unit}, fit ({entry.path})"
    if entry.kind == "rig":
        hertz = content.drive.gentle_below_hz
        held = "woofers only" if content.drive.woofer else f"gentle below {hertz:g} Hz"
        return f"{entry.path}, {held}"
    return entry.path


def benches(unit: str = "") -> list[Entry]:
    """List the benches, first the one that a unit, else anything, was last taken on."""
    rigs = folder.of_kind("rig")
    takes = [one.content for one in folder.of_kind("take")]
    latest = [one.rig.name for one in takes if one.unit == unit] or [one.rig.name for one in takes]
    return sorted(rigs, key=lambda one: one.content.name not in latest[:1])


def choices(kinds: tuple[str, ...], of: str = "") -> list[Entry]:
    """List what lies in the folder for a field of a form."""
    if kinds == ("rig",):
        return benches()
    found = folder.of_kind(*kinds)
    fitting = [e for e in found if not of or e.kind != "take" or e.content.kind == of]
    return sorted(fitting, key=lambda e: e.kind == "table")  # its own takes before tables of any


def in_window(text: str) -> str:
    """Rename the options in a command's words as the forms call them; commands stay commands."""
    from cli.window.actions import LABELS

    def renamed(found: re.Match[str]) -> str:
        label = LABELS.get(found[0])
        return found[0] if label is None else f"\u201c{label}\u201d"

    return re.sub(r"freeair [a-z].*|--[a-z][a-z-]*", renamed, text)


def cone_diameter(saved: SavedFit | None) -> str:
    """Write the diameter that a fit was given; empty where it knows none."""
    area = saved.fit.parameters.get("Sd") if saved else None
    if area is None:
        return ""
    width = float(np.sqrt(4 * area.value / np.pi))
    # Limits of a rectangular distribution, as they were stated: sqrt(3) standard uncertainties.
    off = np.sqrt(3) * area.standard_uncertainty * width / (2 * area.value)
    return f"{1e3 * width:.4g}mm±{1e3 * off:.2g}mm"


def fit_data(saved: SavedFit) -> dict[str, Any]:
    """Make the data of every curve of a fit: measured, modelled, and the rest in per cent."""
    from cli.pictures.plots import labels

    curves = []
    for curve, name in zip(saved.fit.curves, labels(saved.fit.curves), strict=True):
        z, model = np.abs(curve.measured_ohm), np.abs(curve.model_ohm)
        curves.append(
            {
                "name": name,
                "f": numbers(curve.frequency_hz),
                "z": numbers(z),
                "model": numbers(model),
                "off": numbers(100 * (z - model) / z),
            }
        )
    return {"curves": curves}


def take_data(name: str) -> dict[str, Any]:
    """Make the data of a take for its page: curve and recording, with the places of its findings.

    A refused take has no curve: what is drawn is the one that grew while it was recorded.
    """
    from meas.takes import take as takes

    taken = folder.take(name)
    recorded = takes.read_capture(folder.inside(name))

    def marks(where: str) -> list[dict[str, Any]]:
        return [
            {"at": at, "what": one.code.replace("-", " ")}
            for one in taken.findings for at in one.places.get(where, ())
        ]  # fmt: skip

    rate = recorded.sample_rate_hz
    events = [
        {"at": round(event.frame / rate, 3), "what": event.kind.replace("-", " ")}
        for event in taken.events[:200]
    ]
    return {
        "curve": _grown(taken, recorded) if taken.refused else data_of(folder.curve(name)),
        "hertz": marks("at_hz"),
        "recording": {**outline(recorded), "marks": [*marks("at_seconds"), *events]},
    }


def data_of(curve: Curve) -> dict[str, Any]:
    """Make the data of a kept curve for a chart."""
    return curve_data(curve.frequency_hz, curve.magnitude_ohm, curve.standard_uncertainty_ohm)


def _grown(taken: Take, recorded: Recording) -> dict[str, Any] | None:
    """Draw the curve of a refused take as it grew; None where what was played is not known."""
    from meas.excitation import choice
    from meas.takes.growing import growing_curve

    rig = taken.rig
    if str(taken.excitation.get("kind")).split("-")[0] != rig.drive.excitation:
        return None
    found = growing_curve(recorded.samples, recorded.sample_rate_hz, rig, choice.build(rig))
    if found is None or found.frequency_hz.size < 2:
        return None
    return curve_data(found.frequency_hz, found.impedance_ohm, found.standard_uncertainty_ohm)


def outline(recorded: Recording, columns: int = 600) -> dict[str, Any]:
    """Outline a recording, and tell when an input is at full scale.

    Args:
        columns: So many pieces of equal length.
    """
    samples, rate = recorded.samples, recorded.sample_rate_hz
    step = max(1, -(-len(samples) // columns))
    edges = np.arange(0, len(samples), step)
    peak = np.maximum.reduceat(np.abs(samples), edges, axis=0)
    return {
        "t": [round(float(edge) / rate, 4) for edge in edges],
        "source": numbers(peak[:, 0]),
        "driver": numbers(peak[:, 1]),
        "full": [round(float(edges[k]) / rate, 3)
                 for k in np.flatnonzero(peak.max(axis=1) >= 0.999)],
    }  # fmt: skip


def rig_facts(rig: Rig) -> list[str]:
    """Describe a bench in a few lines."""
    wiring, drive = rig.wiring, rig.drive
    ohm, side = wiring.series_resistor_ohm, wiring.resistor_side
    known = "unknown" if ohm is None else f"{ohm:g} Ω ± {wiring.tolerance_percent:g} %"
    held = "full drive everywhere (woofers only)" if drive.woofer else (
        f"a tenth of the drive below {drive.gentle_below_hz:g} Hz"
    )  # fmt: skip
    return [
        f"series resistor {known}, {side} side",
        f"{rig.card.device or 'the default device'} at {rig.card.sample_rate_hz} Hz, inputs "
        f"{wiring.source_input} and {wiring.driver_input}",
        f"{drive.excitation} from {drive.start_hz:g} Hz to {drive.stop_hz / 1000:g} kHz at level "
        f"{drive.level:g}, {held}",
        "no amplifier" if wiring.amplifier == "none" else f"{wiring.amplifier} amplifier",
    ]

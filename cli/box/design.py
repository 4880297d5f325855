"""Choice of a box from what is asked of it: closed or vented, with its tube."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cli.terminal import show
from meas.errors import UsageError

if TYPE_CHECKING:
    from cli.words.values import Value
    from fit.box.predict import Air, Box
    from fit.box.saved_driver import SavedDriver

_FLAT = math.sqrt(0.5)
_HIGHEST_QTC = 5.0


@dataclass(frozen=True)
class BoxOptions:
    """Options that decide a box; None where one was not given."""

    vented: bool
    volume: Value | None
    qtc: Value | None
    space: Value | None
    fb: Value | None
    bore: Value | None
    tube_length: Value | None
    tubes: int
    ql: Value | None


@dataclass(frozen=True)
class Vent:
    """Round tubes.

    Attributes:
        bore: Inner diameter [m].
        length: Length to cut [m].
        spread: How far the end correction leaves the length open, either way [m].
    """

    bore: float
    length: float
    spread: float
    tubes: int

    @property
    def area(self) -> float:
        """Area of all tubes together [m2]."""
        return self.tubes * math.pi / 4 * self.bore**2


@dataclass(frozen=True)
class Design:
    """A box as decided.

    Attributes:
        why: How it came about, in words.
    """

    box: Box
    vent: Vent | None
    why: str
    notes: tuple[str, ...] = ()


def check_words(options: BoxOptions) -> None:
    """Refuse words that contradict each other."""
    closed = {"--qtc": options.qtc, "--space": options.space}
    open_ = {"--fb": options.fb, "--bore": options.bore, "--tube-length": options.tube_length,
             "--ql": options.ql, "--tubes": None if options.tubes == 1 else "1"}  # fmt: skip
    others = closed if options.vented else open_
    wrong = [name for name, said in others.items() if said is not None]
    if wrong:
        kind = "closed" if options.vented else "vented"
        raise UsageError(
            f"{wrong[0]} belongs to a {kind} box",
            where=wrong[0],
            remedy="Leave out --vented." if options.vented else "Add --vented.",
        )
    asked = [n for n, said in (("--volume", options.volume), *closed.items()) if said is not None]
    if not options.vented and len(asked) > 1:
        raise UsageError(
            f"{' and '.join(asked)} decide the same thing",
            where=asked[0],
            remedy="Give one of them.",
        )
    if options.tubes < 1:
        raise UsageError("a vent has at least one tube", where="--tubes", remedy="Give 1 or more.")
    if not options.vented:
        return
    if options.tube_length is not None and options.bore is None:
        raise UsageError(
            "the tube has no bore", where="--tube-length", remedy="Add --bore, such as 50mm."
        )
    if options.tube_length is not None and options.fb is not None:
        raise UsageError(
            "the tube decides the tuning already",
            where="--fb",
            remedy="Leave out --fb, or leave out --tube-length to have the tube computed.",
        )
    decides = options.fb is not None or options.tube_length is not None
    if decides and options.volume is None:
        raise UsageError(
            "a tuning alone is no box",
            where="--volume",
            remedy="Add the net volume, such as --volume 24L; or leave out --fb and "
            "--tube-length for the flattest box.",
        )
    if options.volume is not None and not decides:
        raise UsageError(
            "a vented box of given volume needs a tuning",
            where="--volume",
            remedy="Add --fb 40Hz, or --bore 50mm with --tube-length 110mm; or leave out --volume "
            "for the flattest box.",
        )


def design(options: BoxOptions, driver: SavedDriver, air: Air, ohm: float) -> Design:
    """The box that is asked for.

    Raises:
        UsageError: If a value cannot be read, or the driver's Q is above the wished one.
        Refused: If no such box or tube exists.
    """
    return _vented(options, driver, air, ohm) if options.vented else _closed(options, driver, ohm)


def _closed(options: BoxOptions, driver: SavedDriver, ohm: float) -> Design:
    from fit.box.predict import Box, total_Q
    from fit.box.sealed import sealed_by_Qtc

    fs, Vas = math.exp(driver.theta[1]), math.exp(driver.theta[4])
    QT = total_Q(driver.theta, ohm)
    if options.volume is not None:
        volume = options.volume.value
        return Design(Box(volume), None, f"closed box of {volume * 1e3:.3g} L")
    if options.space is not None:
        space = options.space.value
        flat = None if QT >= _FLAT else sealed_by_Qtc(fs, QT, Vas, _FLAT).volume
        if flat is not None and flat <= space:
            note = f"the flattest needs {flat * 1e3:.3g} L of the {space * 1e3:.3g} L there are"
            return Design(Box(flat), None, "flattest closed box", (note,))
        note = (
            f"Qts is {QT:.2f} in free air already: any closed box peaks, the largest least"
            if flat is None
            else f"the flattest would need {flat * 1e3:.3g} L; all of the space is used"
        )
        return Design(Box(space), None, f"closed box filling {space * 1e3:.3g} L", (note,))
    if options.qtc is None:
        show.default_taken(f"no volume, Qtc or space given: Qtc {_FLAT:.3f}, maximally flat")
    wished = _FLAT if options.qtc is None else options.qtc.value
    if wished > _HIGHEST_QTC:
        raise UsageError(
            f"a total Q of {wished:.3g} is no closed box, but a lid on the cone",
            where="--qtc",
            remedy=f"Wish for one up to {_HIGHEST_QTC:g}; 0.5 to 1.2 are usual.",
        )
    found = sealed_by_Qtc(fs, QT, Vas, wished)
    return Design(Box(found.volume), None, f"closed box for Qtc {wished:.3g}")


def _vented(options: BoxOptions, driver: SavedDriver, air: Air, ohm: float) -> Design:
    from cli.words.values import number
    from fit.box.predict import Box, total_Q
    from fit.box.vent import check_room, tuning
    from fit.box.vented import TIGHT, vented_flattest

    fs, Vas = math.exp(driver.theta[1]), math.exp(driver.theta[4])
    if options.ql is None:
        show.default_taken(f"leakage Q of the box: {TIGHT:g}, usual for a tight one")
    QL = TIGHT if options.ql is None else options.ql.value
    bore = number(options.bore)
    if options.volume is None:
        flat = vented_flattest(fs, total_Q(driver.theta, ohm), Vas, QL)
        family = "flattest" if flat.family == "flat" else "flattest there is, with a ripple"
        volume, fb, why = flat.volume, flat.fb, f"vented box, {family}"
    else:
        volume = options.volume.value
        if options.tube_length is None:
            fb = options.fb.value
        else:
            length = options.tube_length.value
            check_room(length, volume, bore or 0.0, options.tubes, "Take a narrower or shorter one")
            fb = tuning(length, volume, bore or 0.0, air.sound_speed, options.tubes)
            vent = Vent(bore or 0.0, length, 0.0, options.tubes)
            why = f"vented box of {volume * 1e3:.3g} L with the tube there is"
            return Design(Box(volume, fb, QL, vent.area), vent, why)
        why = f"vented box of {volume * 1e3:.3g} L"
    if bore is None:
        return Design(Box(volume, fb, QL), None, why)
    vent = _tube(fb, volume, bore, air, options.tubes)
    return Design(Box(volume, fb, QL, vent.area), vent, why)


def _tube(fb: float, volume: float, bore: float, air: Air, tubes: int) -> Vent:
    """The tube for a tuning; its ends may be freer or more flanged than assumed."""
    from fit.box.vent import FLANGED_END, FREE_END, tube_length

    length = tube_length(fb, volume, bore, air.sound_speed, tubes)
    return Vent(bore, length, (FLANGED_END - FREE_END) * bore / 2, tubes)

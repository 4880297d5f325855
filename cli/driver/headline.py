"""What a driver is, in one sentence of the trade."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fit.results.numbers import significant

if TYPE_CHECKING:
    from fit.results.result import DriverFit


def headline(fit: DriverFit) -> str:
    """``48 Hz, Qts 0.41, 13 g: a woofer for 8.1 litres closed (f3 82 Hz) or ...``.

    Boxes are named where the takes tell Vas; what Qts and Vas leave open is in their own rows.
    """
    from fit.box.suggest import suggest

    found = fit.parameters
    if not {"fs", "Qts"} <= found.keys():
        return ""
    figures = [f"{_short(found['fs'].value)} Hz", f"Qts {significant(found['Qts'].value, 2)}"]
    if "Mms" in found:
        grams = 1e3 * found["Mms"].value
        figures.append(f"{significant(grams, 2)} g")
    use = suggest(found)
    boxes = []
    if use.closed is not None:
        boxes.append(f"{_litres(use.closed.volume)} closed (f3 {_short(use.closed.f3)} Hz)")
    if use.vented is not None:
        tuning, reach = _short(use.vented.fb), _short(use.vented.f3)
        boxes.append(f"{_litres(use.vented.volume)} vented to {tuning} Hz (f3 {reach} Hz)")
    text = f"{', '.join(figures)}: a {use.kind}"
    return f"{text} for {' or '.join(boxes)}." if boxes else f"{text}."


def _short(hertz: float) -> str:
    return significant(hertz, 2 if hertz < 100 else 3)


def _litres(volume: float) -> str:
    return f"{significant(1e3 * volume, 2)} litres"

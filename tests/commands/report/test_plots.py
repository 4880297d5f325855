"""What the pictures show: right numbers, units on every axis."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_fits import Physical, curve, fit_of

from cli.pictures import plots, plots_compare
from fit.compare.curves import difference
from fit.results.result import DriverFit

DRIVER = Physical()


@pytest.fixture(scope="module")
def fit() -> DriverFit:
    """Free air and an added mass."""
    heavier = replace(DRIVER, Mms=DRIVER.Mms + 7.5e-3)
    loaded = curve(heavier, condition="added-mass", value=7.5e-3, source="take-2")
    return replace(fit_of(DRIVER), curves=(curve(DRIVER), loaded))


def unlabelled(figure: object) -> list[str]:
    """Axes whose visible scales lack a name with a unit."""
    wrong = []
    for axes in figure.axes:  # type: ignore[attr-defined]  # matplotlib is loaded lazily
        names = [axes.get_ylabel()]
        if axes.xaxis.get_tick_params()["labelbottom"]:
            names.append(axes.get_xlabel())
        wrong += [name for name in names if not name.endswith(("Hz", "Ω", "°", "%"))]
    return wrong


def test_every_axis_has_a_unit(fit: DriverFit) -> None:
    for figure in (
        plots.curve_figure(fit),
        plots.motional_figure(fit),
        plots_compare.overlay_figure([fit, fit], ["before", "after"], [difference(fit, fit)]),
    ):
        assert unlabelled(figure) == []


def test_curve_figure_draws_the_data(fit: DriverFit) -> None:
    top, middle, bottom = plots.curve_figure(fit).axes
    for number, one in enumerate(fit.curves):
        measured, model = top.lines[2 * number : 2 * number + 2]
        np.testing.assert_allclose(measured.get_ydata(), np.abs(one.measured_ohm))
        np.testing.assert_allclose(model.get_ydata(), np.abs(one.model_ohm))
        np.testing.assert_allclose(
            middle.lines[2 * number].get_ydata(), np.degrees(np.angle(one.measured_ohm))
        )
        np.testing.assert_allclose(bottom.lines[number].get_ydata(), 0, atol=1e-9)
    legend = [text.get_text() for text in top.get_legend().get_texts()]
    assert legend == ["free air", "added mass 7.5 g"]


def test_the_points_that_people_look_for_are_marked(fit: DriverFit) -> None:
    """fs and Re of the driver; peak Re + Bl^2/Rms, but for the coil; the least |Z| by search."""
    top, middle, _ = plots.curve_figure(fit).axes
    said = {text.get_text() for text in top.texts}
    values = DRIVER.values()
    z = np.abs(DRIVER.impedance(np.geomspace(10, 2e4, 20001))[0])
    least = np.min(z[np.argmax(z * (np.geomspace(10, 2e4, 20001) < 200)) :])
    for word in (f"fs {values['fs']:.1f} Hz", f"Re {DRIVER.Re:.2f} Ω"):
        assert word in said
    (peak,) = [float(one.split()[1]) for one in said if one.startswith("peak")]
    assert peak == pytest.approx(values["Zmax"], rel=2e-3)  # 300 points, and the coil's reactance
    (low,) = [float(one.split()[1]) for one in said if one.startswith("least")]
    assert low == pytest.approx(least, rel=2e-3)
    assert {round(tick) % 45 for tick in middle.get_yticks()} == {0}


def test_residual_shows_what_is_off(fit: DriverFit) -> None:
    """One per cent more than the model reads +1 % in |Z|: 1.01/1.01 of the measured."""
    one = replace(fit.curves[0], measured_ohm=1.01 * fit.curves[0].measured_ohm)
    bottom = plots.curve_figure(replace(fit, curves=(one,))).axes[2]
    np.testing.assert_allclose(bottom.lines[0].get_ydata(), 100 * 0.01 / 1.01, rtol=1e-6)


def test_motional_part_is_measured_minus_blocked_coil(fit: DriverFit) -> None:
    left, right = plots.motional_figure(fit).axes
    dots = left.lines[0]
    seen = np.isin(fit.curves[0].frequency_hz, dots.get_xdata())
    assert np.count_nonzero(seen) == len(dots.get_xdata()) > 50  # only what the axis shows
    np.testing.assert_allclose(
        dots.get_ydata(), np.abs(fit.curves[0].motional_ohm)[seen], atol=1e-9
    )
    # The circle of a resonance: diameter Res on the real axis (Bl^2/Rms).
    circle = right.lines[1].get_xdata()
    assert np.max(circle) == pytest.approx(DRIVER.Bl**2 / DRIVER.Rms, rel=5e-3)


def test_magnitude_only_curve_is_drawn_without_measured_phase(fit: DriverFit) -> None:
    bare = replace(fit.curves[0], measured_ohm=np.abs(fit.curves[0].measured_ohm))
    alone = replace(fit, curves=(bare,))
    assert len(plots.curve_figure(alone).axes[1].lines) == 1
    assert len(plots.motional_figure(alone).axes[0].lines) == 1


def test_overlay_subtracts_the_first() -> None:
    before, after = fit_of(DRIVER), fit_of(DRIVER.but(Cms=1.2))
    found = difference(before, after)
    bottom = plots_compare.overlay_figure([before, after], ["new", "run in"], [found]).axes[1]
    expected = np.abs(after.curves[0].measured_ohm) - np.abs(before.curves[0].measured_ohm)
    np.testing.assert_allclose(bottom.lines[0].get_ydata(), expected, atol=1e-9)
    assert "new" in bottom.get_ylabel()


def test_difference_of_curves_on_other_frequencies() -> None:
    """Interpolation in log frequency: 300 against 297 points, error far below the change."""
    before = replace(fit_of(DRIVER), curves=(curve(DRIVER, points=3000),))
    after = replace(fit_of(DRIVER), curves=(curve(DRIVER, points=297),))
    found = difference(before, after)
    assert np.max(np.abs(found.difference_ohm)) < 0.05  # of 43 ohm at the peak


def _luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, from the sRGB definition in IEC 61966-2-1)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return sum(w * part for w, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def test_ink_on_white_has_contrast() -> None:
    assert 1.05 / (_luminance(plots.INK) + 0.05) > 7  # WCAG 2.2, 1.4.6


def test_png_and_svg_without_pyplot(fit: DriverFit, tmp_path: Path) -> None:
    """Nothing global: pyplot, which picks a backend for the whole process, stays out."""
    pyplot = "matplotlib.pyplot" in sys.modules
    plots.save_picture(plots.motional_figure(fit), tmp_path / "motion.png")
    assert (tmp_path / "motion.png").read_bytes().startswith(b"\x89PNG")
    first = plots.svg_text(plots.motional_figure(fit), "motion")
    assert first == plots.svg_text(plots.motional_figure(fit), "motion")
    assert ("matplotlib.pyplot" in sys.modules) is pyplot

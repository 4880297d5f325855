"""Estimated sum and travel behind a crossover, against ngspice with both drivers as circuits."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from boxed_bench import DENSITY, EFFECTS, SOUND_SPEED, STRONG, fit_of
from ngspice_bench import Driver, Load, driver_lines, run_ngspice

from fit.box.circuit import Air
from fit.box.saved_driver import of_fit
from fit.crossover.acoustic import acoustic_sum, judged
from fit.crossover.evaluate import evaluate
from fit.crossover.ladder import Part
from fit.crossover.load import from_fit
from fit.crossover.network import Branch, NetworkArm, NetworkPart
from fit.crossover.protection import protection
from fit.results.result import DriverFit, Estimate

SPARK = Driver(Re=4.9, coil=((0.02e-3, None), (0.03e-3, 2.0)), Bl=2.6, Mms=0.4e-3, Cms=0.045e-3,
               Rms=0.9, Sd=7e-4)  # fmt: skip
L, C = 0.82e-3, 3.3e-6


def with_peak(driver: Driver, effects: dict[str, dict[str, float]] = EFFECTS) -> DriverFit:
    """The fit with its motional resistance Bl^2/Rms, of which an impedance is made."""
    fit = fit_of(driver, effects)
    peak = Estimate(driver.Bl**2 / driver.Rms, "ohm", {})
    return replace(fit, parameters={**fit.parameters, "Res": peak})


def branches(effects: dict[str, dict[str, float]] = EFFECTS) -> list[Branch]:
    parts = (("woofer", "inductor", L, STRONG), ("tweeter", "capacitor", C, SPARK))
    return [
        Branch(
            name,
            (NetworkArm("series", (NetworkPart("X1", Part(kind, value)),)),),  # type: ignore[arg-type]
            from_fit(name, with_peak(driver, effects)),
        )
        for name, kind, value, driver in parts
    ]


@pytest.mark.ngspice
def test_sum_and_travel_are_those_of_the_circuit(tmp_path: Path) -> None:
    """Pressure rho s (S1 u1 + S2 u2)/(2 pi) at 1 m in half space (Beranek 1954, chapter 4)."""
    seen = []
    for k, (element, driver) in enumerate(
        ((f"Lx amp in {L!r}", STRONG), (f"Cx amp in {C!r}", SPARK))
    ):
        lines = [*driver_lines(driver, Load(), "in", "0"), element, "V1 amp 0 AC 1",
                 ".ac dec 60 20 20000", ".save i(vu)"]  # fmt: skip
        seen.append(run_ngspice(lines, tmp_path / str(k)))
    f = np.abs(seen[0]["frequency"])
    s = 2j * np.pi * f
    flow = [one["i(vu)"] * driver.Sd for one, driver in zip(seen, (STRONG, SPARK), strict=True)]
    result = evaluate(branches())
    drivers = {"woofer": of_fit(fit_of(STRONG)), "tweeter": of_fit(fit_of(SPARK))}
    found = acoustic_sum(result.solution, result.moved, drivers, Air(DENSITY, SOUND_SPEED))
    inside = (f > 1.05 * found.frequency_hz[0]) & (f < found.frequency_hz[-1] / 1.05)
    for sign, levels in ((1, found.together_db), (-1, found.turned_db)):
        pressure = DENSITY * s * (flow[0] + sign * flow[1]) / (2 * math.pi)
        expected = 20 * np.log10(np.abs(pressure) / 20e-6)
        got = np.interp(np.log(f), np.log(found.frequency_hz), levels)
        # 48 points an octave, straight lines between them.
        np.testing.assert_allclose(got[inside], expected[inside], atol=0.05)
    moved = math.sqrt(2) * np.abs(seen[1]["i(vu)"] / s)
    got = np.interp(np.log(f), np.log(found.frequency_hz), found.voices[1].excursion_m)
    np.testing.assert_allclose(got[inside], moved[inside], rtol=5e-3)


def test_what_the_fits_do_not_know_widens_the_sum() -> None:
    """A ruler 0.8 % off in area is 20 log10(1.008) dB of each, and of the sum that they share."""
    ruler = {"ruler": {"Vas": 0.016, "Sd": 0.008}}
    result = evaluate(branches({}))
    drivers = {"woofer": of_fit(fit_of(STRONG, ruler)), "tweeter": of_fit(fit_of(SPARK, ruler))}
    found = acoustic_sum(result.solution, result.moved, drivers, Air(DENSITY, SOUND_SPEED))
    np.testing.assert_allclose(found.standard_uncertainty_db, 20 * math.log10(1.008), rtol=0.02)


def test_what_a_part_may_be_off_by_widens_the_sum() -> None:
    """Far below its corner the voltage behind a capacitor goes as C: 3 % are 20 log10(1.03) dB."""
    load = from_fit("tweeter", with_peak(SPARK, {}))
    part = NetworkPart("C1", Part("capacitor", C), value_uncertainty=0.03 * C)
    result = evaluate([Branch("tweeter", (NetworkArm("series", (part,)),), load)])
    drivers = {"tweeter": of_fit(fit_of(SPARK, {}))}
    found = acoustic_sum(result.solution, result.moved, drivers, Air(DENSITY, SOUND_SPEED))
    f, reach = found.frequency_hz, found.standard_uncertainty_db
    # There w C |Z| is 0.02: what is left of the drop over the capacitor.
    assert reach[np.argmin(np.abs(f - 200))] == pytest.approx(20 * math.log10(1.03), rel=0.04)
    assert reach[np.argmin(np.abs(f - 19000))] < 0.1


def test_the_fuller_polarity_is_named() -> None:
    result = evaluate(branches())
    drivers = {"woofer": of_fit(fit_of(STRONG)), "tweeter": of_fit(fit_of(SPARK))}
    found = acoustic_sum(result.solution, result.moved, drivers, Air(DENSITY, SOUND_SPEED))
    hz = 3000.0
    near = (found.frequency_hz > hz / 1.5) & (found.frequency_hz < hz * 1.5)
    plain, turned = (float(np.min(db[near])) for db in (found.together_db, found.turned_db))
    told = {one.code: one.text for one in judged(found, [hz])}
    if abs(plain - turned) > 1:
        better = "swapped" if turned > plain else "plus to plus"
        assert f"tweeter {better} than" in told["polarity-of-sum"]
    assert ("polarity-of-sum" in told) == (abs(plain - turned) > 1)


def test_a_tweeter_driven_too_low_is_protected() -> None:
    """Second order at the same corner falls 12 dB an octave into a resistance, first order 6."""
    flat = from_fit("tweeter", with_peak(SPARK))
    f = np.geomspace(100, 20000, 800)
    resonance = SPARK.truth()["fs"]
    found = protection(flat, resonance, 2.2 * resonance, -12.0, f)
    assert found is not None
    assert found.down_db <= -12.0
    assert found.order == 2
    assert protection(flat, resonance, 2.2 * resonance, -80.0, f) is None

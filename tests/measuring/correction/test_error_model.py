"""The one-port error model: every method gives back what was embedded, and agrees with scikit-rf.

The bench here is made of circuit laws alone: series resistor, loading of the driver input, leads,
crosstalk between the inputs, gain and delay of one input.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
import skrf
from made_signals import driver
from numpy.typing import NDArray

from meas.bench.rig import Assumptions, Calibration, Card, Rig, Standard, Wiring
from meas.correction.calibration import What, check_matches, join
from meas.correction.error_model import ErrorModel, corrected, know, solve
from meas.correction.systematics import bench_systematics
from meas.errors import Refused, UsageError

RATE = 48000
GRID = np.geomspace(10.0, 20000.0, 200)
F = np.geomspace(10.5, 19000.0, 61)
SIDES = ("hot", "ground")
Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True)
class World:
    """A bench; without arguments a perfect one."""

    side: str = "hot"
    R: float = 10.0
    Ri: float = np.inf
    lead_ohm: float = 0.0
    lead_h: float = 0.0
    gain: float = 1.0
    delay: float = 0.0
    heard: float = 0.0  # of the source input in the driver input
    leaks: float = 0.0  # the same, without what both inputs on one node have in common
    corner_hz: float = 0.0  # of the driver input's coupling above that of the source input

    def node(self, f: Real) -> Complex:
        """What both inputs on one node read against each other."""
        coupling = np.exp(1j * self.corner_hz / f)
        return self.gain * np.exp(-2j * np.pi * f * self.delay / RATE) * coupling

    def reads(self, f: Real, load: Complex | float | None) -> Complex:
        """Driver input over source input with a load (None: nothing, as a conductance of 0)."""
        # A pair of voltage and current, so that a short and an open end need no infinity.
        lead = self.lead_ohm + 2j * np.pi * f * self.lead_h
        voltage, current = (np.ones_like(lead), 0.0) if load is None else (load + lead, 1.0)
        if self.side == "hot":
            second, drawn = voltage, current + voltage / self.Ri
            source = voltage + self.R * drawn
        else:
            second = current / (1 / self.R + 1 / self.Ri)
            source = voltage + second
        ratio = second / source
        return (ratio + self.heard + self.leaks * (1 - ratio)) * self.node(f)

    def rig(self, *, tolerance: float = 1.0, stated: float | None = None, **assumed: float) -> Rig:
        return Rig(
            name="bench-7f3a",
            wiring=Wiring(
                series_resistor_ohm=self.R if stated is None else stated,
                tolerance_percent=tolerance,
                resistor_side=self.side,  # type: ignore[arg-type]
                input_resistance_ohm=None,
            ),
            assumptions=Assumptions(**assumed),  # type: ignore[arg-type]
        )

    def standard(
        self, name: str, *, grid: Real = GRID, noise: float = 1e-9, off: float = 0.0, **more: object
    ) -> Standard:
        """A standard named as on the command line; ``off``: what its true value is off by."""
        kind, _, ohm = name.partition("=")
        R = float(ohm) if ohm else None
        if kind == "same-node":
            ratio = self.node(grid) * np.ones(grid.size)
        else:
            load = {"open": None, "short": 0.0, "resistor": (R or 0.0) * (1 + off)}[kind]
            ratio = self.reads(grid, load)
        return Standard(
            kind=kind,  # type: ignore[arg-type]
            resistance_ohm=R,
            **({"tolerance_percent": 0.1, "inductance_limit_h": 0.0} if R else {}) | more,  # type: ignore[arg-type]
            taken_at="2026-03-01T10:00:00+01:00",
            sample_rate_hz=RATE,
            device="default",
            source_input=1,
            driver_input=2,
            series_resistor_ohm=self.R,
            resistor_side=self.side,  # type: ignore[arg-type]
            points=tuple(
                (float(a), float(b.real), float(b.imag), noise)
                for a, b in zip(grid, ratio, strict=True)
            ),
        )

    def calibration(self, *names: str, **more: object) -> Calibration | None:
        if not names:
            return None
        return Calibration(standards=tuple(self.standard(name, **more) for name in names))  # type: ignore[arg-type]


def model_of(rig: Rig, calibration: Calibration | None, f: Real = F) -> ErrorModel:
    return solve(know(f, rig, calibration, RATE))


# Each method with the faults that it takes out, by side. The series resistor is stated 4 % wrong
# wherever a known resistor replaces it.
ALL = {"Ri": 2000.0, "lead_ohm": 0.08, "lead_h": 0.3e-6, "gain": 1.03, "delay": 0.4}
METHODS = [
    ("", {}, SIDES, 1.0),
    ("same-node", {"gain": 0.97, "delay": 0.7}, SIDES, 1.0),
    ("open", {"gain": 1.02}, ("hot",), 1.0),
    ("short", {"gain": 1.02}, ("ground",), 1.0),
    ("same-node open", {"gain": 1.02, "Ri": 800.0}, ("hot",), 1.0),
    ("resistor=8.2", {}, SIDES, 1.04),
    ("same-node resistor=8.2", {"gain": 1.03, "delay": 0.4}, SIDES, 1.04),
    ("same-node resistor=8.2", {"gain": 1.03, "delay": 0.4, "Ri": 2000.0}, ("ground",), 1.04),
    ("short resistor=8.2", {"lead_ohm": 0.1}, SIDES, 1.04),
    ("same-node short", {"lead_ohm": 0.1, "lead_h": 1e-7, "gain": 1.03}, SIDES, 1.0),
    ("same-node short open", ALL, ("hot",), 1.0),
    ("same-node short resistor=8.2", {"lead_ohm": 0.1, "gain": 1.03}, SIDES, 1.04),
    ("open short resistor=8.2", ALL | {"heard": 0.002}, SIDES, 1.04),
    ("open same-node short resistor=8.2", ALL | {"heard": 0.002}, SIDES, 1.04),
    ("open short resistor=8.2 resistor=22", ALL | {"heard": 0.002}, SIDES, 1.04),
    ("short open resistor=3.3 resistor=8.2 resistor=47", ALL, SIDES, 1.04),
]


@pytest.mark.parametrize(
    ("names", "faults", "side", "wrong"),
    [(n, f, s, w) for n, f, sides, w in METHODS for s in sides],
    ids=[f"{n or 'nothing'}-{s}" for n, _, sides, _ in METHODS for s in sides],
)
def test_correcting_what_was_embedded_gives_it_back(
    names: str, faults: dict[str, float], side: str, wrong: float
) -> None:
    # The contract of every calibration: correct(embed(z)) = z, with the standards at the very
    # frequencies, so that nothing is interpolated. Gauss and Newton stop near 1e-9.
    world = World(side=side, **faults)
    rig = world.rig(stated=world.R * wrong)
    calibration = world.calibration(*names.split(), grid=F)
    z = driver()(F)
    model = model_of(rig, calibration)
    assert np.abs(model.impedance(world.reads(F, z)) / z - 1).max() < 1e-8
    assert np.abs(model.ratio(z) / world.reads(F, z) - 1).max() < 1e-8
    assert np.abs(model.impedance(model.ratio(z)) / z - 1).max() < 1e-10


@pytest.mark.parametrize("side", SIDES)
def test_between_the_points_of_the_standards(side: str) -> None:
    # 200 points over eleven octaves lie 3.9 % apart. What turns at 0.4 samples and 0.3 uH is
    # nearly straight between them: a lead's reactance of 0.04 ohm at 20 kHz is bent by a few
    # thousandths of itself, 1e-5 of the driver.
    world = World(side=side, **ALL)
    calibration = world.calibration("open", "short", "resistor=8.2")
    z = driver()(F)
    found = model_of(world.rig(), calibration).impedance(world.reads(F, z))
    assert np.abs(found / z - 1).max() < 3e-5


def by_network_analysis(world: World, loads: list[float | None], z: Complex) -> Complex:
    """scikit-rf's one-port calibration on the same ratios.

    The ratio is a bilinear function of the impedance and so of its reflection coefficient: it may
    be handed over as the raw reflection that a network analyser would have read.
    """
    frequency = skrf.Frequency.from_f(F, unit="Hz")

    def network(values: Complex) -> skrf.Network:
        return skrf.Network(frequency=frequency, s=values.reshape(-1, 1, 1), z0=50.0)

    def reflection(load: Complex | float | None) -> Complex:
        ones = np.ones(F.size, dtype=complex)
        return ones if load is None else ones * (load - 50.0) / (load + 50.0)

    calibration = skrf.calibration.OnePort(
        measured=[network(world.reads(F, load)) for load in loads],
        ideals=[network(reflection(load)) for load in loads],
    )
    calibration.run()
    corrected_network = calibration.apply_cal(network(world.reads(F, z)))
    return corrected_network.z[:, 0, 0]


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("ohms", [(8.2,), (8.2, 33.0), (3.3, 8.2, 33.0)])
def test_scikit_rf_agrees(side: str, ohms: tuple[float, ...]) -> None:
    # scikit-rf's OnePort is the textbook solution from open, short and load (more loads: least
    # squares); here it also differs in nothing from ours but rounding.
    world = World(side=side, heard=0.002, **ALL)
    names = ["open", "short", *(f"resistor={ohm}" for ohm in ohms)]
    z = driver()(F)
    ours = model_of(world.rig(), world.calibration(*names, grid=F))
    theirs = by_network_analysis(world, [None, 0.0, *ohms], z)
    assert np.abs(ours.impedance(world.reads(F, z)) / theirs - 1).max() < 1e-8


def test_scikit_rf_agrees_where_the_standards_are_wrong() -> None:
    # Agreement must not rest on both being right: a "short" of 0.2 ohm and a resistor 5 % off
    # lead both to the same wrong answer.
    world, truth = World(gain=1.03), World(gain=1.03, lead_ohm=0.2)
    z = driver()(F)
    standards = (
        world.standard("open", grid=F),
        truth.standard("short", grid=F),
        world.standard("resistor=8.2", grid=F, off=0.05),
    )
    ours = model_of(world.rig(), Calibration(standards=standards)).impedance(world.reads(F, z))
    assert np.abs(ours / z - 1).min() > 0.01
    frequency = skrf.Frequency.from_f(F, unit="Hz")

    def network(values: Complex) -> skrf.Network:
        return skrf.Network(frequency=frequency, s=values.reshape(-1, 1, 1), z0=50.0)

    ones = np.ones(F.size, dtype=complex)
    calibration = skrf.calibration.OnePort(
        measured=[network(one.ratio) for one in standards],
        ideals=[network(ones), network(-ones), network(ones * (8.2 - 50) / (8.2 + 50))],
    )
    calibration.run()
    theirs = calibration.apply_cal(network(world.reads(F, z))).z[:, 0, 0]
    assert np.abs(ours / theirs - 1).max() < 1e-8


@pytest.mark.parametrize("side", SIDES)
def test_noise_of_the_standards_reaches_the_curve(side: str) -> None:
    # JCGM 101: 400 draws of noise on all three standards; a standard deviation from 800 parts is
    # known to 1/sqrt(1600) = 2.5 %, five times which is allowed at the mean over frequency.
    world, rng = World(side=side, gain=1.02, lead_ohm=0.05), np.random.default_rng(3)
    f = F[::6]
    z = driver()(f)
    ratio, nothing = world.reads(f, z), np.zeros(f.size)
    exact = world.calibration("open", "short", "resistor=8.2", grid=f, noise=1e-5)
    assert exact is not None
    rig = world.rig()
    _, stated = corrected(ratio, nothing, know(f, rig, exact, RATE))
    drawn = []
    for _ in range(400):
        noisy = tuple(
            one.model_copy(
                update={
                    "points": tuple(
                        (a, b + rng.normal(0, 1e-5), c + rng.normal(0, 1e-5), d)
                        for a, b, c, d in one.points
                    )
                }
            )
            for one in exact.standards
        )
        drawn.append(model_of(rig, Calibration(standards=noisy), f).impedance(ratio) - z)
    spread = np.sqrt(np.mean(np.abs(np.array(drawn)) ** 2, axis=0) / 2)
    assert np.mean(spread / stated) == pytest.approx(1.0, abs=0.06)
    assert np.allclose(spread / stated, 1.0, atol=0.2)


COVERED = [
    "",
    "same-node",
    "same-node short",
    "same-node resistor=8.2",
    "short resistor=8.2",
    "resistor=8.2",
    "open short resistor=8.2",
    "same-node resistor=4.7 resistor=22",
    "resistor=4.7 resistor=22",
]


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize("names", COVERED)
def test_stated_uncertainty_covers_benches_within_their_limits(names: str, side: str) -> None:
    # Everything that the rig states limits for is drawn from within them; for every fallback the
    # square of the error at 6 and at 40 ohm must on average be what is stated. 300 draws of
    # sums of rectangular errors: their mean square scatters by 5 % or less (variance of a squared
    # rectangular one is 0.8), five times which is allowed; several resistors count half of what
    # they share twice, so there more is stated than drawn.
    rng = np.random.default_rng(8)
    f = np.array([60.0, 1000.0])
    z = np.array([40.0 + 0j, 6.0 + 0j])
    squares, limits = [], []

    def within(limit: float) -> float:
        return float(rng.uniform(-limit, limit))

    for _ in range(300):
        series = 10.0 * (1 + within(0.01)) + within(0.02)  # its contacts
        true = World(
            side=side,
            R=series,
            Ri=1 / float(rng.uniform(0, 1e-4)),  # not stated in the rig
            lead_ohm=within(0.05),
            gain=1 + within(0.03),
            delay=within(1.0),
            leaks=within(0.001),
            corner_hz=within(0.3),
        )
        rig = true.rig(stated=10.0)
        calibration = None
        if names:
            calibration = Calibration(
                standards=tuple(
                    true.standard(
                        name,
                        grid=f,
                        off=within(0.005),
                        **({"tolerance_percent": 0.5} if "=" in name else {}),
                    )
                    for name in names.split()
                )
            )
        # What changes after calibration.
        later = World(
            **{
                **true.__dict__,
                "gain": true.gain * (1 + (within(0.002) if names else 0.0)),
                "delay": true.delay + (within(0.002) if names else 0.0),
            }
        )
        known = know(f, rig, calibration, RATE)
        found, _ = corrected(later.reads(f, z), np.zeros(2), known)
        common = bench_systematics(f, z, rig, calibration=calibration, sample_rate_hz=RATE)
        squares.append((found - z).real ** 2)
        limits.append(sum(one.derivative_ohm.real**2 for one in common))
    ratio = np.mean(squares, axis=0) / np.mean(limits, axis=0)
    least = 0.4 if names.count("=") > 1 else 0.75
    assert np.all(ratio > least), ratio
    assert np.all(ratio < 1.3), ratio


def sources(rig: Rig, calibration: Calibration | None) -> dict[str, float]:
    z = np.array([6.0 + 0j])
    found = bench_systematics(
        np.array([1000.0]), z, rig, calibration=calibration, sample_rate_hz=RATE
    )
    return {one.source: float(abs(one.derivative_ohm[0])) for one in found}


def test_a_known_resistor_takes_the_place_of_the_series_resistor() -> None:
    world = World(gain=1.01)
    rig = world.rig(tolerance=5.0)
    before = sources(rig, world.calibration("same-node"))
    after = sources(rig, world.calibration("same-node", "resistor=8.2"))
    assert "resistor:bench-7f3a" in before
    assert "resistor:bench-7f3a" not in after
    # Z is proportional to it: 0.1 % limits of 6 ohm, one over the square root of three.
    assert after["resistor:bench-7f3a/8.2ohm"] == pytest.approx(6.0 * 1e-3 / np.sqrt(3), rel=0.02)
    assert sources(rig, world.calibration("open", "short", "resistor=8.2")).keys() >= {
        "mismatch-gain:bench-7f3a",
        "resistor:bench-7f3a/8.2ohm",
    }
    assert "leads:bench-7f3a" not in sources(rig, world.calibration("same-node", "short"))


def test_inductance_of_the_known_resistor_is_a_limit() -> None:
    # Z = 6 ohm against 8.2 ohm: 1 uH in the standard turns every reading by w L/8.2.
    world = World()
    calibration = world.calibration("open", "short", "resistor=8.2", inductance_limit_h=1e-6)
    (effect,) = (
        one
        for one in bench_systematics(
            np.array([10000.0]),
            np.array([6.0 + 0j]),
            world.rig(),
            calibration=calibration,
            sample_rate_hz=RATE,
        )
        if one.source.startswith("standard-inductance")
    )
    expected = 6.0 * 2e4 * np.pi * 1e-6 / 8.2 / np.sqrt(3)
    assert abs(effect.derivative_ohm[0].imag) == pytest.approx(expected, rel=1e-3)


def test_more_standards_never_cost() -> None:
    for side in SIDES:
        world = World(side=side)
        rig = world.rig()
        sizes = [
            sum(part**2 for part in sources(rig, world.calibration(*names.split())).values())
            for names in ("", "same-node", "same-node short", "same-node short resistor=8.2")
        ]
        assert sizes == sorted(sizes, reverse=True), sizes


@pytest.mark.parametrize("side", SIDES)
def test_contradicting_standards_are_not_joined(side: str) -> None:
    world = World(side=side)
    rig = world.rig()
    rig = rig.model_copy(update={"calibration": world.calibration("same-node")})
    with pytest.raises(Refused, match="standard-disagrees") as refusal:
        join(rig, world.standard("resistor=8.2", off=0.05))
    assert "measure both with a meter" in str(refusal.value)
    first, _ = join(rig, world.standard("resistor=8.2"))
    both = rig.model_copy(update={"calibration": first})
    with pytest.raises(Refused, match="resistor of 22 ohm"):
        join(both, world.standard("resistor=22", off=0.03))
    assert len(join(both, world.standard("resistor=22"))[0].standards) == 3


@pytest.mark.parametrize("side", SIDES)
def test_what_is_no_short_and_no_open(side: str) -> None:
    world = World(side=side)
    node = world.rig().model_copy(update={"calibration": world.calibration("same-node")})
    long_lead = World(side=side, lead_ohm=0.5)
    with pytest.raises(Refused, match="not-short"):
        join(node, long_lead.standard("short"))
    left_on = world.standard("open").model_copy(
        update={"points": world.standard("resistor=47").points}
    )
    with pytest.raises(Refused, match="not-open"):
        join(node, left_on)
    assert join(node, World(side=side, lead_ohm=0.1).standard("short"))
    assert join(node, World(side=side, Ri=10e3).standard("open"))


def test_standards_of_a_bench_that_is_no_more_are_dropped_and_refused() -> None:
    world = World()
    calibration = world.calibration("same-node", "resistor=8.2")
    assert calibration is not None
    rig = world.rig()
    check_matches(calibration, rig, RATE)
    other = world.rig(stated=22.0).model_copy(update={"calibration": calibration})
    with pytest.raises(UsageError, match="series resistor of 10 ohm, the rig has one of 22") as bad:
        check_matches(calibration, other, RATE)
    assert "Calibrate again" in str(bad.value)
    joined, left = join(other, World(R=22.0).standard("short"))
    # How the channels differ has nothing to do with the resistor.
    assert [one.words for one in joined.standards] == ["same-node", "short"]
    assert [one.words for one in left] == ["resistor 8.2 ohm"]
    ground = World(side="ground").rig()
    with pytest.raises(UsageError, match="hot side"):
        check_matches(calibration, ground, RATE)
    moved = rig.model_copy(update={"card": Card(device="another card")})
    with pytest.raises(UsageError, match="another card"):
        check_matches(calibration, moved, RATE)


def test_what_needs_its_value() -> None:
    assert What("resistor", 8.2, 1.0, 1e-6).resistance_ohm == 8.2
    with pytest.raises(ValueError, match="resistance_ohm"):
        Standard(**World().standard("resistor=8.2").model_dump() | {"resistance_ohm": None})
    with pytest.raises(ValueError, match="once"):
        World().calibration("short", "short")

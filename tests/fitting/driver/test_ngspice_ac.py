"""The driver model against two circuit libraries that know nothing of loudspeakers.

Tolerance 1e-6 of |Z|, on the reference's own frequencies: both sides are closed forms in double
precision, so that anything above rounding (1e-15 here) is a wrong equation.
"""

import math
import warnings
from pathlib import Path

import numpy as np
import pytest
from ngspice_bench import Air, Driver, Load, ac_impedance, fractional_inductor, nonlinear
from numpy.typing import NDArray

from fit.driver.impedance import motional
from fit.driver.models import COILS

TOLERANCE = 1e-6
COIL = {model.name: model for model in COILS}

LADDER = Driver()
PLAIN = Driver(coil=((0.42e-3, None),))
TWEETER = Driver(
    Re=3.1,
    coil=((20e-6, None), (35e-6, 0.9)),
    Bl=2.4,
    Mms=0.31e-3,
    Rms=1.1,
    Cms=35e-6,
    Sd=math.pi / 4 * 0.030**2,
)
LONG = Driver(coil=((0.15e-3, None), (0.3e-3, 8.0), (0.6e-3, 2.0)))
SHARP = Driver(coil=((1.1e-3, None),), Bl=8.0, Mms=60e-3, Cms=1.055e-3, Rms=0.503)
CONDITIONS = {
    "free-air": Load(),
    "added-mass": Load(mass=9e-3),
    "test-box": Load(box=9e-3),
}


def model_impedance(
    driver: Driver, load: Load, coil: str, internal: list[float], f: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """What the project's model says for the circuit's values."""
    s = 2j * np.pi * f
    stiffness = 1 / driver.Cms
    if load.box is not None:
        # R. H. Small, J. Audio Eng. Soc. 20(10), 1972: a closed volume adds rho c^2 Sd^2 / V.
        stiffness += Air().rho_c2 * driver.Sd**2 / load.box
    z, _ = motional(
        s,
        driver.Bl**2 / driver.Mms,
        1 + load.mass / driver.Mms,
        driver.Rms / driver.Mms,
        stiffness / driver.Mms,
    )
    return driver.Re + COIL[coil].impedance(s, np.array(internal))[0] + z


def worst(model: NDArray[np.complex128], reference: NDArray[np.complex128]) -> float:
    return float(np.max(np.abs(model / reference - 1)))


@pytest.mark.ngspice
@pytest.mark.parametrize("condition", CONDITIONS)
@pytest.mark.parametrize(
    ("driver", "coil"),
    [
        (LADDER, "ladder"),
        (PLAIN, "plain"),
        (TWEETER, "ladder"),
        (SHARP, "plain"),
        (LONG, "ladder3"),
    ],
    ids=["ladder", "plain", "tweeter", "sharp-resonance", "three-sections"],
)
def test_model_is_the_circuit(driver: Driver, coil: str, condition: str, tmp_path: Path) -> None:
    load = CONDITIONS[condition]
    frequency, reference = ac_impedance(driver, load, tmp_path)
    parts = (part for section in driver.coil for part in section if part is not None)
    internal = [math.log(part) for part in parts]
    model = model_impedance(driver, load, coil, internal, frequency)
    assert worst(model, reference) < TOLERANCE


@pytest.mark.ngspice
@pytest.mark.parametrize("n", [0.55, 0.7, 0.9])
def test_lossy_coil_is_a_long_ladder(n: float, tmp_path: Path) -> None:
    size = 8.0 / (2 * math.pi * 1000) ** n  # 8 ohm at 1 kHz
    extra, sections = fractional_inductor(size, n, 10, 20000)
    circuit = Driver(Re=LADDER.Re + extra, coil=sections)
    frequency, reference = ac_impedance(circuit, Load(), tmp_path)
    share = 2 * n - 1
    model = model_impedance(
        LADDER, Load(), "lossy", [math.log(8.0), math.log(share / (1 - share))], frequency
    )
    assert worst(model, reference) < TOLERANCE


@pytest.mark.ngspice
def test_wrong_circuit_is_noticed(tmp_path: Path) -> None:
    """The comparison can fail: a part in ten thousand of mass is a hundred times the limit."""
    frequency, reference = ac_impedance(LADDER, Load(mass=1e-4 * LADDER.Mms), tmp_path)
    internal = [math.log(0.3e-3), math.log(0.5e-3), math.log(4.0)]
    model = model_impedance(LADDER, Load(), "ladder", internal, frequency)
    assert worst(model, reference) > 100 * TOLERANCE


@pytest.mark.ngspice
def test_nonlinear_circuit_is_the_linear_one_at_rest(tmp_path: Path) -> None:
    """Behavioural motor and suspension linearise to the values the transient tests expect."""
    _, bent = ac_impedance(nonlinear(LADDER), Load(), tmp_path / "bent")
    _, straight = ac_impedance(LADDER, Load(), tmp_path / "straight")
    assert worst(bent, straight) < TOLERANCE


@pytest.mark.parametrize("driver", [LADDER, TWEETER], ids=["woofer", "tweeter"])
def test_model_is_its_electrical_equivalent_in_scikit_rf(driver: Driver) -> None:
    """Mass, compliance and loss as C, L, R behind the motor.

    Cmes = Mms/Bl^2, Lces = Cms Bl^2, Res = Bl^2/Rms (R. H. Small, J. Audio Eng. Soc. 20(5), 1972).
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the library's own imports
        import skrf
        from skrf.media import DefinedGammaZ0

    frequency = skrf.Frequency.from_f(np.geomspace(10, 20000, 200), unit="Hz")
    media = DefinedGammaZ0(frequency, z0=10)
    (l1, _), (l2, r2) = driver.coil
    circuit = media.resistor(driver.Re) ** media.inductor(l1)
    ground = media.short()
    motion = [
        media.resistor(driver.Bl**2 / driver.Rms),
        media.inductor(driver.Cms * driver.Bl**2),
        media.capacitor(driver.Mms / driver.Bl**2),
    ]
    bridged = [media.inductor(l2), media.resistor(r2)]
    reference = (circuit**ground).z[:, 0, 0]
    for parts in (bridged, motion):
        admittance = sum((part**ground).y[:, 0, 0] for part in parts)
        reference = reference + 1 / admittance
    internal = [math.log(l1), math.log(l2), math.log(r2 or 0)]
    model = model_impedance(driver, Load(), "ladder", internal, frequency.f)
    assert worst(model, reference) < TOLERANCE

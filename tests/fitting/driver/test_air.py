"""Air against published check values and CoolProp's humid air, an independent equation of state."""

import itertools

import pytest
from CoolProp.HumidAirProp import HAPropsSI

from fit.given import air
from meas.errors import Refused

# Each row computed from the equations with general-purpose tools; density is CIPM-2007 at
# 400 ppm CO2, sound speed Cramer 1993. The last digit printed sets the tolerance, for the sound
# speed five of it: the source rounds the saturation pressure differently.
PUBLISHED = [
    (101325.0, 20.0, 0.5, 1.199314, 343.9867),
    (95000.0, 30.0, 0.7, 1.079120, 350.8774),
    (101325.0, 20.0, 0.0, 1.204557, 343.3595),
]

HOME = list(itertools.product((60e3, 80e3, 101325.0, 110e3), (15, 20, 27), (0, 0.3, 0.6, 1)))
WIDE = list(itertools.product((50e3, 70e3, 101325.0, 120e3), (-10, 0, 10, 30, 40, 50), (0, 0.5, 1)))


@pytest.mark.parametrize(("pressure", "celsius", "humidity", "rho", "speed"), PUBLISHED)
def test_check_values(pressure, celsius, humidity, rho, speed):
    temperature = celsius + 273.15
    assert air.density(pressure, temperature, humidity) == pytest.approx(rho, abs=1e-6)
    assert air.sound_speed(pressure, temperature, humidity) == pytest.approx(speed, abs=8e-4)


def _coolprop(pressure, celsius, humidity):
    state = ("T", celsius + 273.15, "P", pressure, "R", humidity)
    return 1 / HAPropsSI("Vha", *state), HAPropsSI("speed_of_sound", *state)


@pytest.mark.parametrize(("pressure", "celsius", "humidity"), HOME)
def test_agrees_with_coolprop_at_home(pressure, celsius, humidity):
    rho, speed = _coolprop(pressure, celsius, humidity)
    temperature = celsius + 273.15
    # Density: CIPM-2007 states 22 ppm, and its molar mass of dry air (with argon re-weighed in
    # 2003) is 38 ppm below that of older equations such as CoolProp's. Speed: 300 ppm stated for
    # Cramer's equation (all from memory).
    assert air.density(pressure, temperature, humidity) == pytest.approx(rho, rel=6e-5)
    assert air.sound_speed(pressure, temperature, humidity) == pytest.approx(speed, rel=3e-4)
    assert air.doubts(pressure, temperature, humidity) == ()


@pytest.mark.parametrize(("pressure", "celsius", "humidity"), WIDE)
def test_stays_within_its_stated_uncertainty_elsewhere(pressure, celsius, humidity):
    rho, speed = _coolprop(pressure, celsius, humidity)
    temperature = celsius + 273.15
    allowed = air.model_uncertainty(pressure, temperature)
    found = air.bulk_modulus(pressure, temperature, humidity)
    assert found == pytest.approx(rho * speed**2, rel=allowed)
    if not 15 <= celsius <= 27:
        (doubt,) = air.doubts(pressure, temperature, humidity)
        assert doubt.code == "air-extrapolated"
        assert "0.6 %" in doubt.text


def test_iso_9613_speed_in_dry_air():
    # ISO 9613-1:1993 gives 343.2 m/s at 20 C; the difference between the published equations
    # is 0.05 %.
    assert air.sound_speed(101325.0, 293.15, 0.0) == pytest.approx(343.2, rel=6e-4)


def test_bulk_modulus_follows_pressure_not_temperature():
    # gamma p: temperature cancels, altitude does not; gamma of moist air stays within 1.394 to
    # 1.404 (range of Cramer 1993 under room conditions, from memory).
    for pressure, celsius in [(101325.0, 15), (101325.0, 27), (84500.0, 20)]:
        gamma = air.bulk_modulus(pressure, celsius + 273.15, 0.5) / pressure
        assert 1.394 < gamma < 1.404


@pytest.mark.parametrize(
    ("pressure", "celsius", "humidity", "said"),
    [
        (101325.0, 65.0, 0.5, "65 C"),
        (101325.0, -40.0, 0.5, "-40 C"),
        (1013.25, 20.0, 0.5, "10.13 hPa"),  # hPa given for Pa
        (101325.0, 20.0, 50.0, "humidity is given as 50"),
        (float("nan"), 20.0, 0.5, "nan"),
    ],
)
def test_refuses_what_is_more_likely_a_slip(pressure, celsius, humidity, said):
    with pytest.raises(Refused, match=said) as refusal:
        air.doubts(pressure, celsius + 273.15, humidity)
    assert refusal.value.reasons[0].code == "air-out-of-range"


@pytest.mark.parametrize("height", [0, 340, 1000, 3000, 5000])
def test_standard_pressure_carries_the_air_above_it(height):
    """dp/dh = -rho g, with the density of dry air at 288.15 K less 6.5 K/km (ISO 2533:1975)."""
    step = 10.0
    weight = air.standard_pressure(height - step) - air.standard_pressure(height + step)
    kelvin = 288.15 - 0.0065 * height
    rho = air.density(air.standard_pressure(height), kelvin, 0.0)
    assert weight / (2 * step) == pytest.approx(9.80665 * rho, rel=1e-3)

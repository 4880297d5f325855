"""Units as people write them: read exactly or refused, never a factor silently wrong."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.sources import takes_and_tables
from cli.words import assumed, units, values
from meas.errors import UsageError
from meas.takes.record import TakeCondition

# The notation that contract and IEC 60062 (letter and digit codes for resistors) promise.
WELL_WRITTEN = [
    (values.resistance, "10ohm", 10.0),
    (values.resistance, "10 ohm", 10.0),
    (values.resistance, "10Ohm", 10.0),
    (values.resistance, "10R", 10.0),
    (values.resistance, "4k7", 4700.0),
    (values.resistance, "4K7", 4700.0),
    (values.resistance, "4R7", 4.7),
    (values.resistance, "0R22", 0.22),
    (values.resistance, "R22", 0.22),
    (values.resistance, "10\u03a9", 10.0),
    (values.resistance, "10\u2126", 10.0),
    (values.resistance, "1.5kohm", 1500.0),
    (values.resistance, "1.5k\u2126", 1500.0),
    (values.resistance, "220mohm", 0.22),
    (values.resistance, "10K", 1e4),
    (values.resistance, "1M", 1e6),
    (values.resistance, "1Mohm", 1e6),
    (values.mass, "7.5g", 0.0075),
    (values.mass, "0.012kg", 0.012),
    (values.mass, "800mg", 0.0008),
    (values.mass, ".5g", 0.0005),
    (values.mass, "1e1g", 0.01),
    (values.volume, "6.8L", 0.0068),
    (values.volume, "6.8l", 0.0068),
    (values.volume, "6800cm3", 0.0068),
    (values.volume, "6800 cm³", 0.0068),
    (values.volume, "6800cm^3", 0.0068),
    (values.volume, "0.0068m3", 0.0068),
    (values.volume, "6.8dm3", 0.0068),
    (values.volume, "250ml", 0.00025),
    (values.length, "118mm", 0.118),
    (values.length, "11.8cm", 0.118),
    (values.length, "0.118m", 0.118),
    (values.area, "113cm2", 0.0113),
    (values.area, "113cm²", 0.0113),
    (values.area, "0.0113m2", 0.0113),
    (values.capacitance, "3.9uF", 3.9e-6),
    (values.capacitance, "3.9\u00b5F", 3.9e-6),
    (values.capacitance, "3.9\u03bcF", 3.9e-6),
    (values.capacitance, "47nF", 47e-9),
    (values.capacitance, "220pF", 220e-12),
    (values.inductance, "0.83mH", 0.83e-3),
    (values.inductance, "830uH", 0.83e-3),
    (values.temperature, "21C", 294.15),
    (values.temperature, "21°C", 294.15),
    (values.temperature, "21degC", 294.15),
    (values.temperature, "294K", 294.0),
    (values.temperature, "-5C", 268.15),
    (values.temperature, "\u22125 °C", 268.15),
    (values.frequency, "48kHz", 48000.0),
    (values.pressure, "1013hPa", 101300.0),
    (values.pressure, "101.3kPa", 101300.0),
    (values.pressure, "101300Pa", 101300.0),
    (values.pressure, "1013mbar", 101300.0),
    (values.voltage, "1.2V", 1.2),
    (values.voltage, "20mV", 0.02),
    (values.percent, "1%", 1.0),
    (values.percent, "1 %", 1.0),
    (values.percent, "0.5", 0.5),
    (values.relative_humidity, "50%", 0.5),
    (values.relative_humidity, "50", 0.5),
]


@pytest.mark.parametrize(("reader", "text", "expected"), WELL_WRITTEN)
def test_well_written(reader, text, expected):
    value = reader(text, "--option")
    # Decimal arithmetic: the nearest double, as if written in base units. Celsius adds once.
    assert value.value == pytest.approx(expected, rel=2e-16)
    assert value.half_width is None
    assert value.written == text


@pytest.mark.parametrize(
    ("reader", "text", "expected", "half_width"),
    [
        (values.mass, "7.5g±0.1g", 0.0075, 0.0001),
        (values.mass, "7.5g ± 0.1 g", 0.0075, 0.0001),
        (values.mass, "7.5g+-0.1g", 0.0075, 0.0001),
        (values.mass, "7.5g+/-0.1g", 0.0075, 0.0001),
        (values.mass, "7.5g±100mg", 0.0075, 0.0001),
        (values.mass, "7.5g±1%", 0.0075, 0.000075),
        (values.mass, "7.5±0.1g", 0.0075, 0.0001),
        (values.mass, "(7.5±0.1)g", 0.0075, 0.0001),
        (values.resistance, "4k7±5%", 4700.0, 235.0),
        (values.resistance, "10R±0R1", 10.0, 0.1),
        (values.temperature, "21C±1K", 294.15, 1.0),
        (values.temperature, "21±1C", 294.15, 1.0),
        (values.percent, "5%±1%", 5.0, 1.0),
        (values.relative_humidity, "50±10%", 0.5, 0.1),
    ],
)
def test_limits(reader, text, expected, half_width):
    value = reader(text)
    assert value.value == pytest.approx(expected, rel=1e-15)
    assert value.half_width == pytest.approx(half_width, rel=1e-15)


WRONG = [
    (values.resistance, "", "no resistance given"),
    (values.resistance, "   ", "no resistance given"),
    (values.resistance, "10", "has no unit"),
    (values.resistance, "4,7k", "comma"),
    (values.resistance, "10m", "mohm or Mohm"),
    (values.resistance, "4m7", "'m7'"),
    (values.resistance, "10E", "'E'"),
    (values.resistance, "10r", "did you mean 'R'"),
    (values.resistance, "-10ohm", "outside"),
    (values.resistance, "0ohm", "outside"),
    (values.resistance, "nan ohm", "is no resistance"),
    (values.resistance, "infohm", "is no resistance"),
    (values.resistance, "1e99ohm", "outside"),
    (values.resistance, "1e400ohm", "no unit of resistance"),
    (values.resistance, "1_000ohm", "no unit of resistance"),
    (values.resistance, "\uff11\uff10ohm", "is no resistance"),  # digits of another script
    (values.resistance, "1.2.3ohm", "is no resistance"),
    (values.resistance, "10±0R1", "has no unit"),
    (values.resistance, "10g", "it is one of mass"),
    (values.mass, "7.5", "has no unit"),
    (values.mass, "7,5g", "comma"),
    (values.mass, "7.5 G", "did you mean 'g'"),
    (values.mass, "7.5mm", "it is one of length"),
    (values.mass, "7.5oz", "metric"),
    (values.mass, "7.5gr", "Did you mean 'g'"),
    (values.mass, "7.5g±0.1", "have no unit"),
    (values.mass, "7.5g±0g", "limits of zero"),
    (values.mass, "7.5g±-1g", "no half-width"),
    (values.mass, "7.5g±", "no half-width"),
    (values.mass, "±0.1g", "is no mass"),
    (values.mass, "7.5g±8g", "reach zero"),
    (values.mass, "7.5g±0.1g±0.1g", "more than one"),
    (values.mass, "7.5g±1mm", "it is one of length"),
    (values.mass, "7 500 mg", "no unit of mass"),
    (values.mass, "4²g", "no unit of mass"),
    (values.mass, "4^2g", "no unit of mass"),
    (values.mass, "4³mg", "no unit of mass"),
    (values.volume, "6.8^3cm3", "no unit of volume"),
    (values.volume, "6.8", "has no unit"),
    (values.volume, "6.8cm2", "it is one of area"),
    (values.volume, "0.25ft3", "metric"),
    (values.diameter, "118", "has no unit"),
    (values.diameter, "118m", "outside"),
    (values.area, "113cm", "it is one of length"),
    (values.capacitance, "1F", "outside"),
    (values.capacitance, "4,7uF", "comma"),
    (values.inductance, "0.8MH", "did you mean 'mH'"),
    (values.temperature, "21", "has no unit"),
    (values.temperature, "70F", "metric"),
    (values.temperature, "294C", "outside"),
    (values.temperature, "21K", "outside"),
    (values.temperature, "21C±5%", "per cent"),
    (values.frequency, "48khz", "did you mean 'kHz'"),
    (values.sample_rate, "48", "outside"),
    (values.sample_rate, "44.1", "outside"),
    (values.sample_rate, "48000.5", "no sample rate"),
    (values.sample_rate, "48000±1Hz", "no sample rate"),
    (values.pressure, "1013", "has no unit"),
    (values.pressure, "1013Pa", "outside"),
    (values.pressure, "9000m", "outside"),
    (values.pressure, "34cm", "no unit of"),
    (values.percent, "101%", "outside"),
    (values.percent, "-1%", "outside"),
    (values.relative_humidity, "0.5", "outside"),
]


@pytest.mark.parametrize(("reader", "text", "said"), WRONG)
def test_wrong(reader, text, said):
    with pytest.raises(UsageError) as caught:
        reader(text, "--option")
    message = str(caught.value)
    assert said.lower() in message.lower()
    assert caught.value.where == "--option"
    assert "Write" in caught.value.remedy


def test_comma_is_never_a_factor_of_ten():
    for quantity in units.ALL:
        unit = next(iter(quantity.units))
        with pytest.raises(UsageError, match="comma"):
            values.read(quantity, f"4,7{unit}")


quantities_and_units = st.sampled_from([(q, unit) for q in units.ALL for unit in q.units])


@given(quantities_and_units, st.floats(0.0, 1.0), st.integers(1, 12))
@settings(max_examples=400)
def test_round_trip_never_scales(pair, place, digits):
    """Whatever lies in the range, written in any unit, reads back as the same number."""
    quantity, unit = pair
    low = max(quantity.smallest, 1e-9 * quantity.largest)
    meant = low * (quantity.largest / low) ** place
    number = (meant - quantity.offsets.get(unit, 0.0)) / quantity.units[unit]
    written = f"{number:.{digits}g}"
    expected = float(written) * quantity.units[unit] + quantity.offsets.get(unit, 0.0)
    if not quantity.smallest <= expected <= quantity.largest:
        return  # rounding left the range
    value = values.read(quantity, written + unit)
    assert math.isclose(value.value, expected, rel_tol=1e-14)


@given(st.text(max_size=12))
@settings(max_examples=300)
def test_any_text_is_read_or_refused(text):
    for quantity in units.ALL:
        try:
            value = values.read(quantity, text)
        except UsageError:
            continue
        assert quantity.smallest * 0.999 <= value.value <= quantity.largest * 1.001


@given(st.from_regex(r"[0-9.,eERkKM ]{1,8}(ohm|g|m|Ω)?(±|\+-)?[0-9.,%Rg]{0,4}", fullmatch=True))
@settings(max_examples=300)
def test_nearly_right_text_is_read_or_refused(text):
    for quantity in (units.RESISTANCE, units.MASS, units.LENGTH):
        try:
            value = values.read(quantity, text)
        except UsageError:
            continue
        assert value.half_width is None or 0 < value.half_width < value.value
        assert "," not in text


def test_units_of_different_quantities_are_told_apart():
    """A unit that two quantities share could be read with the wrong meaning."""
    shared = {"%", "m", "K", "C", "M"}
    for one in units.ALL:
        for other in units.ALL:
            if one is not other:
                common = set(one.units) & set(other.units)
                assert common <= shared, (one.name, other.name, common)


def test_default_limits_cover_the_last_digit():
    tenth = assumed.mass(values.mass("7.5g"))
    assert tenth[0].half_width == pytest.approx(0.1e-3)
    assert "0.1 g" in tenth[1]
    assert assumed.mass(values.mass("7.53g"))[0].half_width == pytest.approx(0.01e-3)
    assert assumed.mass(values.mass("0.31g"))[0].half_width == pytest.approx(0.01e-3)
    assert assumed.mass(values.mass("12g"))[0].half_width == pytest.approx(1e-3)
    assert assumed.mass(values.mass("0.012kg"))[0].half_width == pytest.approx(1e-3)
    assert assumed.volume(values.volume("6.8L"))[0].half_width == pytest.approx(0.02 * 6.8e-3)
    assert assumed.diameter(values.diameter("118mm"))[0].half_width == pytest.approx(1e-3)
    assert assumed.diameter(values.diameter("12cm"))[0].half_width == pytest.approx(5e-3)
    assert "half of its last digit" in assumed.diameter(values.diameter("12cm"))[1]
    for complete, value in ((assumed.mass, tenth[0]), (assumed.volume, values.volume("6.8L"))):
        _, said = complete(replace(value, half_width=None))
        assert said.partition(" assumed, ")[2], "each with its reason"
    meter = assumed.measured_resistance(values.resistance("5.8ohm"))[0]
    assert meter.half_width == pytest.approx(0.058 + 0.1)


@pytest.mark.parametrize(
    ("record", "half_width"),
    [
        (TakeCondition("added-mass", 7.5e-3, None, "7.5g"), 0.1e-3),
        (TakeCondition("added-mass", 7.5e-3, None, "7.50g"), 0.01e-3),
        (TakeCondition("added-mass", 7.5e-3, 0.2e-3, "7.5g±0.2g"), 0.2e-3),
        # Half of 7 litres' last digit is more than 2 %.
        (TakeCondition("test-box", 7e-3, None, "7L"), 0.5e-3),
        (TakeCondition("test-box", 6.8e-3, None, "6.8L"), 0.02 * 6.8e-3),
        # Words that say nothing, or another mass: by the digits of the number.
        (TakeCondition("added-mass", 7.5e-3, None, "a coin"), 0.1e-3),
        (TakeCondition("added-mass", 7.5e-3, None, "75g"), 0.1e-3),
    ],
)
def test_a_record_without_limits_gets_those_of_its_digits(record: TakeCondition, half_width: float):
    """A mass that a take states without limits is never taken as exact."""
    stated = takes_and_tables.condition_of(record.name, takes_and_tables.as_written(record))
    known = stated.mass if record.name == "added-mass" else stated.volume
    assert known.half_width == pytest.approx(half_width)


def test_stated_limits_are_kept_and_nothing_is_said():
    value = values.mass("7.5g±0.02g")
    assert assumed.mass(value) == (value, "")


def test_area_from_diameter_and_area_agree():
    """pi D^2/4 of 118 mm is 109.36 cm2, and 1 mm of it 1.85 cm2 (by hand: pi/2 * 11.8 * 0.1)."""
    disc = assumed.area_from_diameter(assumed.diameter(values.diameter("118mm"))[0])
    assert disc.value == pytest.approx(109.36e-4, rel=1e-4)
    assert disc.half_width == pytest.approx(1.854e-4, rel=1e-3)
    flat = assumed.area(values.area("109.36cm2"))[0]
    assert flat.half_width == pytest.approx(disc.half_width, rel=1e-3)


def test_absent_air_is_assumed_aloud():
    pressure, text = assumed.air_pressure(None)
    assert (pressure.value, pressure.half_width) == (101325.0, 3000.0)
    assert "height" in text
    assert "sea level" in text
    assert assumed.air_temperature(None)[1]
    assert assumed.relative_humidity(None)[1]
    assert assumed.air_pressure(values.pressure("950hPa"))[0].half_width == 1000.0


def test_a_height_gives_the_usual_pressure_with_the_weather_in_its_limits() -> None:
    """As the standard atmosphere says, 954.6 hPa at 500 m (ISO 2533:1975; from memory)."""
    found, said = assumed.air_pressure(values.pressure("500m±40m"))
    assert found.value == pytest.approx(95461, abs=5)
    assert not said
    assert found.half_width == pytest.approx(3000 + 40 * 11.4, abs=10)  # 11.4 Pa for a metre there
    assert "500m±40m" in found.written

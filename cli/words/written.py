"""Values with units as fields of files that people write."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import PlainValidator

from cli.words import units, values
from cli.words.values import Value
from meas.files.schema_errors import shortened
from meas.files.settings import fault, read_by

_LONGEST = 200


def _written(quantity: units.Quantity) -> PlainValidator:
    """Read a field such as ``"12uF ± 5%"``."""

    def read(content: Any) -> Value:
        if not isinstance(content, str) or len(content) > _LONGEST:
            raise fault(f"{shortened(content)} should be text in double quotes with its unit")
        return values.read(quantity, content)

    return read_by(read)


Resistance = Annotated[Value, _written(units.RESISTANCE)]
Capacitance = Annotated[Value, _written(units.CAPACITANCE)]
Inductance = Annotated[Value, _written(units.INDUCTANCE)]
Power = Annotated[Value, _written(units.POWER)]
Length = Annotated[Value, _written(units.LENGTH)]

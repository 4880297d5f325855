"""Prior widths of the differences between takes of one driver, in logarithms."""

from __future__ import annotations

DEPARTURES = {
    "re": "coil resistance",
    "compliance": "compliance",
    "loss": "mechanical loss",
    "air": "air load",
    "leak": "leak of the box",
}
"""What may differ between takes of one driver."""

DRIFT = {"re": 0.005, "compliance": 0.02, "loss": 0.15}
"""Standard deviation, in the logarithm, of the departure of a take with mass or box from free air.

Re: 0.5 % is 1.3 K of copper. Compliance: suspensions drift by 2 % between takes, and creep makes
them softer by 1 % where a mass lowers the resonance by 20 % (handbook values, common practice, no
source). Loss: Rms varies up to inversely with frequency, and the resonance moves by 15 % or so.
The estimate of Mms then leans on the strength Bl^2/(Mms + m), which none of these touches.
"""

BOX = {"loss": 0.3, "air": 0.05, "leak": 0.02}
"""Standard deviation likewise in a test box, whose walls lose energy. The load of the air on the
cone, 2 to 6 % of the moving mass, is another there than in free air (8/3 rho a^3 a side against
half of it: L. Beranek, Acoustics). Leak: corner below which the air escapes through joints instead
of being compressed, over the resonance in free air, R. H. Small's 1/QL (J. Audio Eng. Soc. 21(5),
1973); a box made tight for testing has a QL of 50 and more (common practice, no source)."""

REPEAT = {"re": 0.001, "compliance": 0.003, "loss": 0.01}
"""Prior scatter of one free-air take about their mean, taken in one sitting (common practice, no
source): 0.15 % of fs, 1 % of Qms."""

REPEAT_WEIGHT = 3.0
"""Number of takes that the prior scatter counts for beside those measured."""

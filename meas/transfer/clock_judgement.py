"""A recording on two clocks: put on one where a steady drift explains it, else refused."""

from __future__ import annotations

from dataclasses import dataclass, replace

from meas.bench.rig import Rig
from meas.curve import TwoInputs
from meas.errors import Finding, refusals
from meas.transfer.from_sweeps import estimate
from meas.transfer.passes import find_passes
from meas.transfer.two_clocks import Drift, excess_delay, find_drift, on_one_clock

# Half a sample passes for 0.1 mH behind 10 ohm at 48 kHz; what is less is left to other criteria.
_LARGEST_SLIP = 0.5


@dataclass(frozen=True, eq=False)
class OneClock:
    """A recording whose inputs share a clock, by nature or by resampling.

    Attributes:
        drift: What was found; None when the inputs share a clock.
    """

    samples: TwoInputs
    drift: Drift | None

    @property
    def moved(self) -> bool:
        """Tell whether the driver input was resampled, so that no calibration of delays holds."""
        return self.drift is not None and self.drift.steady

    def findings(self, rig: Rig, others: list[Finding]) -> list[Finding]:
        """Add what the clocks show to what others found out.

        A break of one channel looks like clocks that wander, and its own reason is the better one.
        """
        drift = self.drift
        if drift is None:
            return []
        if drift.steady:
            return [
                Finding(
                    "separate-clocks",
                    f"The two inputs ran on two clocks: the driver input was {drift.ppm:+.2f} ppm "
                    f"fast and began {drift.offset:.1f} samples late. It was resampled to the "
                    "clock of the source input, and the delay that is left was set by minimum "
                    f"phase, to within ±{rig.assumptions.mismatch_delay_samples:g} sample. Le "
                    "carries that uncertainty, and a calibration cannot be used",
                    next_step="Take both channels from one device",
                )
            ]
        if drift.slip < _LARGEST_SLIP or refusals(others):
            return []
        return [
            Finding(
                "clock-drift",
                f"The two inputs ran apart by {drift.slip:.2g} samples during the recording, and "
                f"not steadily (up to {drift.wander:.2g} samples off a steady drift), so that it "
                "cannot be taken out. Two clocks wander, or one channel lost frames",
                refuses=True,
                next_step="Take both channels from one device",
            )
        ]


def settle(samples: TwoInputs, sample_rate_hz: int) -> OneClock:
    """Put a recording on one clock, where that is needed and possible."""
    drift = find_drift(samples, sample_rate_hz)
    if drift is None or not drift.steady:
        return OneClock(samples, drift)
    moved = on_one_clock(samples, drift)
    transfer = estimate(moved, sample_rate_hz, find_passes(moved, sample_rate_hz))
    if transfer is None:
        return OneClock(moved, drift)
    late = excess_delay(transfer.frequency_hz, transfer.ratio) * sample_rate_hz
    drift = replace(drift, offset=drift.offset + late)
    return OneClock(on_one_clock(samples, drift), drift)

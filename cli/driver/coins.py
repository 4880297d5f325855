"""Coins as masses: what mints state of those that no magnet attracts."""

from __future__ import annotations

from dataclasses import dataclass

_MOST = 4
"""More coins than that do not lie evenly around a coil."""


@dataclass(frozen=True)
class Coin:
    """A coin that no magnet attracts.

    Attributes:
        several: The name of more than one.
        mass_kg: Mass when new [kg].
    """

    name: str
    several: str
    mass_kg: float


# Masses of new coins as their issuers publish them, all from memory; worn ones weigh a little less.
COINS = (
    # European Commission, technical specifications of euro coins: Nordic gold, not magnetic.
    Coin("10 cent (euro)", "coins of 10 cent (euro)", 4.10e-3),
    Coin("20 cent (euro)", "coins of 20 cent (euro)", 5.74e-3),
    Coin("50 cent (euro)", "coins of 50 cent (euro)", 7.80e-3),
    # United States Mint, coin specifications: copper-plated zinc, and copper with nickel.
    Coin("US cent", "US cents", 2.500e-3),
    Coin("US nickel", "US nickels", 5.000e-3),
    Coin("US quarter", "US quarters", 5.670e-3),
    # The Royal Mint, specifications of circulating coins: copper with nickel.
    Coin("20p (UK)", "coins of 20p (UK)", 5.00e-3),
    Coin("50p (UK)", "coins of 50p (UK)", 8.00e-3),
    # Japan Mint, list of circulating coins: aluminium, and bronze.
    Coin("1 yen", "coins of 1 yen", 1.0e-3),
    Coin("10 yen", "coins of 10 yen", 4.5e-3),
)


def near(mass_kg: float, within: float = 0.1) -> tuple[str, ...]:
    """Say which coins of one kind come near to a mass, the nearest first.

    Args:
        mass_kg: The mass wanted [kg].
        within: How far off they may be, relative.

    >>> near(0.015)[0]
    '3 US nickels (15.0 g)'
    >>> near(0.2)
    ()
    """
    found = []
    for coin in COINS:
        count = min(max(1, round(mass_kg / coin.mass_kg)), _MOST)
        off = abs(count * coin.mass_kg / mass_kg - 1)
        if off <= within:
            name = f"one {coin.name}" if count == 1 else f"{count} {coin.several}"
            found.append((off, f"{name} ({1e3 * count * coin.mass_kg:.1f} g)"))
    return tuple(text for _, text in sorted(found))

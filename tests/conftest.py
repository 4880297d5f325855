"""Fixtures that several test files share."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest
from virtual_card import VirtualCard


@pytest.fixture(scope="session")
def virtual_card() -> Iterator[VirtualCard]:
    """The real-time virtual sound card, seen by this process too; connects a plain driver.

    Whoever changes the world puts it back.
    """
    with VirtualCard() as card, pytest.MonkeyPatch.context() as patch:
        for name, value in card.environment.items():
            patch.setenv(name, value)
        real = sys.modules.get("sounddevice")
        if real is not None and hasattr(real, "_initialize"):
            # PortAudio looks for devices once, when it wakes: wake it again.
            real._terminate()
            real._initialize()
        yield card

"""The command line and everything it shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cli.fit_file import load_fit, save_fit
    from cli.plots_notebook import Picture, plot_change, plot_fit, plot_motion

__all__ = ["Picture", "load_fit", "plot_change", "plot_fit", "plot_motion", "save_fit"]

_HOMES = {
    "Picture": "plots_notebook",
    "load_fit": "fit_file",
    "plot_change": "plots_notebook",
    "plot_fit": "plots_notebook",
    "plot_motion": "plots_notebook",
    "save_fit": "fit_file",
}


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for (PEP 562): the package costs nothing."""
    from importlib import import_module

    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])

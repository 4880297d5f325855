"""The command line and everything it shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cli.pictures.plots_notebook import Picture, plot_change, plot_fit, plot_motion
    from cli.sources.for_python import load_fit, save_fit

__all__ = ["Picture", "load_fit", "plot_change", "plot_fit", "plot_motion", "save_fit"]

_HOMES = {
    "Picture": "pictures.plots_notebook",
    "load_fit": "sources.for_python",
    "plot_change": "pictures.plots_notebook",
    "plot_fit": "pictures.plots_notebook",
    "plot_motion": "pictures.plots_notebook",
    "save_fit": "sources.for_python",
}


def __getattr__(name: str) -> object:
    """Import a public name when it is first asked for (PEP 562): the package costs nothing."""
    from importlib import import_module

    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])

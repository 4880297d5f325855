"""The Cramer-Rao bound of a driver's parameters, from elements and noise alone.

With J the derivatives of all measured components over their standard deviations, the covariance of
no unbiased estimate is below (J'J)^-1 (H. Cramer, Mathematical Methods of Statistics, 1946). How
takes depart from each other is random of known width: prior rows stand for it, and the bound is
that of H. L. Van Trees (Detection, Estimation, and Modulation Theory, 1968, 2.4.3). Derivatives
are central differences of fourth order of `campaign_drivers`, not those of `fit`.
"""

from __future__ import annotations

import numpy as np
from campaign_drivers import Bench, Driver, State, generating

FREE = ("Re", "fs", "Qms", "Qes")
ALL = (*FREE, "Mms", "Cms", "Bl", "Vas")
_STEP = 2e-3
MASS = ("softer", "warmer", "lossier")
BOX = (*MASS, "airier", "leak")
WIDTHS = {"softer": 0.02, "warmer": 0.005, "lossier": 0.15, "airier": 0.05, "leak": 0.02}
BOX_LOSS = 0.3


def _slopes(function, at):
    columns = []
    for k in range(at.size):
        step = np.zeros(at.size)
        step[k] = _STEP
        near = function(at + step) - function(at - step)
        far = function(at + 2 * step) - function(at - 2 * step)
        columns.append((8 * near - far) / (12 * _STEP))
    return np.array(columns).T


def _stacked(values):
    return np.concatenate([values.real, values.imag])


def bound(driver: Driver, noise: float, *, loaded: bool, f=None) -> dict[str, float]:
    """Least relative standard deviation of every parameter.

    Args:
        driver: At its truth.
        noise: Of the ratio of voltages, per component.
        loaded: Whether there are a take with a mass and one in a box.
        f: Frequencies of the takes; those of the driver by default.
    """
    f = driver.band if f is None else f
    start, back = generating(driver)
    # The area follows from the takes only where there is a box; the mass where there is a mass.
    kept = [k for k in range(start.size) if loaded or k not in (4, 5)]
    bench = Bench(noise)
    mass, volume = driver.added_mass, driver.box
    departures = len(MASS) + len(BOX) if loaded else 0

    def whole(p):
        full = start.copy()
        full[kept] = p[: len(kept)]
        return back(full)

    def states(p):
        d = p[len(kept) :]
        return State(**dict(zip(MASS, d, strict=False))), State(
            **dict(zip(BOX, d[len(MASS) :], strict=True))
        )

    def components(p):
        now = whole(p)
        rows = [now.impedance(f) / sigmas[0]]
        if loaded:
            with_mass, in_box = states(p)
            rows.append(now.impedance(f, mass=mass, state=with_mass) / sigmas[1])
            rows.append(now.impedance(f, volume=volume, state=in_box) / sigmas[2])
        return np.concatenate([_stacked(row) for row in rows])

    sigmas = [
        bench.sigma(driver.impedance(f)),
        bench.sigma(driver.impedance(f, mass=mass)),
        bench.sigma(driver.impedance(f, volume=volume)),
    ]
    at = np.concatenate([start[kept], np.zeros(departures)])
    if loaded:
        # Priors as rows; the derivative by a leak is one-sided in meaning but smooth at zero.
        widths = [WIDTHS[k] for k in MASS] + [
            BOX_LOSS if k == "lossier" else WIDTHS[k] for k in BOX
        ]
        priors = np.zeros((departures, at.size))
        priors[:, len(kept) :] = np.diag(1 / np.array(widths))
    else:
        priors = np.zeros((0, at.size))
    J = np.vstack([_slopes(components, at), priors])
    scale = np.linalg.norm(J, axis=0)
    _, singular, right = np.linalg.svd(J / scale, full_matrices=False)
    root = (right.T / singular) / scale[:, None]  # C = root root'

    names = ALL if loaded else FREE

    def logs(p):
        truth = whole(p).truth
        return np.log([truth[name] for name in names])

    spread = np.linalg.norm(_slopes(logs, at) @ root, axis=1)
    return dict(zip(names, spread.tolist(), strict=True))

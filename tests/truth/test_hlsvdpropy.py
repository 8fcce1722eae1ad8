"""Twenty damped sinusoids at once: the reference components shipped by the PyPI package hlsvdpropy.

hlsvdpropy.TESTDATA holds a measured complex record of 1024 points every 0.256 ms and the frequencies
[kHz], time constants [ms, negative], amplitudes and phases [degrees] that its state-space method finds in
it (T. Laudadio et al., J. Magn. Reson. 157 (2002) 292). Lines lie between -0.17 and 0.26 kHz; turned up by
0.5 kHz the real part of the record is a sum of twenty real damped sinusoids, none near zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from coilbell import decay
from outside import require

SHIFT_KHZ = 0.5


@dataclass(frozen=True)
class Components:
    times: np.ndarray
    decays: np.ndarray
    """[1/ms]"""
    angulars: np.ndarray
    """[rad/ms], turned up."""
    amplitudes: np.ndarray
    """Complex: cosine amplitude minus i times sine amplitude."""
    measured: np.ndarray
    """Real part of the turned record."""

    @property
    def built(self) -> np.ndarray:
        poles = -self.decays + 1j * self.angulars
        return (np.exp(np.outer(self.times, poles)) @ self.amplitudes).real


@pytest.fixture(scope="module")
def components() -> Components:
    require("hlsvdpropy")
    import hlsvdpropy

    kept = hlsvdpropy.TESTDATA
    data = np.array(hlsvdpropy.get_testdata())
    times = np.arange(data.size) * kept["step_size"]
    turned = (data * np.exp(2j * np.pi * SHIFT_KHZ * times)).real
    phases = np.radians(kept["phas0"])
    return Components(
        times,
        -1 / np.array(kept["damp0"]),
        2 * np.pi * (np.array(kept["freq0"]) + SHIFT_KHZ),
        np.array(kept["ampl0"]) * np.exp(1j * phases),
        turned,
    )


def found_near(solution, components: Components, which: np.ndarray) -> np.ndarray:
    """For each of those reference components the number of our nearest mode in the pole plane."""
    ours = -solution.decays + 1j * solution.angulars
    theirs = (-components.decays + 1j * components.angulars)[which]
    nearest = np.abs(ours[None, :] - theirs[:, None]).argmin(axis=1)
    assert len(set(nearest.tolist())) == theirs.size
    return nearest


def test_components_come_back_from_their_own_sum(components):
    """Starts a per cent off in decay and a hundredth of a linewidth off in frequency."""
    rng = np.random.default_rng(12)
    decays = components.decays * (1 + 0.01 * rng.standard_normal(20))
    angulars = components.angulars + 0.01 * components.decays * rng.standard_normal(20)
    start = list(zip(decays, angulars, strict=True))
    solution = decay.refine(components.times, components.built, modes=start, offset=False)
    k = found_near(solution, components, np.arange(20))
    assert solution.decays[k] == pytest.approx(components.decays, rel=1e-6)
    assert solution.angulars[k] == pytest.approx(components.angulars, rel=1e-8)
    amplitudes = solution.coefficients[2 * k] - 1j * solution.coefficients[2 * k + 1]
    assert np.abs(amplitudes - components.amplitudes) == pytest.approx(0, abs=1e-4)


def test_measured_record_is_fitted_at_least_as_well(components):
    """Least squares leaves no more than the state-space components do; strong lines stay within a width."""
    start = list(zip(components.decays, components.angulars, strict=True))
    solution = decay.refine(components.times, components.measured, modes=start, offset=False)
    reference = float(np.sum((components.measured - components.built) ** 2))
    assert solution.residual_sum_of_squares <= reference
    energy = np.abs(components.amplitudes) ** 2 / components.decays
    strong = np.argsort(-energy)[:3]
    k = found_near(solution, components, strong)
    shift = np.abs(solution.angulars[k] - components.angulars[strong])
    assert (shift < 0.5 * components.decays[strong]).all()

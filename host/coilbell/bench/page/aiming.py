"""When the pulse no longer suits what is on the leads, and must be aimed anew."""

from __future__ import annotations

from coilbell.bench.page.judgedshot import JudgedShot
from coilbell.decay import DoubtKind

__all__ = ["Aiming"]

_NO_RING = 10
"""After so many shots without a ring the pulse is aimed anew."""
_PEAK_RATIO = 2.0
"""A first peak that changed by more than this is another winding: the pulse is aimed anew."""


class Aiming:
    """Remembers the last first peak of each capacitor, and how long nothing has rung."""

    def __init__(self) -> None:
        self._silent = 0
        self._peaks: dict[str, float] = {}

    def suits(self, shot: JudgedShot) -> bool:
        """False where the pulse that struck this shot should be aimed anew."""
        fit = shot.fit
        self._silent = 0 if fit.rings else self._silent + 1
        before = self._peaks.get(shot.letter)
        peak = fit.main.amplitude.value if fit.rings else None
        other = before is not None and peak is not None and not 1 / _PEAK_RATIO < peak / before < _PEAK_RATIO
        if peak is not None:
            self._peaks[shot.letter] = peak
        silent = self._silent > 0 and self._silent % _NO_RING == 0
        if other or silent or fit.doubts_about(DoubtKind.CLIPPED):
            self._peaks.clear()
            return False
        return True

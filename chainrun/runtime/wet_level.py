"""Measures the level of a step's wet signal relative to its dry one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chainrun.contract.readings import WetLevel
from chainrun.units import power_ratio_db

if TYPE_CHECKING:
    from chainrun.contract import Step, Stream
    from chainrun.dsp.arrays import Array


class WetMeter:
    """Sums the energies of a step's input and output before they are mixed.

    If the step turns mono into stereo, the dry energy is that of both sides at the pan law.
    """

    def __init__(self, step: Step, stream: Stream, n_channels_out: int):
        from chainrun.dsp.pan import pan_gains

        self._do, self._mix_pct = step.do, step.mix_pct
        laid_out = stream.n_channels < n_channels_out
        self._weight = 2.0 * pan_gains(0.0, stream.pan_law_db)[0] ** 2 if laid_out else 1.0
        self._dry = self._wet = 0.0

    def count(self, dry: Array, wet: Array) -> None:
        """Add a block of the dry and of the wet signal."""
        import numpy as np

        self._dry += self._weight * float(np.vdot(dry, dry))
        self._wet += float(np.vdot(wet, wet))

    def reading(self) -> WetLevel:
        """Wet level of all blocks up to now, without an address."""
        reason = None
        if self._dry == 0.0:
            reason = "its input is silent"
        elif self._wet == 0.0:
            reason = "its wet signal is silent"
        level = power_ratio_db(self._wet, self._dry) if reason is None else None
        return WetLevel("", "", self._do, self._mix_pct, level, reason)

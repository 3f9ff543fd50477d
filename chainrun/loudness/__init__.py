"""Streaming measurements: loudness to ITU-R BS.1770-5 and EBU R 128, and other readings of a signal."""

from chainrun.loudness.analysis import Analysis
from chainrun.loudness.meter import Meter, gain_to_loudness
from chainrun.measured import Measured

__all__ = ["Analysis", "Measured", "Meter", "gain_to_loudness"]

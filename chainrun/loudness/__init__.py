"""Loudness to ITU-R BS.1770-5 and its companions, streaming: the meter, and what else there is to know of a signal."""

from chainrun.loudness.analysis import Analysis
from chainrun.loudness.meter import Measured, Meter, gain_to_loudness

__all__ = ["Analysis", "Measured", "Meter", "gain_to_loudness"]

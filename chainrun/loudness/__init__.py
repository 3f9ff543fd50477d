"""Loudness to ITU-R BS.1770-5 and its companions, streaming: the K-weighting and the meter."""

from chainrun.loudness.meter import Measured, Meter, gain_to_loudness

__all__ = ["Measured", "Meter", "gain_to_loudness"]

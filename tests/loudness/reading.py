"""Feeds a meter in pieces, as a render does."""

from __future__ import annotations

from chainrun.loudness import Meter
from tests.signals import RATE, in_pieces


def read(x, rate=RATE, kind=Meter, **more):
    """The meter's reading of x."""
    meter = kind(rate, x.shape[0], **more)
    for piece in in_pieces(x, [61440]):
        meter.feed(piece)
    return meter.result()

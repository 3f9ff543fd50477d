"""Audio files: reads headers and blocks, writes whole files. Only this package imports soundfile."""

from chainrun.audiofile.read import BLOCK_FRAMES, Header, Reader, read_header
from chainrun.audiofile.write import Writer

__all__ = ["BLOCK_FRAMES", "Header", "Reader", "Writer", "read_header"]

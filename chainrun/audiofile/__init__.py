"""Audio files, and the only place that imports soundfile: headers, blocks in, whole files out."""

from chainrun.audiofile.read import BLOCK_FRAMES, Header, Reader, read_header
from chainrun.audiofile.write import Writer

__all__ = ["BLOCK_FRAMES", "Header", "Reader", "Writer", "read_header"]

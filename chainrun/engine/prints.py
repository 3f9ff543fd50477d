"""Prints on disk: the float32 audio of a node, frame after frame."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from chainrun.dsp.arrays import Array, silence
from chainrun.errors import Problem, ResourceError


@dataclass(frozen=True)
class Print:
    """A finished print."""

    path: Path
    n_channels: int
    n_frames: int


class PrintWriter:
    """Writes a print block by block."""

    def __init__(self, path: Path, n_channels: int):
        self.path, self.n_channels, self.n_frames = path, n_channels, 0
        try:
            self._file = path.open("wb")
        except OSError as error:
            raise ResourceError(Problem(f"a print could not be written ({error.strerror})", file=str(path))) from error

    def write(self, x: Array) -> Array:
        """Append a block; returns it as the print holds it, rounded to float32."""
        with np.errstate(over="ignore"):  # what does not fit becomes inf, which the node tells
            data = np.ascontiguousarray(x.T, dtype="<f4")
        try:
            self._file.write(data.tobytes())
        except OSError as error:
            raise ResourceError(
                Problem(f"a print could not be written ({error.strerror})", file=str(self.path))
            ) from error
        self.n_frames += data.shape[0]
        return np.ascontiguousarray(data.T, dtype=np.float64)

    def abandon(self) -> None:
        """Close and drop the file."""
        self._file.close()
        self.path.unlink(missing_ok=True)

    def finish(self) -> Print:
        """Close the file."""
        try:
            self._file.close()
        except OSError as error:
            raise ResourceError(
                Problem(f"a print could not be written ({error.strerror})", file=str(self.path))
            ) from error
        return Print(self.path, self.n_channels, self.n_frames)


class PrintSource:
    """Reads a print from time 0; silence after its end."""

    def __init__(self, source: Print):
        self.n_channels, self.n_frames = source.n_channels, source.n_frames
        self._file = source.path.open("rb")
        self._left = source.n_frames

    def read(self, n_frames: int) -> Array:
        """The next block, shape (n_channels, n_frames)."""
        wanted = min(n_frames, self._left)
        x = silence(self.n_channels, n_frames)
        if wanted:
            data = np.fromfile(self._file, dtype="<f4", count=wanted * self.n_channels)
            if data.size != wanted * self.n_channels:
                raise ResourceError(Problem("a print is shorter than it was", file=self._file.name))
            x[:, :wanted] = data.reshape(wanted, self.n_channels).T
            self._left -= wanted
        return x

    def close(self) -> None:
        """Close the file."""
        self._file.close()

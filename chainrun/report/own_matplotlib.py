"""matplotlib, imported so that the program leaves nothing in the home folder: its caches live as long as the process.

Inside somebody else's process matplotlib is imported as it is: its settings are the host's.
"""

from __future__ import annotations

import os
from tempfile import TemporaryDirectory

from chainrun.program import is_program

CONFIG = "MPLCONFIGDIR"

if CONFIG in os.environ or not is_program():
    import matplotlib as mpl
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Canvas
else:
    from chainrun.whole_file import folder_prefix

    _folder = TemporaryDirectory(prefix=folder_prefix("chainrun-mpl"), ignore_cleanup_errors=True)
    os.environ[CONFIG] = _folder.name
    try:
        import matplotlib as mpl
        from matplotlib.axes import Axes
        from matplotlib.figure import Figure as Canvas

        mpl.get_cachedir(), mpl.get_configdir()  # both are remembered
    finally:
        del os.environ[CONFIG]

__all__ = ["Axes", "Canvas", "mpl"]

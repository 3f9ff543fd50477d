"""Store of prints: their files, their identities, pruning."""

from chainrun.store.prints import Print, PrintSource, PrintWriter
from chainrun.store.store import Store, hasher

__all__ = ["Print", "PrintSource", "PrintWriter", "Store", "hasher"]

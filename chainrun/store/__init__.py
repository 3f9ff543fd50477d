"""Kept prints: their files, their place under the hash of all that determined them, pruning."""

from chainrun.store.prints import Print, PrintSource, PrintWriter
from chainrun.store.store import Store, hasher

__all__ = ["Print", "PrintSource", "PrintWriter", "Store", "hasher"]

"""Processors, one file each. Importing this package declares all of them; there is no other list."""

from importlib import import_module
from pkgutil import iter_modules

from chainrun.contract import finish

for _module in iter_modules(__path__):
    import_module(f"{__name__}.{_module.name}")
finish()

"""Fleet analytics for accessory drive belt tension.

`run` does the whole job, `open` gives the result tables as polars frames, and
`fleetbelt.belt` holds the physics of a drive. Importing this package is light: the
libraries are imported by what needs them.
"""

import os
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fleetbelt import belt
    from fleetbelt.pipeline import run
    from fleetbelt.store.results import open_results as open  # noqa: A004

# Read once, when numpy is first imported. Two threads sum in another order than one,
# so results would depend on the machine; and on our small matrices they only spin.
for _threads in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS"):
    os.environ[_threads] = "1"

__all__ = ["belt", "open", "run"]

_WHERE = {
    "run": ("fleetbelt.pipeline", "run"),
    "open": ("fleetbelt.store.results", "open_results"),
}


def __getattr__(name: str) -> Any:  # noqa: ANN401 (a module attribute)
    """Import a public name when it is first used."""
    if name == "belt":
        return import_module("fleetbelt.belt")
    if name in _WHERE:
        module, attribute = _WHERE[name]
        return getattr(import_module(module), attribute)
    what = f"module 'fleetbelt' has no attribute {name!r}"
    raise AttributeError(what)

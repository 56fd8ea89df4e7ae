"""Exact conversion factors to the canonical units: N, mm, miles.

References
----------
.. [1] NIST Special Publication 811 (2008), appendix B: the pound (1959 agreement),
   standard gravity, the inch and the mile are exact by definition.
"""

from typing import Final

NEWTONS_PER: Final = {"N": 1.0, "lbf": 4.4482216152605, "kgf": 9.80665}
MM_PER_INCH: Final = 25.4
KM_PER_MILE: Final = 1.609344
STANDARD_GRAVITY_M_S2: Final = 9.80665

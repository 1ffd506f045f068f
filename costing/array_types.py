"""Arrays by what they hold, for signatures: shapes stand in docstrings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Names = NDArray[np.object_]
Days = NDArray[np.datetime64]

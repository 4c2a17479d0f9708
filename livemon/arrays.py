"""An array of numbers, as signatures name it. Loads numpy: who must not asks for it only to be checked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

"""What of a vehicle identification number may stand in a file: one rule for all of them.

ISO 3779: 17 places, of which the first eight tell maker and model and the rest name the one vehicle.
"""

from __future__ import annotations

from typing import Final

_SHOWN: Final = 8


def mask(vin: str, first: int = 0) -> str:
    """The VIN, or its part from place `first` on, with '*' for what names the vehicle."""
    shown = vin[: max(0, _SHOWN - first)]
    return shown + "*" * (len(vin) - len(shown))

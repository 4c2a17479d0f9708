"""livemon: decide from a road test whether a complaint comes from inside the torque converter.

Importing the package loads nothing heavy: no can, serial, rich or numpy. Each is imported by the
function that needs it.
"""

__version__ = "0.1.0"

__all__ = ["__version__"]

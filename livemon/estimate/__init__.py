"""Readings -> Estimate and Oscillation: road motion, gear and clutch state, slip, torque, swings.

May import the plain records, converter and vehicle; never sources, obd, diagnose or views. Hot path in
plain scalars: one reading at a time, constant memory, no numpy per reading.
"""

from livemon.estimate.estimator import Estimator

__all__ = ["Estimator"]

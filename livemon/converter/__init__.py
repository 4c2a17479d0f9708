"""Torque-converter physics: mean-path model, derived curves, stall. Pure functions, no state, no I/O."""

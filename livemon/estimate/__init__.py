"""Readings -> estimates: road speed, gear, clutch state, torque, slip, oscillation. No judgement of faults."""

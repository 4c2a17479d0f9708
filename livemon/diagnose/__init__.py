"""Estimates -> evidence -> findings and the call. No I/O, no knowledge of sources or screens.

Estimate -> windows -> bank (road evidence) ┐
Estimate -> lockup, full pedal             ├-> standing -> alarms, findings, call -> words
Oscillation -> shudder; codes -> codes     ┘
"""

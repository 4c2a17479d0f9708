"""Bytes <-> readings: ISO-TP, PIDs, codes, J1939 layouts, poll schedule. No I/O and no clock of its own."""

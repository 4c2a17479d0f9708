"""Estimates -> evidence -> findings and the call. No I/O, no knowledge of sources or screens."""

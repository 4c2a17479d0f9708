"""The simulated vehicle, driver, control units and adapter. Faults are physical causes, never outputs."""

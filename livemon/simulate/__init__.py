"""The simulated vehicle, its driver, its control units and a simulated adapter. Faults are physical causes."""

"""Sources: the world -> frames. I/O lives here; can, serial and cantools are imported nowhere else."""

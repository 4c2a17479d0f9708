"""What is kept: the crash-safe recording and the history of past checks."""

"""One file a command: it puts a source, the loop and the views together and computes nothing itself."""

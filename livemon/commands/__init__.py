"""One file a command. A command puts a source, the loop and the views together; it computes nothing itself."""

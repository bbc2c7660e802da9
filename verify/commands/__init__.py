"""One file a command: parse, delegate, print."""

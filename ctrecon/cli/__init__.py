"""The command line: one file a command, each with `add_parser` and `run`."""

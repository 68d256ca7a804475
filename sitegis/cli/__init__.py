"""The command line: one file a command, no geometry in any of them."""

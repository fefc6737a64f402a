"""The subcommands of the command line, one module each. `cli.py` finds them by name and loads only the one asked for."""

"""The subcommands of the command line, one module each. `cli.py` loads only the one asked for."""

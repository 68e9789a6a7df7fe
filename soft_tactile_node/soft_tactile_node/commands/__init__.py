"""The command line `soft-tactile`: one module a subcommand, each with its click command in the name `command`."""

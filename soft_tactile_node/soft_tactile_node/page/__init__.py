"""The live bench page: each finger is read in a process of its own, a server thins what it writes for the browser."""

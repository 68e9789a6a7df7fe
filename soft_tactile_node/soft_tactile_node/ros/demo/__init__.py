"""The demo: its processes, its onlooker and its course of events."""

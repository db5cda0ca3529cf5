"""A world full of faults around the real controller, shell, store and node core, in virtual time."""

"""From flat artwork to a casting-safe outline in true millimetres."""

__version__ = "0.1.0"

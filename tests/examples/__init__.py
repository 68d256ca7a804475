"""Worked examples of the library: scripts that a GIS analyst could start from."""

"""Frames, coordinate operations, traverses and polylines: what lies where."""

"""Spoiled site folders, and the judge of what a run makes of them."""

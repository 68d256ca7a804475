"""The one model of a test pit: what it exposes, where it may be dug, what it costs."""

"""Stage ``dig``."""

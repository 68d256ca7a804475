"""Stage ``cli``."""

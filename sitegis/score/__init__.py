"""Stage ``score``."""

"""Stage ``read``."""

"""Stage ``write``."""

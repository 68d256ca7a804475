"""Stage ``place``."""

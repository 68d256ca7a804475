"""Stage ``routes``."""

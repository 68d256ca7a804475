"""Many lots at once, from a city's own layers, with the stages' practice and priors."""

from .assemble import Pages
from .database import SCHEMA, Database, database
from .look import Looked, blank_city, look
from .run import run_city, work_name
from .summary import CitySummary

__all__ = [
    "SCHEMA",
    "CitySummary",
    "Database",
    "Looked",
    "Pages",
    "blank_city",
    "database",
    "look",
    "run_city",
    "work_name",
]

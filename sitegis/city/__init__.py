"""Many lots at once, from a city's own layers, with the stages' habits and priors."""

from ._assemble import Pages
from ._database import SCHEMA, Database, database
from ._summary import CitySummary
from .look import Looked, blank_city, look
from .run import run_city, work_name

__all__ = [
    "SCHEMA", "CitySummary", "Database", "Looked", "Pages", "blank_city", "database", "look",
    "run_city", "work_name",
]  # fmt: skip

"""Which database a city's tables go to; its password is kept out of every message."""

from __future__ import annotations

import importlib
import re
from dataclasses import field
from typing import Any

from ..late_dataclass import dataclass
from ..messages.catalog import fault_of
from ..messages.errors import BadInput

SCHEMA = "sitegis"
LONGEST_NAME = 63  # PostgreSQL cuts longer names short: documentation, 4.1.1 (from memory)


@dataclass(frozen=True, slots=True)
class Database:
    """Where tables go: what libpq needs to connect, and a schema."""

    parameters: dict[str, str] = field(repr=False)
    schema: str

    def __str__(self) -> str:
        """Name the database without any password."""
        user, host, port, name = (
            self.parameters.get(key, "") for key in ("user", "host", "port", "dbname")
        )
        place = f"{user}@{host}" if user else host
        return f"postgresql://{place}{f':{port}' if port else ''}/{name}, schema {self.schema}"


def database(url: str, *, schema: str = SCHEMA) -> Database:
    """Read a ``postgresql://`` URL; ``BadInput`` never repeats it, since it may hold a password.

    Parameters
    ----------
    url
        Address of the database.
    schema
        Schema to write into.

    Returns
    -------
    Database
        Address and schema.

    Raises
    ------
    BadInput
        The address or the schema cannot be used.
    """
    psycopg = _driver()
    if not url.startswith(("postgresql://", "postgres://")):
        raise BadInput((fault_of("database-unfit:no-address", "--to", None, "database"),))
    unfit = _unfit(schema)
    if unfit:
        fault = fault_of(unfit, "--schema", None, "database", longest=LONGEST_NAME)
        raise BadInput((fault,))
    try:
        parameters = psycopg.conninfo.conninfo_to_dict(_plain(url))
    except (psycopg.Error, ValueError):
        # the driver's own words repeat the part of the URL that it could not read
        raise BadInput((fault_of("database-unfit", "--to", None, "database"),)) from None
    return Database({key: str(value) for key, value in parameters.items()}, schema)


def _plain(url: str) -> str:
    """Return a URL back whose parts cannot be mistaken; ``ValueError`` for any other.

    A bare ``@``, ``/`` or ``?`` in a password would make its rest a host, port or name, and
    these are shown.
    """
    authority, rest = re.match(r"[^:]*://([^/?]*)(.*)", url, re.DOTALL).groups()  # type: ignore[union-attr]
    places = authority.rpartition("@")[2]
    if authority.count("@") > 1 or "@" in rest:
        raise ValueError("more than one @")
    if not all(re.fullmatch(r"(\[[^]]*\]|[^:]*)(:[0-9]*)?", place) for place in places.split(",")):
        raise ValueError("a port that is no number")
    return url


def _driver() -> Any:
    """Load psycopg, which only this output needs."""
    try:
        driver = importlib.import_module("psycopg")
        importlib.import_module("psycopg.conninfo")
    except ImportError as error:
        fault = fault_of("postgis-package-missing", "--to", None, "database")
        raise BadInput((fault,)) from error
    return driver


def _unfit(schema: str) -> str:
    """Name the fault of a schema's name that cannot be used; empty where it can."""
    if not schema or not schema.isprintable():
        return "schema-unfit:unprintable"
    if len(schema.encode("utf-8", "replace")) > LONGEST_NAME:
        return "schema-unfit:long"
    if schema.startswith("pg_") or schema == "information_schema":
        return "schema-unfit"
    return ""

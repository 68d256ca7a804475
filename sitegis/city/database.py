"""Which database a city's tables go to; its password is kept out of every message."""

from __future__ import annotations

import importlib
import re
from dataclasses import field
from typing import Any

from ..late_dataclass import dataclass
from ..messages.errors import BadInput, Fault

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
        fault = _fault(
            "database-unfit",
            "--to",
            "This is no address of a database.",
            "write postgresql://user@host/database.",
        )
        raise BadInput((fault,))
    reason = _unfit(schema)
    if reason:
        raise BadInput((_fault("schema-unfit", "--schema", reason, "choose another name."),))
    try:
        parameters = psycopg.conninfo.conninfo_to_dict(_plain(url))
    except (psycopg.Error, ValueError):
        # the driver's own words repeat the part of the URL that it could not read
        fault = _fault(
            "database-unfit",
            "--to",
            "This address of a database cannot be read.",
            "write postgresql://user@host/database, special characters as %40; keep the "
            "password in PGPASSWORD or ~/.pgpass.",
        )
        raise BadInput((fault,)) from None
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
        fault = _fault(
            "postgis-package-missing",
            "--to",
            "Writing to PostGIS needs the package psycopg.",
            "install it with: pip install 'sitegis[postgis]'.",
        )
        raise BadInput((fault,)) from error
    return driver


def _fault(code: str, option: str, reason: str, remedy: str) -> Fault:
    return Fault(code, option, None, "database", "", reason, remedy)


def _unfit(schema: str) -> str:
    """Say why a schema's name cannot be used; empty where it can."""
    if not schema or not schema.isprintable():
        return "The name of the schema is empty or has characters that do not print."
    if len(schema.encode("utf-8", "replace")) > LONGEST_NAME:
        return f"The name of the schema is longer than {LONGEST_NAME} bytes."
    if schema.startswith("pg_") or schema == "information_schema":
        return "This schema belongs to PostgreSQL itself."
    return ""

"""What a user is told: a catalog of sentences by code, into which values are put by name.

``messages.toml`` holds every fault (what is wrong, and the remedy) and notice (what to know, and
whether a person must look). A code that is said in several ways has a name after a colon for
each: ``id-twice:room``; the part before it is the stable code. Values come in as they shall be
read: lengths already in trade units.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from importlib import resources
from typing import Any, Literal

from ..late_dataclass import dataclass
from .errors import Fault, Notice


@dataclass(frozen=True, slots=True)
class Message:
    """A sentence of the catalog, with places for values, and its remedy if it is a fault."""

    says: str
    remedy: str = ""
    needs_person: bool = True


@functools.cache
def catalog(kind: Literal["fault", "notice"]) -> Mapping[str, Message]:
    """Return the messages of a kind by name.

    >>> catalog("fault")["cell-empty"].remedy
    'write the {column}.'
    """
    return {name: Message(**entry) for name, entry in tomllib.loads(_written())[kind].items()}


@functools.cache
def _written() -> str:
    """Return the text of the catalog."""
    return resources.files("sitegis.messages").joinpath("messages.toml").read_text("utf-8")


@functools.cache
def message_of(kind: Literal["fault", "notice"], name: str) -> Message:
    """Return one message by its name, the others unread; KeyError where there is none.

    Parameters
    ----------
    kind
        Whether a fault or a notice.
    name
        Name in the catalog.

    Returns
    -------
    Message
        The message.

    Raises
    ------
    KeyError
        No message has that name.

    Examples
    --------
    >>> message_of("fault", "cell-empty") == catalog("fault")["cell-empty"]
    True
    """
    key = f'"{name}"' if ":" in name else name
    _, found, after = _written().partition(f"\n[{kind}.{key}]\n")
    if not found:
        raise KeyError(name)
    return Message(**tomllib.loads(after.partition("\n[")[0]))


def fault_of(
    name: str, file: str, row: int | None, field: str, value: str = "", /, **values: object
) -> Fault:
    """Make a fault by its name in the catalog; KeyError where that or a value is missing.

    Parameters
    ----------
    name
        Name in the catalog.
    file
        File in which it stands.
    row
        Row of the table, None where it is of the whole file.
    field
        Key or column.
    value
        What stands there.
    **values
        Values that the words have places for.

    Returns
    -------
    Fault
        The fault, its words filled in.

    Raises
    ------
    KeyError
        The name or one of its values is missing.
    """
    message = message_of("fault", name)
    reason, remedy = message.says.format(**values), message.remedy.format(**values)
    return Fault(code_of(name), file, row, field, value, reason, remedy)


def notice_of(
    name: str, where: str, /, *, needs_person: bool | None = None, **values: Any
) -> Notice:
    """Make a notice by its name in the catalog.

    That also says whether a person must look, unless it hangs on the values.

    Parameters
    ----------
    name
        Name in the catalog.
    where
        Table, row or stage it is about.
    needs_person
        Whether a person must look, None as the catalog says.
    **values
        Values that the words have places for.

    Returns
    -------
    Notice
        The notice, its words filled in.

    Raises
    ------
    KeyError
        The name or one of its values is missing.
    """
    message = message_of("notice", name)
    needed = message.needs_person if needs_person is None else needs_person
    return Notice(code_of(name), message.says.format(**values), where, needed)


def code_of(name: str) -> str:
    """Return the stable code of a message.

    >>> code_of("id-twice:room")
    'id-twice'
    """
    return name.partition(":")[0]

"""``dataclass`` for the records: what it writes is compiled when it is first asked for.

Start-up: a run imports some 250 records, of which ``dataclasses`` compiles six methods each at
once, 0.8 ms a record. A frozen record with slots gets them here one by one, as ``dataclasses``
itself writes them, and only those that are called; every other kind is made by it at once.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any, cast

__all__ = ["dataclass"]

if TYPE_CHECKING:
    from dataclasses import dataclass
else:

    def dataclass(*, frozen: bool = False, slots: bool = False, **others: Any) -> Any:
        """Make a class a dataclass, as ``dataclasses.dataclass`` does.

        Parameters
        ----------
        frozen
            Whether its fields cannot be set.
        slots
            Whether it has slots.
        **others
            What else ``dataclasses.dataclass`` takes.

        Returns
        -------
        Any
            The decorator.
        """
        if not (frozen and slots) or others:
            return dataclasses.dataclass(frozen=frozen, slots=slots, **others)
        return _late


class _Frozen:
    """What every frozen record has alike."""

    def __setattr__(self, name: str, value: object) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")

    def __delattr__(self, name: str) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")

    def __getstate__(self: Any) -> list[Any]:
        return [getattr(self, field.name) for field in dataclasses.fields(self)]

    def __setstate__(self: Any, state: list[Any]) -> None:
        for field, value in zip(dataclasses.fields(self), state, strict=True):
            object.__setattr__(self, field.name, value)


_ALIKE = {name: vars(_Frozen)[name] for name in ("__setattr__", "__delattr__")}
_ALIKE |= {name: vars(_Frozen)[name] for name in ("__getstate__", "__setstate__")}
_WRITTEN = ("__init__", "__repr__", "__eq__", "__hash__")


def _late(cls: type) -> type:
    """Make a class a frozen dataclass with slots, whose methods wait."""
    own = set(vars(cls))
    inherited = [vars(one)["__dataclass_params__"] for one in cls.__mro__[1:] if _is_record(one)]
    # its parents too refuse to be set, but not by what dataclasses wrote
    for parameters in inherited:
        parameters.frozen = False
    made: Any = dataclasses.dataclass(init=False, repr=False, eq=False, slots=True)(cls)
    for parameters in (*inherited, made.__dataclass_params__):
        parameters.frozen = True
    waiting = {name: _Method(made, name) for name in _WRITTEN}
    for name, method in (_ALIKE | waiting).items():
        if name not in own:
            setattr(made, name, method)
    return cast("type", made)


def _is_record(cls: type) -> bool:
    """Return whether a class itself was made a dataclass."""
    return "__dataclass_params__" in vars(cls)


class _Method:
    """A method of a record that stands in its place until something asks for it."""

    __slots__ = ("_cls", "_name")

    def __init__(self, cls: type, name: str) -> None:
        self._cls, self._name = cls, name

    def __get__(self, record: object | None, owner: type) -> Any:
        """Have ``dataclasses`` write the method, for an heir without fields of its own."""
        cls, name = self._cls, self._name
        heir = type(cls.__name__, (cls,), {"__qualname__": cls.__qualname__, "__doc__": ""})
        some = {"repr": False, "eq": False} if name == "__init__" else {"init": False}
        method = vars(dataclasses.dataclass(frozen=True, **some)(heir))[name]
        setattr(cls, name, method)
        return method.__get__(record, owner)

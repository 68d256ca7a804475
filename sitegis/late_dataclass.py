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

    def __eq__(self, other: object) -> bool:
        if other.__class__ is not self.__class__:
            return NotImplemented
        return _compared(self) == _compared(other)

    def __hash__(self) -> int:
        return hash(_compared(self))

    def __setattr__(self, name: str, value: object) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot assign to field {name!r}")

    def __delattr__(self, name: str) -> None:
        raise dataclasses.FrozenInstanceError(f"cannot delete field {name!r}")

    def __getstate__(self: Any) -> list[Any]:
        return [getattr(self, field.name) for field in dataclasses.fields(self)]

    def __setstate__(self: Any, state: list[Any]) -> None:
        for field, value in zip(dataclasses.fields(self), state, strict=True):
            object.__setattr__(self, field.name, value)


def _compared(record: Any) -> tuple[Any, ...]:
    """Return the values that make two records the same."""
    return tuple(getattr(record, one.name) for one in dataclasses.fields(record) if one.compare)


_ALIKE = {name: method for name, method in vars(_Frozen).items() if callable(method)}
_WRITTEN = ("__init__", "__repr__")


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
        """Write the method, put it in this place, and give it as any method."""
        plain = self._name == "__init__" and all(
            one.init and not one.kw_only for one in dataclasses.fields(self._cls)
        )
        method = _init(self._cls) if plain else _by_the_library(self._cls, self._name)
        setattr(self._cls, self._name, method)
        return method.__get__(record, owner)


def _by_the_library(cls: Any, name: str) -> Any:
    """Have ``dataclasses`` write a method, for an heir without fields of its own."""
    heir = type(cls.__name__, (cls,), {"__qualname__": cls.__qualname__, "__doc__": ""})
    some = {"repr": False, "eq": False} if name == "__init__" else {"init": False}
    return vars(dataclasses.dataclass(frozen=True, slots=True, **some)(heir))[name]


class _Factory:
    """Stands for a default that is made anew for each record."""

    def __repr__(self) -> str:
        return "<factory>"


def _init(cls: Any) -> Any:
    """Write ``__init__`` alone, as ``dataclasses`` does together with five other methods."""
    names: dict[str, Any] = {"_late_set": object.__setattr__, "_late_factory": _Factory()}
    parameters, lines = ["self"], []
    for field in dataclasses.fields(cls):
        name = value = field.name
        parameter = name
        if field.default_factory is not dataclasses.MISSING:
            names[f"_late_{name}"] = field.default_factory
            parameter = f"{name}=_late_factory"
            value = f"_late_{name}() if {name} is _late_factory else {name}"
        elif field.default is not dataclasses.MISSING:
            names[f"_late_{name}"] = field.default
            parameter = f"{name}=_late_{name}"
        parameters.append(parameter)
        lines.append(f"_late_set(self, {name!r}, {value})")
    if hasattr(cls, "__post_init__"):
        lines.append("self.__post_init__()")
    exec(f"def __init__({', '.join(parameters)}):\n " + "\n ".join(lines or ["pass"]), names)
    method = names["__init__"]
    method.__qualname__, method.__module__ = f"{cls.__qualname__}.__init__", cls.__module__
    method.__annotations__ = {one.name: one.type for one in dataclasses.fields(cls)}
    method.__annotations__["return"] = None
    return method

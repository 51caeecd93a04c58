"""Canonical JSON of core's values: sorted keys, no spaces, exact both ways (after RFC 8785 in spirit).

Every dataclass and named tuple carries its class name under `is`, so that unions come back as what they were. Floats are
written by `repr`, which is exact; NaN and infinities are refused.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

Json = Any
T = TypeVar("T")


def dump(value: object) -> Json:
    """Plain JSON data of `value`. Raises TypeError for what core does not use."""
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, bool | int | float | str):
        return value
    if is_dataclass(value) and not isinstance(value, type):
        return {"is": type(value).__name__, **{name: dump(getattr(value, name)) for name in _stored(type(value))}}
    if isinstance(value, tuple):
        names = getattr(value, "_fields", None)
        if names is not None:
            return {"is": type(value).__name__, **{name: dump(item) for name, item in zip(names, value, strict=True)}}
        return [dump(item) for item in value]
    if isinstance(value, Mapping):
        return {str(key): dump(item) for key, item in value.items()}
    raise TypeError(f"{type(value).__name__} has no canonical form: {value!r}")


def text(value: object) -> str:
    """The one text of `value`. Raises ValueError for NaN and infinities."""
    return json.dumps(dump(value), sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def load(cls: type[T], data: Json) -> T:
    """`data` as a `cls`. Raises ValueError, naming the class and what is missing or unknown."""
    loader: Any = _record_loader
    loaded: T = loader(cls)(data)
    return loaded


def _loader(hint: Any) -> Callable[[Json], Any]:
    """How a value written under the type `hint` is read back."""
    origin = get_origin(hint)
    if origin in (Union, UnionType):
        return _union_loader(get_args(hint))
    if origin is tuple:
        return _tuple_loader(get_args(hint))
    if isinstance(hint, type) and issubclass(hint, Enum):
        return hint
    if isinstance(hint, type) and (is_dataclass(hint) or hasattr(hint, "_fields")):
        return lambda data: _record_loader(hint)(data)
    return lambda data: data


def _union_loader(members: tuple[Any, ...]) -> Callable[[Json], Any]:
    records = {member.__name__: member for member in members if is_dataclass(member) or hasattr(member, "_fields")}
    plain = [member for member in members if member is not NoneType and getattr(member, "__name__", "") not in records]
    fallback = _loader(plain[0]) if len(plain) == 1 else lambda data: data

    def read(data: Json) -> Any:
        if data is None:
            return None
        if isinstance(data, dict) and data.get("is") in records:
            return _record_loader(records[data["is"]])(data)
        return fallback(data)

    return read


def _tuple_loader(items: tuple[Any, ...]) -> Callable[[Json], Any]:
    if len(items) == 2 and items[1] is Ellipsis:
        each = _loader(items[0])
        return lambda data: tuple(each(item) for item in data)
    loaders = [_loader(item) for item in items]
    return lambda data: tuple(read(item) for read, item in zip(loaders, data, strict=True))


@cache
def _record_loader(cls: Any) -> Callable[[Json], Any]:
    hints = get_type_hints(cls)
    names = list(cls._fields) if hasattr(cls, "_fields") else _stored(cls)
    readers = {name: _loader(hints[name]) for name in names}
    needed = set(names) - _defaulted(cls)

    def read(data: Json) -> Any:
        if not isinstance(data, dict) or data.get("is") != cls.__name__:
            raise ValueError(f"expected a {cls.__name__}, got {str(data)[:80]}")
        odd = (set(data) - {"is"} - set(names)) | (needed - set(data))
        if odd:
            raise ValueError(f"{cls.__name__}: missing or unknown {', '.join(sorted(odd))}")
        return cls(**{name: reader(data[name]) for name, reader in readers.items() if name in data})

    return read


def _defaulted(cls: Any) -> set[str]:
    """Fields that a value written by an older program may lack: they came later, and have a default for that."""
    if hasattr(cls, "_field_defaults"):
        return set(cls._field_defaults)
    return {field.name for field in fields(cls) if field.default is not MISSING}


@cache
def _stored(cls: Any) -> list[str]:
    """Fields of a dataclass that are given when it is made; the others follow from these."""
    return [field.name for field in fields(cls) if field.init]

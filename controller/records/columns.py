"""One column of values as few bytes: constant, integers by differences, booleans, values some of which are absent.

The method: integers are written as themselves above their least, as differences, or as differences of differences,
whichever is smallest in sum (a counter becomes zeros, a noisy reading small numbers); negative ones are folded onto
positive ones; all get the same width and their bytes are laid out plane by plane, so that zlib sees long runs of equal
high bytes. What does not fit any of this is written as JSON: every list of str, int, bool and None comes back equal and
of the same types.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Callable, Iterable, Sequence
from operator import sub
from typing import Any

Value = str | int | bool | None

CONSTANT, INTEGERS, BOOLEANS, MAYBE, JSON = range(5)
WIDTHS = ((1, "B"), (2, "H"), (4, "I"), (8, "Q"))
LETTER = dict(WIDTHS)


class Broken(ValueError):
    """The bytes are no column, or end too early."""


class Cursor:
    """Reads forward through bytes; raises Broken rather than reading past the end."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    @property
    def done(self) -> bool:
        return self._at == len(self._data)

    def take(self, count: int) -> bytes:
        end = self._at + count
        if end > len(self._data):
            raise Broken(f"{count} bytes wanted at {self._at}, {len(self._data) - self._at} left")
        piece = self._data[self._at : end]
        self._at = end
        return piece

    def varint(self) -> int:
        value = shift = 0
        while True:
            byte = self.take(1)[0]
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7


def varint(value: int) -> bytes:
    """A number of zero or more, seven bits a byte, least first."""
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def fold(value: int) -> int:
    """0, -1, 1, -2, 2 ... to 0, 1, 2, 3, 4 ..."""
    return value << 1 if value >= 0 else ~(value << 1)


def unfold(value: int) -> int:
    """The other way."""
    return ~(value >> 1) if value & 1 else value >> 1


def pack(values: Sequence[Value]) -> bytes:
    """The column's bytes; nothing at all for no values. Its length is the caller's to remember."""
    if not values:
        return b""
    kinds = set(map(type, values))
    if len(kinds) == 1 and values.count(values[0]) == len(values):
        return bytes((CONSTANT,)) + _json(values[0])
    return _PACKERS.get(frozenset(kinds), _pack_json)(values)


def unpack(cursor: Cursor, count: int) -> list[Any]:
    """`count` values from where the cursor stands."""
    if not count:
        return []
    mode = cursor.take(1)[0]
    if mode not in _UNPACKERS:
        raise Broken(f"no column is of mode {mode}")
    return _UNPACKERS[mode](cursor, count)


def _json(value: object) -> bytes:
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=True).encode()
    return varint(len(text)) + text


def _read_json(cursor: Cursor) -> Any:
    try:
        return json.loads(cursor.take(cursor.varint()))
    except ValueError as error:
        raise Broken(str(error)) from error


def _pack_json(values: Sequence[Value]) -> bytes:
    return bytes((JSON,)) + _json(list(values))


def _unpack_json(cursor: Cursor, count: int) -> list[Any]:
    values = _read_json(cursor)
    if not isinstance(values, list) or len(values) != count:
        raise Broken(f"{count} values wanted")
    return values


def _unpack_constant(cursor: Cursor, count: int) -> list[Any]:
    return [_read_json(cursor)] * count


def _pack_integers(values: Sequence[Any]) -> bytes:
    """Mode, order and width, the starting values, then the planes."""
    order, starts, rest = min(_ways(values), key=lambda way: sum(way[2]))
    top = max(rest, default=0)
    width = next((width for width, _ in WIDTHS if top < 1 << 8 * width), None)
    if width is None:
        return _pack_json(values)
    flat = struct.pack(f"<{len(rest)}{LETTER[width]}", *rest)
    planes = b"".join(flat[plane::width] for plane in range(width))
    return bytes((INTEGERS, order << 4 | width)) + b"".join(varint(fold(start)) for start in starts) + planes


def _ways(values: Sequence[int]) -> Iterable[tuple[int, tuple[int, ...], list[int]]]:
    """(order, starting values, folded rest) for each order that makes sense."""
    least = min(values)
    yield 0, (least,), [value - least for value in values]
    once = list(map(sub, values[1:], values))
    yield 1, (values[0],), list(map(fold, once))
    if len(values) > 2:
        yield 2, (values[0], once[0]), list(map(fold, map(sub, once[1:], once)))


def _unpack_integers(cursor: Cursor, count: int) -> list[Any]:
    head = cursor.take(1)[0]
    order, width = head >> 4, head & 0x0F
    if order > 2 or width not in LETTER:
        raise Broken(f"no integers are of order {order} and width {width}")
    starts = [unfold(cursor.varint()) for _ in range(max(order, 1))]
    length = count - order
    if length < 0:
        raise Broken(f"{count} values cannot have order {order}")
    planes = cursor.take(length * width)
    flat = bytearray(length * width)
    for plane in range(width):
        flat[plane::width] = planes[plane * length : (plane + 1) * length]
    rest = struct.unpack(f"<{length}{LETTER[width]}", flat)
    return _REBUILD[order](starts, rest)


def _rebuild_plain(starts: list[int], rest: Iterable[int]) -> list[int]:
    least = starts[0]
    return [least + value for value in rest]


def _rebuild_once(starts: list[int], rest: Iterable[int]) -> list[int]:
    values = [starts[0]]
    for step in rest:
        values.append(values[-1] + unfold(step))
    return values


def _rebuild_twice(starts: list[int], rest: Iterable[int]) -> list[int]:
    first, step = starts
    values = [first, first + step]
    for change in rest:
        step += unfold(change)
        values.append(values[-1] + step)
    return values


def _pack_booleans(values: Sequence[Value]) -> bytes:
    return bytes((BOOLEANS,)) + pack([int(bool(value)) for value in values])


def _unpack_booleans(cursor: Cursor, count: int) -> list[Any]:
    return [bool(value) for value in unpack(cursor, count)]


def _pack_maybe(values: Sequence[Value]) -> bytes:
    there = [value is not None for value in values]
    return bytes((MAYBE,)) + pack(there) + pack([value for value in values if value is not None])


def _unpack_maybe(cursor: Cursor, count: int) -> list[Any]:
    there = unpack(cursor, count)
    values = iter(unpack(cursor, sum(there)))
    return [next(values) if present else None for present in there]


_REBUILD: tuple[Callable[[list[int], Iterable[int]], list[int]], ...] = (_rebuild_plain, _rebuild_once, _rebuild_twice)

_PACKERS: dict[frozenset[type], Callable[[Sequence[Value]], bytes]] = {
    frozenset({int}): _pack_integers,
    frozenset({bool}): _pack_booleans,
    frozenset({int, type(None)}): _pack_maybe,
    frozenset({bool, type(None)}): _pack_maybe,
    frozenset({str, type(None)}): _pack_maybe,
}

_UNPACKERS: dict[int, Callable[[Cursor, int], list[Any]]] = {
    CONSTANT: _unpack_constant,
    INTEGERS: _unpack_integers,
    BOOLEANS: _unpack_booleans,
    MAYBE: _unpack_maybe,
    JSON: _unpack_json,
}

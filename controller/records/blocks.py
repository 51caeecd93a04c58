"""Blocks: up to 30 s of ticks with everything that went in and came out, as zlib of columns.

A block is enough for replay: the times, the lateness, every report and notice of the board, every command with who gave
it, and every frame that left. Reports, notices and frames are streams of named tuples: how many a tick, of which class,
and then each class's fields as columns (`columns.py`). Commands are rare and carry schedules: canonical JSON.

Layout, inside zlib: format number, number of ticks, the columns of ticks, the three streams, the commands. Numbers of
classes are fixed for a format; a class that has grown since is refused by name, never guessed.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Sequence
from itertools import islice
from typing import Any, NamedTuple

from controller.core import canonical
from controller.core.commands import Command
from controller.core.messages import (
    CHANNELS_MAX,
    Channel,
    Drive,
    Enable,
    Hello,
    LimitsRead,
    Refusal,
    Report,
    SetLimits,
    Stall,
    Tell,
    ToBoard,
    Welcome,
)
from controller.core.module import ModuleFound, Proving, SilenceProof
from controller.core.state import Commissioned, Garbage, Handled, Inputs, LineLost, LineOpened, Messages, Show, Wall
from controller.records.columns import Broken, Cursor, pack, unpack, varint

FORMAT = 1
LEVEL = 9
BLOCK_BYTES_MAX = 16 << 20
"""No honest block unpacks to more; a broken one must not fill memory."""
ROWS_MAX = 10_000
"""Ticks in a block, and rows of a kind in a tick: far above `batch.BLOCK_TICKS_MAX` and `state.REPORTS_MAX`."""

CLASSES: tuple[Any, ...] = (
    Report, LineOpened, LineLost, Garbage, Welcome, LimitsRead, Refusal, Hello, Enable, Drive, Tell, SetLimits, Wall, Messages,
    ModuleFound, SilenceProof, Proving, Stall, Commissioned, Show, Handled,
)
"""The number of a class in the file is its place here; new ones go to the end."""
NESTED = frozenset({Commissioned, Handled, Show})
"""Rare, and no row of plain fields: kept as canonical text."""
NUMBER = {cls: number for number, cls in enumerate(CLASSES)}
CHANNELS_AT = Report._fields.index("channels")


class Stored(NamedTuple):
    """One tick as a block keeps it: enough to feed `advance` again and to compare what left."""

    tick: int
    utc_us: int
    inputs: Inputs
    frames: tuple[ToBoard, ...]


def encode(ticks: Sequence[Stored]) -> bytes:
    """The block of these ticks, oldest first; at least one."""
    inputs = [tick.inputs for tick in ticks]
    due_us = [put.mono_us - put.late_us for put in inputs]
    parts = [varint(FORMAT), varint(len(ticks))]
    columns: tuple[Sequence[int | bool], ...] = (
        [tick.tick for tick in ticks],
        [tick.utc_us - put.mono_us for tick, put in zip(ticks, inputs, strict=True)],
        due_us,
        [put.late_us for put in inputs],
        [put.record_lost for put in inputs],
        [put.extra for put in inputs],
    )
    parts += map(pack, columns)
    for rows in ([put.reports for put in inputs], [put.notices for put in inputs], [tick.frames for tick in ticks]):
        parts += _stream(rows)
    parts.append(_commands([put.commands for put in inputs]))
    return zlib.compress(b"".join(parts), LEVEL)


def decode(data: bytes) -> list[Stored]:
    """The ticks of a block. Raises Broken for bytes that are no block of a known format."""
    cursor = Cursor(_inflate(data))
    found = cursor.varint()
    if found != FORMAT:
        raise Broken(f"block format {found}; this version knows {FORMAT}")
    count = _bounded(cursor.varint())
    numbers, offsets, due_us, late_us, lost, extra = (unpack(cursor, count) for _ in range(6))
    reports, notices, frames = (_read_stream(cursor, count) for _ in range(3))
    commands = _read_commands(cursor, count)
    if not cursor.done:
        raise Broken("bytes are left after the block")
    mono_us = [due + late for due, late in zip(due_us, late_us, strict=True)]
    inputs = map(Inputs, mono_us, reports, notices, commands, late_us, lost, extra)
    return [
        Stored(number, offset + put.mono_us, put, sent)
        for number, offset, put, sent in zip(numbers, offsets, inputs, frames, strict=True)
    ]


def _bounded(count: int, most: int = ROWS_MAX) -> int:
    """A number of rows that was read, if it can be one."""
    if not (isinstance(count, int) and 0 <= count <= most):
        raise Broken(f"{count} rows; 0 to {most} are possible")
    return count


def _inflate(data: bytes) -> bytes:
    machine = zlib.decompressobj()
    try:
        body = machine.decompress(data, BLOCK_BYTES_MAX)
    except zlib.error as error:
        raise Broken(f"not a block: {error}") from error
    if not machine.eof:
        raise Broken("the block is cut, or larger than any block")
    return body


def _stream(rows: Sequence[Sequence[Any]]) -> Iterable[bytes]:
    """How many of each tick, their classes, then a table for each class that occurs."""
    flat = [row for of_tick in rows for row in of_tick]
    numbers = [NUMBER[type(row)] for row in flat]
    yield pack([len(of_tick) for of_tick in rows])
    yield pack(numbers)
    for number in sorted(set(numbers)):
        yield from _table(CLASSES[number], [row for row in flat if type(row) is CLASSES[number]])


def _read_stream(cursor: Cursor, count: int) -> list[tuple[Any, ...]]:
    lengths = unpack(cursor, count)
    numbers = unpack(cursor, sum(map(_bounded, lengths)))
    tables = {number: iter(_read_table(cursor, number, numbers.count(number))) for number in sorted(set(numbers))}
    flat = (next(tables[number]) for number in numbers)
    return [tuple(islice(flat, length)) for length in lengths]


def _table(cls: Any, rows: Sequence[Any]) -> Iterable[bytes]:
    """The number of fields, then each field as a column; a report's channels are tables of their own."""
    yield varint(len(cls._fields))
    if cls in NESTED:
        yield pack([canonical.text(row) for row in rows])
        return
    for at, column in enumerate(zip(*rows, strict=True)):
        if cls is Report and at == CHANNELS_AT:
            yield from _channels(column)
        else:
            yield pack(column)


def _read_table(cursor: Cursor, number: int, count: int) -> Iterable[Any]:
    if not 0 <= number < len(CLASSES):
        raise Broken(f"no class has the number {number}")
    cls = CLASSES[number]
    width = cursor.varint()
    if width != len(cls._fields):
        raise Broken(f"{cls.__name__} was written with {width} fields and has {len(cls._fields)} now")
    if cls in NESTED:
        return [_nested(cls, text) for text in unpack(cursor, count)]
    columns = [
        _read_channels(cursor, count) if cls is Report and at == CHANNELS_AT else unpack(cursor, count)
        for at in range(width)
    ]
    return map(cls, *columns)


def _nested(cls: Any, text: Any) -> Any:
    try:
        return canonical.load(cls, json.loads(text))
    except (ValueError, TypeError) as error:
        raise Broken(f"{cls.__name__} cannot be read: {error}") from error


def _channels(column: Sequence[tuple[Channel | None, ...]]) -> Iterable[bytes]:
    """How many channels each report has; then channel 0 of all reports, channel 1 of all that have one, ..."""
    lengths = [len(channels) for channels in column]
    yield pack(lengths)
    for place in range(max(lengths)):
        of_place = [channels[place] for channels in column if len(channels) > place]
        there = [channel for channel in of_place if channel is not None]
        yield pack([channel is not None for channel in of_place])
        yield from map(pack, zip(*there, strict=True))


def _read_channels(cursor: Cursor, count: int) -> list[tuple[Channel | None, ...]]:
    lengths = unpack(cursor, count)
    rows: list[list[Channel | None]] = [[] for _ in range(count)]
    for place in range(_bounded(max(lengths), CHANNELS_MAX)):
        having = [row for row, length in zip(rows, lengths, strict=True) if length > place]
        present = unpack(cursor, len(having))
        fields = [unpack(cursor, sum(present)) for _ in Channel._fields] if any(present) else [[]] * 4
        channels = map(Channel, *fields)
        for row, there in zip(having, present, strict=True):
            row.append(next(channels) if there else None)
    return [tuple(row) for row in rows]


def _commands(rows: Sequence[tuple[Command, ...]]) -> bytes:
    """Only the ticks that had any: [[place, [command, ...]], ...]."""
    found = [[place, [canonical.dump(command) for command in row]] for place, row in enumerate(rows) if row]
    text = json.dumps(found, separators=(",", ":")).encode() if found else b""
    return varint(len(text)) + text


def _read_commands(cursor: Cursor, count: int) -> list[tuple[Command, ...]]:
    rows: list[tuple[Command, ...]] = [()] * count
    text = cursor.take(cursor.varint())
    try:
        for place, commands in json.loads(text) if text else []:
            rows[place] = tuple(canonical.load(Command, command) for command in commands)
    except (ValueError, TypeError, IndexError) as error:
        raise Broken(f"commands cannot be read: {error}") from error
    return rows

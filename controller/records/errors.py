"""What can go wrong with the record. One base, a code each, and always what to do next."""

from __future__ import annotations


class RecordError(Exception):
    """Base of every error of this package; `code` is for programs, the text for people."""

    code = "record"


class RecordTooNew(RecordError):
    """The file was written by a newer version: it is left alone."""

    code = "record_too_new"


class RecordRefused(RecordError):
    """The record cannot be kept where it is asked for, for instance on a file system without shared memory."""

    code = "record_refused"


class RecordUnreadable(RecordError):
    """The file is no sound database of ours."""

    code = "record_unreadable"


class BootTaken(RecordError):
    """Another start has written under this start's number; its rows must not be mixed with ours."""

    code = "boot_taken"


class RecordAbsent(RecordError):
    """There is no record to read yet, or it cannot be opened by this user."""

    code = "record_absent"


class ReadTooLong(RecordError):
    """A query was cut at its time limit, so that it cannot hold the write-ahead log."""

    code = "read_too_long"


class NoSuchRun(RecordError):
    """No run of that name is in the record."""

    code = "no_such_run"


class CannotReplay(RecordError):
    """The stored inputs or the stored state cannot be understood by this version."""

    code = "cannot_replay"

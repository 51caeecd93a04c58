"""A chamber folder: chamber.toml (people's), proofs.json, model.json and the latch, read into what the tick needs.

Every mistake of the chamber file is told at once, each with its field, value, what is allowed and what to do. A file
with any mistake gives no chamber, hence no heat. Proofs that cannot be read prove nothing; that is no mistake, it is
a lower level.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from controller import modbus_file
from controller.chamber_fields import (
    CHANNEL,
    FITTED,
    HEATER,
    LIMIT_ORDER,
    LIMITS,
    OPTIONAL,
    RESPONSE,
    ROLES,
    SENSOR,
    SENSOR_WORDS,
    WIRED,
    Number,
    Switch,
)
from controller.commissioning import corrections, store, validity
from controller.commissioning.store import Kept
from controller.config_words import in_order, order_mistake, told
from controller.core.messages import CHANNELS_MAX
from controller.core.readings import Role
from controller.core.schedule import Mistake
from controller.core.setup import Chamber, Fitted, Heater, Level, Limits, Response, SensorSetup
from controller.drivers import sealed
from controller.exit_codes import Exit
from controller.levels import MayDo, level_of, trials
from controller.link.registers import RegisterMap

FORMAT = "soakwarden-chamber-1"
CHAMBER_FILE = "chamber.toml"
PROOFS_FILE = "proofs.json"
MODEL_FILE = "model.json"
LATCH_FILE = "latch"
TEXT_MAX_BYTES = 65_536
SHOWN_MAX = 200
SPEEDS = (9_600, 19_200, 38_400, 57_600, 115_200, 230_400, 250_000, 500_000, 1_000_000)
SHAPES = ("bench", "small", "heavy", "leaky", "weak", "tight", "delayed")
SECTIONS = ("line", "modbus", "simulation", "sensor", "limits", "heater", "response", "fitted", "wired")
SENSOR_ID = re.compile(r"[a-z0-9][a-z0-9_-]{0,19}")
TOP = ("format", "name", "board", "simulated", *SECTIONS)
CONFLICTING_ROLES = (Role.CONTROL, Role.TRAVELLING)
"""Roles that one chamber can have only once. Of several part sensors the coldest counts; of several over-temperature
sensors each is judged."""


class BadChamber(ValueError):
    """The chamber folder gives no chamber. `mistakes` holds everything that is wrong with it."""

    code = Exit.CHAMBER

    def __init__(self, path: Path, found: list[Mistake]) -> None:
        self.path = path
        self.mistakes = found
        super().__init__(f"{path}: " + " ".join(str(mistake) for mistake in found))

    @property
    def told(self) -> str:
        """Every mistake on a line of its own, under the file's name."""
        return "\n".join([f"{self.path} has {len(self.mistakes)} mistake(s), so there is no heat:",
                          *(f"  {mistake}" for mistake in self.mistakes)])


class NoChamber(BadChamber):
    """There is no chamber file where one was looked for."""

    code = Exit.FILES

    @property
    def told(self) -> str:
        return str(self.mistakes[0])


@dataclass(frozen=True, slots=True)
class ChamberFolder:
    """A chamber with what only the service needs of it."""

    path: Path
    chamber: Chamber
    port: str
    """Serial port by id; empty when the command line must say it."""
    speed: int
    shape: str
    """Simulated chambers only: which plant to simulate."""
    level: MayDo
    wired: Mapping[str, bool]
    texts: Mapping[str, str]
    """File name -> text, as read: the run's immutable copy."""
    typed: tuple[SensorSetup, ...]
    """The sensors as the chamber file has them, before what was shown of them."""
    kept: Kept
    """What proofs.json holds."""
    switches: Mapping[str, bool]
    """Every true-or-false fact that a level or a step may ask for."""
    modbus: RegisterMap | None = None
    """Where everything is in a ready-made module; None: a board that speaks protocol v1."""

    @property
    def latch_path(self) -> Path:
        return self.path / LATCH_FILE


def load(folder: Path, utc_us: int) -> ChamberFolder:
    """The chamber in `folder`. Raises BadChamber with every mistake at once.

    `utc_us` is now: it decides which proofs still hold.
    """
    return understood(folder, _text(folder / CHAMBER_FILE), utc_us)


def understood(folder: Path, text: str, utc_us: int) -> ChamberFolder:
    """The chamber that `text` would make as the chamber file of `folder`. Raises BadChamber like `load`."""
    path = folder / CHAMBER_FILE
    reader = _Reader(_toml(path, text))
    folder_read = reader.folder(folder, {CHAMBER_FILE: text}, utc_us)
    if reader.found or folder_read is None:
        raise BadChamber(path, reader.found)
    return folder_read


def _text(path: Path) -> str:
    try:
        data = path.read_bytes()
        if len(data) > TEXT_MAX_BYTES:
            raise BadChamber(path, [Mistake("the whole file", f"{len(data)} bytes", f"at most {TEXT_MAX_BYTES} bytes",
                                            "A chamber file is short; this is something else.")])
        return data.decode()
    except (FileNotFoundError, NotADirectoryError):
        raise NoChamber(path, [_missing(path)]) from None
    except OSError as error:
        raise BadChamber(path, [Mistake("the file", f"there, but cannot be read: {error.strerror or error}",
                                        "a file that this user may read", "Give this user the right to read it.")]) from None
    except UnicodeDecodeError as error:
        raise BadChamber(path, [Mistake(f"byte {error.start}", "not UTF-8", "UTF-8 text",
                                        "Save the file as UTF-8, or restore it from a copy.")]) from None


def _missing(path: Path) -> Mistake:
    """What exactly is not there: the folder, or the file in it."""
    folder = path.parent
    field = f"the file {path}" if folder.is_dir() else f"the chamber folder {folder}"
    return Mistake(field, "a file" if folder.is_file() else "missing", f"a folder with a {CHAMBER_FILE}",
                   "`soakwarden chamber new FOLDER` makes one.")


def _toml(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a whole number of thousands of digits is a plain ValueError
        raise BadChamber(path, [Mistake("the whole file", str(error)[:120], "TOML",
                                        "Mend it at the line that is named.")]) from None


class _Reader:
    """Reads one decoded chamber file, collecting mistakes; values that cannot be read become the row's default."""

    def __init__(self, data: dict[str, Any]) -> None:
        self.data = data
        self.found: list[Mistake] = []

    def folder(self, folder: Path, texts: dict[str, str], utc_us: int) -> ChamberFolder | None:
        """The whole folder, or None when there are mistakes."""
        self._unknown("", self.data, TOP)
        name, board, simulated = self._top()
        sensors = self._sensors()
        fitted = self._switches("fitted", FITTED)
        wired = self._switches("wired", WIRED)
        limits = self._limits(fitted, wired)
        heater = self._numbers("heater", self._section("heater"), HEATER)
        response = self._response()
        port, speed = self._line()
        modbus = self._modbus(simulated, sensors, fitted, limits, heater)
        shape = self._shape(simulated)
        if self.found:
            return None
        registers, module = modbus or (None, None)
        board, speed = (board, speed) if registers is None else (registers.board, registers.speed)
        self._texts(folder, texts)
        kept = store.read(folder / PROOFS_FILE)
        relay = module is not None and module.timer_relay_us > 0
        switches = validity.switches_of(fitted, wired, sensors, "modbus" in self.data, relay)
        bare = Chamber(name, board, simulated, sensors, Limits(**limits), Heater(**heater), Fitted(**fitted),
                       Level.MEASURE_ONLY, module, response)
        found = validity.judged(kept, validity.Facts(bare, switches, utc_us))
        level = level_of(switches, found, simulated)
        chamber = replace(corrections.corrected(kept, bare, utc_us), may_do=level.level, trials=trials(switches, found))
        return ChamberFolder(folder, chamber, port, speed, shape, level, wired, texts, sensors, kept, switches, registers)

    def _modbus(self, simulated: bool, sensors: tuple[SensorSetup, ...], fitted: Mapping[str, bool], limits: Mapping[str, int],
                heater: Mapping[str, int]) -> modbus_file.Understood | None:
        """The register map of a ready-made module; None where the chamber has a board."""
        if "modbus" not in self.data:
            return None
        if simulated:
            self._wrong("simulated", "true", "false with a [modbus] section", "A module is real: an invented chamber has none.")
        if "line" in self.data:
            self._wrong("line", "a [line] section", "nothing beside [modbus]",
                        "Delete it: the port is found by the adapter's serial number, never by its name.")
        around = modbus_file.Around(fitted, [sensor.channel for sensor in sensors], limits["board_ceiling_mc"],
                                    limits["silence_us"], heater["window_ms"])
        fields = modbus_file.Fields(self._wrong, self._number, self._unknown, self.found)
        return modbus_file.read(self._section("modbus"), around, fields)

    def _top(self) -> tuple[str, str, bool]:
        if self.data.get("format") != FORMAT:
            self._wrong("format", self.data.get("format"), FORMAT, "Say which format this file has.")
        name, board = self.data.get("name"), self.data.get("board")
        if not isinstance(name, str) or not 1 <= len(name) <= 60 or not name.isprintable():
            self._wrong("name", told(name, str), "1 to 60 printable characters", "Give the chamber a short name.")
        if "modbus" in self.data:
            if board is not None:
                self._wrong("board", told(board, str), "nothing beside [modbus]",
                            "Delete the line: a module's id is its adapter's serial number and its unit address.")
        elif not isinstance(board, str) or len(board) != 6 or set(board) - set("0123456789abcdef"):
            self._wrong("board", told(board, str), "six hexadecimal digits, lower case",
                        "Copy the id that the board itself reports.")
        simulated = self.data.get("simulated")
        if not isinstance(simulated, bool):
            self._wrong("simulated", told(simulated, bool), "true or false, without quotes",
                        "Only an invented chamber is simulated.")
        return str(name), str(board), simulated is True

    def _sensors(self) -> tuple[SensorSetup, ...]:
        rows = self.data.get("sensor")
        if not isinstance(rows, list) or not 1 <= len(rows) <= CHANNELS_MAX:
            self._wrong("sensor", rows, f"1 to {CHANNELS_MAX} [[sensor]] tables",
                        "Declare at least the control sensor.")
            return ()
        sensors = tuple(self._sensor(number, row) for number, row in enumerate(rows, 1))
        written = [row if isinstance(row, Mapping) else {} for row in rows]
        self._once("channel", [int(row["channel"]) for row in written if CHANNEL.holds(row.get("channel"))],
                   "One sensor cannot watch itself: plug a second one into another channel.")
        self._once("role", [sensor.role.value for sensor in sensors if sensor.role in CONFLICTING_ROLES],
                   "Call the second one survey, or delete it.")
        self._once("id", [sensor.id for sensor in sensors], "Give every probe a name of its own.")
        roles = [row.get("role") for row in written]
        if Role.CONTROL.value not in roles and all(role in ROLES for role in roles):  # a misspelled one may be it
            self._wrong("sensor", "no control sensor", "one sensor with the role control", "Heat is steered by it.")
        return sensors

    def _sensor(self, number: int, row: Any) -> SensorSetup:
        where = f"sensor {number}"
        if not isinstance(row, Mapping):
            self._wrong(where, row, "a [[sensor]] table", "Write it as in a new chamber file.")
            return SensorSetup(Role.SURVEY, 0, "", 0, 0)
        self._unknown(f"{where} ", row, (*SENSOR_WORDS, *(number.key for number in SENSOR)))
        role, label = row.get("role"), row.get("label")
        if role not in ROLES:
            self._wrong(f"{where} role", role, ", ".join(ROLES), "Say what this sensor is for.")
        if not isinstance(label, str) or not 1 <= len(label) <= 40 or not label.isprintable():
            self._wrong(f"{where} label", label, "1 to 40 printable characters", "Say where it sits.")
        given = {number.key: row.get(number.key, number.default if number.key in OPTIONAL else None) for number in SENSOR}
        values = self._numbers(where, given, SENSOR)
        its_role, its_id = Role(role) if role in ROLES else Role.SURVEY, self._sensor_id(where, row, number)
        numbers = values["correction_mc"], values["uncertainty_mc"]
        return SensorSetup(its_role, values["channel"], str(label), *numbers, id=its_id)

    def _sensor_id(self, where: str, row: Mapping[str, Any], number: int) -> str:
        """The probe's own name. Files from before proofs have none: the role, numbered where it is there already."""
        rows = [one for one in self.data["sensor"][: number - 1] if isinstance(one, Mapping)]
        role = str(row.get("role"))
        again = sum(one.get("role") == role for one in rows)
        said = row.get("id", f"{role}-{again + 1}" if again else role)
        if not isinstance(said, str) or not SENSOR_ID.fullmatch(said):
            self._wrong(f"{where} id", said, "1 to 20 of a-z, 0-9, hyphen and underscore",
                        "Name the probe, and write it on its cable.")
        return str(said)

    def _once(self, field: str, values: Sequence[object], advice: str) -> None:
        for value in sorted({str(value) for value in values if values.count(value) > 1}):
            self._wrong(f"sensor {field}", f"{value}, given to two sensors", f"each {field} once", advice)

    def _limits(self, fitted: Mapping[str, bool], wired: Mapping[str, bool]) -> dict[str, int]:
        section = self._section("limits")
        values = self._numbers("limits", section, LIMITS)
        readable = {row.key: section[row.key] for row in LIMITS if row.holds(section.get(row.key))}
        have = {**fitted, **wired, "": True}
        self.found += [order_mistake(step, readable) for step in LIMIT_ORDER
                       if have[step.needs] and step.known(readable) and not in_order(step, readable)]
        return values

    def _response(self) -> Response:
        """How soon heat shows. Files from before the start proof have none: then the defaults, which are conservative."""
        if "response" not in self.data:
            return Response(**{row.field: round(row.default * row.scale) for row in RESPONSE})
        return Response(**self._numbers("response", self._section("response"), RESPONSE))

    def _line(self) -> tuple[str, int]:
        section = self._section("line", needed=False)
        self._unknown("line ", section, ("port", "speed"))
        port, speed = section.get("port", ""), section.get("speed", 115_200)
        if not isinstance(port, str) or len(port) > 200 or (port and not port.isprintable()):
            self._wrong("line port", told(port, str), "a path such as /dev/serial/by-id/...",
                        "Copy the name of your board's port.")
        if speed not in SPEEDS or not isinstance(speed, int):
            self._wrong("line speed", told(speed, int), ", ".join(str(one) for one in SPEEDS) + " baud",
                        "Use the board's speed.")
        return str(port), speed if isinstance(speed, int) else 115_200

    def _shape(self, simulated: bool) -> str:
        section = self._section("simulation", needed=False)
        self._unknown("simulation ", section, ("shape",))
        shape = section.get("shape", "bench")
        if section and not simulated:
            self._wrong("simulation", section, "nothing in a real chamber", "Delete the section.")
        if shape not in SHAPES:
            self._wrong("simulation shape", shape, ", ".join(SHAPES), "Choose one of these.")
        return str(shape) if simulated else ""

    def _texts(self, folder: Path, texts: dict[str, str]) -> None:
        """What the controller's own files say, where they can be trusted."""
        for name in (PROOFS_FILE, MODEL_FILE):
            body = _sealed(folder / name)
            if body is not None:
                texts[name] = sealed.render(body).decode()

    def _numbers(self, where: str, section: Mapping[str, Any], rows: tuple[Number, ...]) -> dict[str, int]:
        if where in SECTIONS:
            self._unknown(f"{where} ", section, tuple(row.key for row in rows))
        if self._told(where):
            return {row.field: round(row.default * row.scale) for row in rows}
        return {row.field: self._number(where, section.get(row.key), row) for row in rows}

    def _number(self, where: str, value: Any, row: Number) -> int:
        if row.holds(value):
            return round(float(value) * row.scale)
        allowed = f"{row.allowed}, a number without quotes" if isinstance(value, str) else row.allowed
        self._wrong(f"{where} {row.key}", told(value, float, row.unit), allowed, row.say)
        return round(row.default * row.scale)

    def _switches(self, name: str, rows: tuple[Switch, ...]) -> dict[str, bool]:
        section = self._section(name)
        self._unknown(f"{name} ", section, tuple(row.key for row in rows))
        for row in () if self._told(name) else rows:
            if not isinstance(section.get(row.key), bool):
                self._wrong(f"{name} {row.key}", told(section.get(row.key), bool), "true or false, without quotes", row.say)
        return {row.key: section.get(row.key) is True for row in rows}

    def _section(self, name: str, needed: bool = True) -> Mapping[str, Any]:
        section = self.data.get(name)
        if isinstance(section, Mapping):
            return section
        if needed or section is not None:
            self._wrong(name, section, f"a [{name}] table", "Write it as in a new chamber file.")
        return {}

    def _told(self, field: str) -> bool:
        """True when `field` as a whole is already called wrong: what would stand in it is not missing besides."""
        return any(mistake.field == field for mistake in self.found)

    def _unknown(self, where: str, data: Mapping[str, Any], known: tuple[str, ...]) -> None:
        for key in data:
            if key not in known:
                self._wrong(f"{where}{key[:40]}", "an unknown field", ", ".join(known),
                            "Delete it, or correct its name.")

    def _wrong(self, field: str, value: Any, allowed: str, advice: str) -> None:
        # What cannot be printed is shown as its escape: it would break the line, or the output's encoding.
        shown = "missing" if value is None else "".join(
            one if one.isprintable() else ascii(one)[1:-1] for one in str(value)[:SHOWN_MAX])
        self.found.append(Mistake(field, shown if len(shown) <= 60 else shown[:57] + "...", allowed, advice))


def _sealed(path: Path) -> dict[str, Any] | None:
    """The body of a file that the controller wrote, or None where it cannot be trusted."""
    try:
        return sealed.read(path)
    except sealed.Unsealed:
        return None



"""What a chamber file may say: one row a field, with its unit, its range and the sentence that explains it.

The reader (`config`), the writer (`new_chamber`) and the manual draw on the same rows, so none can drift apart.
Temperatures, times and gains are people's (°C, s, h, %); `scale` makes the integer that the tick uses.
"""

from __future__ import annotations

from collections.abc import Container
from typing import NamedTuple

from controller.core.readings import Role


class Number(NamedTuple):
    """One number of the file. `low` and `high` are in the written unit and allowed themselves."""

    key: str
    field: str
    """Name in `core.setup`, unit included."""
    scale: int
    low: float
    high: float
    unit: str
    default: float
    say: str

    @property
    def whole(self) -> bool:
        """True where a fraction has no meaning: what is kept as written is never rounded to something else."""
        return self.scale == 1

    @property
    def allowed(self) -> str:
        """The range in words, with its unit."""
        return f"{'a whole number, ' if self.whole else ''}{self.low:g} to {self.high:g} {self.unit}"

    def holds(self, value: object) -> bool:
        """True for a number of the file that this row allows; false for text, true, false, nan and fractions of a whole."""
        # The range comes first: nan fails it, and no whole number is too long for it.
        return isinstance(value, (int, float)) and not isinstance(value, bool) and self.low <= value <= self.high \
            and (not self.whole or float(value).is_integer())


class Switch(NamedTuple):
    """One yes or no of the file."""

    key: str
    say: str


CHANNEL = Number("channel", "channel", 1, 0, 5, "(number of the board's channel)", 0, "Which input of the board.")
SENSOR = (
    CHANNEL,
    Number("correction_c", "correction_mc", 1000, -10, 10, "°C", 0, "Added to what it reads; found by commissioning."),
    Number("uncertainty_c", "uncertainty_mc", 1000, 0, 10, "°C", 2.5, "How far the corrected value may still be off."),
)
SENSOR_WORDS = ("role", "label", "id")
OPTIONAL = frozenset({"correction_c", "uncertainty_c"})
"""Of a sensor: typed until its ice and boiling points are shown, which then count in their place."""
ROLES = tuple(role.value for role in Role)

LIMITS = (
    Number("ceiling_c", "ceiling_mc", 1000, 40, 400, "°C", 130, "No sensor may reach this, run or no run."),
    Number("ceiling_clear_c", "ceiling_clear_mc", 1000, 20, 400, "°C", 120,
           "Below this the ceiling's trip can be cleared."),
    Number("board_ceiling_c", "board_ceiling_mc", 1000, 40, 420, "°C", 135,
           "The board's own ceiling, kept in its memory."),
    Number("limiter_c", "limiter_mc", 1000, 40, 450, "°C", 150, "Where the independent limiter is set."),
    Number("limiter_tolerance_c", "limiter_tolerance_mc", 1000, 0, 50, "°C", 7,
           "By how much the limiter may act early."),
    Number("thermal_link_c", "thermal_link_mc", 1000, 40, 500, "°C", 160,
           "Holding temperature of the thermal link: it must never open in a good run."),
    Number("weakest_c", "weakest_mc", 1000, 40, 600, "°C", 180, "What the weakest thing in the chamber endures."),
    Number("run_margin_c", "run_margin_mc", 1000, 2, 40, "°C", 7,
           "A run's ceiling stands this far above its hottest step."),
    Number("disagree_c", "disagree_mc", 1000, 2, 40, "°C", 12,
           "Control and over-temperature sensor may differ by less."),
    Number("above_band_c", "above_band_mc", 1000, 1, 30, "°C", 4,
           "Air this far above its plan for two minutes alarms."),
    Number("rise_c_per_min", "rise_mc_per_min", 1000, 2, 100, "°C/min", 20,
           "No chamber of this power and mass warms faster."),
    Number("no_rise_min", "no_rise_us", 60_000_000, 1, 60, "min", 8, "Full heat for this long must raise the air."),
    Number("rise_off_c", "rise_off_mc", 1000, 1, 30, "°C", 6, "With the heat off the air may rise by less than this."),
    Number("reading_age_s", "reading_age_us", 1_000_000, 1, 10, "s", 2.5, "An older reading gives no heat."),
    Number("frozen_s", "frozen_us", 1_000_000, 1, 60, "s", 3, "A converter silent for this long has stopped."),
    Number("silence_s", "silence_us", 1_000_000, 2, 10, "s", 4.8, "A board silent for this long trips."),
    Number("tick_late_s", "tick_late_us", 1_000_000, 0.2, 5, "s", 1.5,
           "The controller may come late by less than this."),
    Number("run_max_h", "run_max_us", 3_600_000_000, 0.5, 96, "h", 24,
           "No run may last longer, holds and waiting included."),
    Number("hot_c", "hot_mc", 1000, 30, 60, "°C", 45, "Above this the hot lamp is on and the page says hot."),
)

RESPONSE = (
    Number("dead_s", "dead_us", 1_000_000, 0, 300, "s", 20,
           "For at most this long nothing shows at the sensors when full heat comes on."),
    Number("rise_s", "rise_us", 1_000_000, 5, 300, "s", 60,
           "After that, full heat shows as a rise of 1.5 °C within at most this."),
)
"""How soon heat shows, at the latest: the start proof takes its lengths from it. Too short a figure makes proofs void, never
false: the rise that must be seen is then seen too late. Defaults are conservative (common practice, no source)."""

HEATER = (
    Number("element_w", "element_w", 1, 10, 3000, "W", 500, "Power of the element at your mains voltage."),
    Number("window_s", "window_ms", 1000, 2, 120, "s", 40,
           "One modulation window. A mechanical relay wears out: longer is kinder."),
    Number("gain_percent_per_c", "gain_e4_per_k", 100, 0.1, 100, "%/°C", 6, "Duty for one degree below the set point."),
    Number("integral_min", "integral_s", 60, 0.5, 240, "min", 20, "How slowly a lasting error is made up for."),
    Number("heat_capacity_j_per_c", "heat_capacity_j_per_k", 1, 100, 100_000, "J/°C", 2000, "What one degree costs."),
    Number("loss_w_per_c", "loss_mw_per_k", 1000, 0.05, 50, "W/°C", 1.2,
           "What the walls lose for each degree above the room."),
    Number("room_c", "room_mc", 1000, -10, 45, "°C", 22, "The room it stands in."),
)

FITTED = (
    Switch("contactor", "A line contactor in series with the modulator."),
    Switch("door", "A door switch that the board reads."),
    Switch("limiter", "An independent over-temperature limiter whose contact the board reads."),
    Switch("fan", "A fan with speed sense."),
    Switch("current", "A current sense on the element."),
    Switch("arm_button", "A button at the chamber that arms a start."),
    Switch("local_stop", "A latching stop at the chamber."),
    Switch("smoke", "A smoke alarm's contact that the board reads."),
    Switch("mains_sense", "The board sees whether mains is there."),
    Switch("drops_on_silence", "The board switches off by itself when the controller is silent."),
)

WIRED = (
    Switch("thermal_link", "A one-shot thermal link near the element, cut whichever way the plug goes in."),
    Switch("fuse", "A fuse that fits the cable."),
    Switch("earth", "Every touchable metal part is earthed, and it was measured."),
    Switch("residual_current_device", "The socket is behind a residual-current device, tested."),
    Switch("own_converters", "Control and over-temperature sensor each have a converter of their own."),
    Switch("limiter_own_contact", "The limiter opens a contact of its own, not the contactor's coil."),
    Switch("smoke_alarm_in_room", "A working smoke alarm hangs in the room."),
)

SHAPES_SAY = "Which invented chamber the simulation is: bench, small, heavy, leaky, weak, tight or delayed."


class Order(NamedTuple):
    """One step of the checked order: `lower` plus `plus` must stand below `upper` minus `minus`."""

    lower: str
    upper: str
    minus: str | None
    needs: str
    """The switch without which this step is skipped; empty: never."""
    why: str

    def known(self, values: Container[str]) -> bool:
        """True when every limit of this step is among `values`."""
        return all(key in values for key in (self.lower, self.upper, self.minus) if key is not None)


LIMIT_ORDER = (
    Order("ceiling_clear_c", "ceiling_c", None, "", "A trip must not clear at its own limit."),
    Order("hot_c", "ceiling_c", None, "", "Hot is what burns a hand, long before the ceiling."),
    Order("ceiling_c", "board_ceiling_c", None, "", "The controller acts before the board."),
    Order("board_ceiling_c", "limiter_c", "limiter_tolerance_c", "limiter", "The board acts before the limiter can."),
    Order("limiter_c", "thermal_link_c", "limiter_tolerance_c", "limiter",
          "The limiter can be reset, the thermal link cannot."),
    Order("board_ceiling_c", "thermal_link_c", None, "thermal_link", "The board acts before the thermal link opens."),
    Order("thermal_link_c", "weakest_c", None, "thermal_link", "The thermal link opens before anything softens."),
    Order("board_ceiling_c", "weakest_c", None, "", "The board acts before anything softens."),
    Order("reading_age_s", "silence_s", None, "", "An old reading stops the heat before silence trips."),
)
"""Design order: run ceiling < ceiling < board ceiling < limiter less its tolerance < thermal link < weakest thing.
The run's own ceiling is checked at each start (`core.schedule.over_ceiling`)."""

/* The EEPROM takes 3.4 ms a byte (from memory of the data sheet), so a byte a pass is no hurry. A record being written is
 * not judged until it has been read back. The limits are written once a second at most, whatever the wire asks for. */
#include "memory.h"

#include <avr/io.h>
#include <util/atomic.h>

#include "decide.h"

#define SETTINGS_BYTES (IDENTITY_BYTES + LIMITS_BYTES)
#define WRITE_TRIES 3u
#define LIMITS_REST 100u /* passes from one writing of the limits to the next */
#define LONGEST_ANEW_S 86400u /* where the stored longest time is lost with its record: one day */

_Static_assert(LIMITS_AT == (IDENTITY_AT + IDENTITY_BYTES), "both records are checked as one stretch");

typedef struct {
    uint8_t bytes[LIMITS_BYTES]; /* the longest record that is written here */
    uint16_t to;
    uint8_t length; /* 0: nothing is being written */
    uint8_t at;
    uint8_t tries;
} writing_t;

_Static_assert(LIFE_BYTES <= LIMITS_BYTES, "a slot fits");

static uint8_t settings[SETTINGS_BYTES]; /* as last read */
static uint8_t check_at;
static bool good;
static identity_t identity;
static stored_limits_t limits;
static life_t life;
static uint8_t life_slot;
static bool life_wanted;
static bool limits_wanted; /* not begun to be written yet */
static int32_t wanted_mc;
static uint8_t limits_rest; /* passes */
static bool worn; /* limits did not read back: no good settings until a reset, and the lower ceiling stands */
static writing_t writing;

static bool busy(void)
{
    return (EECR & (uint8_t)(1u << EEPE)) != 0u;
}

static uint8_t byte_read(uint16_t at)
{
    EEAR = at;
    EECR |= (uint8_t)(1u << EERE);
    return EEDR;
}

static void byte_write(uint16_t at, uint8_t byte)
{
    EEAR = at;
    EEDR = byte;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) /* D-8: the second step must follow within four cycles */
    {
        EECR |= (uint8_t)(1u << EEMPE);
        EECR |= (uint8_t)(1u << EEPE);
    }
}

static void bytes_read(uint16_t from, uint8_t *bytes, uint8_t length)
{
    for (uint8_t at = 0u; at < length; at++) {
        bytes[at] = byte_read((uint16_t)(from + at));
    }
}

/* A bad identity leaves the last good one standing: reports need a name, and there is no heat either way. A
 * wish that is not stored is in force where it is lower, and only there. */
static void settings_judge(void)
{
    identity_t read_identity;
    stored_limits_t read_limits;
    bool identity_good = identity_read(&settings[IDENTITY_AT], &read_identity);
    bool limits_good = limits_read(&settings[LIMITS_AT], &read_limits);

    if (identity_good) {
        identity = read_identity;
    }
    if (limits_good) {
        limits = read_limits;
    }
    if ((limits_wanted || worn) && (wanted_mc < limits.board_ceiling_mc)) {
        limits.board_ceiling_mc = wanted_mc;
    }
    good = identity_good && limits_good && !worn;
}

static uint16_t slot_address(uint8_t slot)
{
    return (uint16_t)(LIFE_AT + ((uint16_t)slot * LIFE_BYTES));
}

static void life_next(uint32_t switches)
{
    life.serial++;
    life.switches = (switches < SWITCHES_MAX) ? switches : SWITCHES_MAX;
    life_slot = (uint8_t)((life_slot < (LIFE_SLOTS - 1u)) ? (life_slot + 1u) : 0u);
    life_wanted = true;
}

static void life_start(void)
{
    uint8_t bytes[LIFE_BYTES];
    life_t slot;
    bool any = false;

    for (uint8_t at = 0u; at < LIFE_SLOTS; at++) {
        bytes_read(slot_address(at), bytes, LIFE_BYTES);
        if (life_read(bytes, &slot) && (!any || life_newer(&slot, &life))) {
            life = slot;
            life_slot = at;
            any = true;
        }
    }
    life.boot++;
    life_next(any ? (life.switches + LIFE_EVERY) : 0u);
}

void memory_start(void)
{
    bytes_read(IDENTITY_AT, settings, SETTINGS_BYTES);
    settings_judge();
    life_start();
}

static void write_begin(void)
{
    stored_limits_t kept = limits;

    writing.at = 0u;
    writing.tries = 0u;
    if (limits_wanted && (limits_rest == 0u)) {
        limits_wanted = false;
        limits_rest = LIMITS_REST;
        kept.board_ceiling_mc = wanted_mc;
        kept.longest_s = (kept.longest_s == 0u) ? LONGEST_ANEW_S : kept.longest_s;
        limits_write(writing.bytes, &kept);
        writing.to = LIMITS_AT;
        writing.length = LIMITS_BYTES;
    } else if (life_wanted) {
        life_write(writing.bytes, &life);
        writing.to = slot_address(life_slot);
        writing.length = LIFE_BYTES;
        life_wanted = false;
    } else {
        writing.length = 0u;
    }
}

static bool reads_back(void)
{
    bool same = true;

    for (uint8_t at = 0u; at < writing.length; at++) {
        same = (byte_read((uint16_t)(writing.to + at)) == writing.bytes[at]) && same;
    }
    return same;
}

static void write_end(void)
{
    bool same = reads_back();

    if (!same && (writing.tries < WRITE_TRIES)) {
        writing.tries++;
        writing.at = 0u;
        return;
    }
    writing.length = 0u;
    if (writing.to == LIMITS_AT) {
        worn = worn || !same;
        bytes_read(IDENTITY_AT, settings, SETTINGS_BYTES);
        settings_judge();
    }
}

static void write_pass(void)
{
    uint16_t to = (uint16_t)(writing.to + writing.at);

    if (writing.at >= writing.length) {
        write_end();
        return;
    }
    if (byte_read(to) != writing.bytes[writing.at]) {
        byte_write(to, writing.bytes[writing.at]);
    }
    writing.at++;
}

static void check_pass(void)
{
    uint8_t byte = byte_read((uint16_t)(IDENTITY_AT + check_at));

    if (byte != settings[check_at]) {
        settings[check_at] = byte;
        good = false;
    }
    check_at++;
    if (check_at >= SETTINGS_BYTES) {
        check_at = 0u;
        settings_judge();
    }
}

void memory_pass(void)
{
    if (limits_rest > 0u) {
        limits_rest--;
    }
    if (busy()) {
        return;
    }
    if (writing.length == 0u) {
        write_begin();
    }
    if (writing.length > 0u) {
        write_pass();
    } else {
        check_pass();
    }
}

bool memory_good(void)
{
    return good;
}

const identity_t *memory_identity(void)
{
    return &identity;
}

const stored_limits_t *memory_limits(void)
{
    return &limits;
}

void memory_store(int32_t board_ceiling_mc)
{
    wanted_mc = board_ceiling_mc;
    limits_wanted = true;
    settings_judge();
}

bool memory_storing(void)
{
    return limits_wanted || ((writing.length > 0u) && (writing.to == LIMITS_AT));
}

uint16_t memory_boot(void)
{
    return life.boot;
}

uint32_t memory_switches(void)
{
    return life.switches;
}

void memory_count(uint32_t switches)
{
    if (!life_wanted && (switches >= (life.switches + LIFE_EVERY))) {
        life_next(switches);
    }
}

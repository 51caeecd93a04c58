/* See settings.h. */
#include "settings.h"

#include "decide.h"
#include "frames.h"

static uint16_t word_at(const uint8_t *bytes, uint8_t at)
{
    return (uint16_t)((uint16_t)bytes[at] | (uint16_t)((uint16_t)bytes[at + 1u] << 8));
}

static uint32_t long_at(const uint8_t *bytes, uint8_t at)
{
    return (uint32_t)word_at(bytes, at) | ((uint32_t)word_at(bytes, (uint8_t)(at + 2u)) << 16);
}

static void put_word(uint8_t *bytes, uint8_t at, uint16_t value)
{
    bytes[at] = (uint8_t)(value & 0xFFu);
    bytes[at + 1u] = (uint8_t)(value >> 8);
}

static void put_long(uint8_t *bytes, uint8_t at, uint32_t value)
{
    put_word(bytes, at, (uint16_t)(value & 0xFFFFu));
    put_word(bytes, (uint8_t)(at + 2u), (uint16_t)(value >> 16));
}

/* The last two bytes of a record are the checksum of the others. */
static bool is_sealed(const uint8_t *bytes, uint8_t length)
{
    return (bytes[0] == SETTINGS_FORMAT) && (word_at(bytes, (uint8_t)(length - 2u)) == crc16(bytes, (uint16_t)(length - 2u)));
}

bool identity_read(const uint8_t *bytes, identity_t *identity)
{
    identity->board[0] = bytes[1];
    identity->board[1] = bytes[2];
    identity->board[2] = bytes[3];
    identity->simulated = (bytes[4] != 0u);
    identity->channels = bytes[5];
    identity->own = bytes[6];
    identity->fitted = word_at(bytes, 7u);
    identity->current_ma_per_v = word_at(bytes, 9u);
    identity->fan_pulses = bytes[11];
    bool flags = (bytes[4] <= 1u) && (bytes[12] == 0u) && (bytes[13] == 0u);
    bool channels = (identity->channels < (1u << CHANNELS)) && (identity->own != 0u) &&
                    ((identity->own & (uint8_t)~identity->channels) == 0u);
    bool current = ((identity->fitted & FITTED_CURRENT) == 0u) || (identity->current_ma_per_v > 0u);
    bool fan = ((identity->fitted & FITTED_FAN) == 0u) || ((identity->fan_pulses > 0u) && (identity->fan_pulses <= 8u));
    return is_sealed(bytes, IDENTITY_BYTES) && flags && channels && current && fan &&
           ((identity->fitted & (uint16_t)~FITTED_ALL) == 0u);
}

bool limits_read(const uint8_t *bytes, stored_limits_t *limits)
{
    limits->board_ceiling_mc = (int32_t)long_at(bytes, 2u);
    limits->longest_s = long_at(bytes, 6u);
    return is_sealed(bytes, LIMITS_BYTES) && (bytes[1] == 0u) && (limits->board_ceiling_mc > 0) &&
           (limits->board_ceiling_mc <= CEILING_MAX_MC) && (limits->longest_s > 0u) && (limits->longest_s <= RUN_MAX_S);
}

void limits_write(uint8_t *bytes, const stored_limits_t *limits)
{
    bytes[0] = SETTINGS_FORMAT;
    bytes[1] = 0u;
    put_long(bytes, 2u, (uint32_t)limits->board_ceiling_mc);
    put_long(bytes, 6u, limits->longest_s);
    put_word(bytes, 10u, crc16(bytes, LIMITS_BYTES - 2u));
}

/* One byte of checksum is enough for a log that heats nothing: a bad slot is passed over. */
static uint8_t life_check(const uint8_t *bytes)
{
    return (uint8_t)(crc16(bytes, LIFE_BYTES - 1u) & 0xFFu);
}

bool life_read(const uint8_t *bytes, life_t *life)
{
    life->serial = word_at(bytes, 0u);
    life->boot = word_at(bytes, 2u);
    life->switches = long_at(bytes, 4u) & 0x00FFFFFFu;
    return (bytes[7] == life_check(bytes)) && (life->switches <= SWITCHES_MAX);
}

void life_write(uint8_t *bytes, const life_t *life)
{
    put_word(bytes, 0u, life->serial);
    put_word(bytes, 2u, life->boot);
    put_long(bytes, 4u, life->switches);
    bytes[7] = life_check(bytes);
}

bool life_newer(const life_t *one, const life_t *other)
{
    uint16_t ahead = (uint16_t)(one->serial - other->serial);
    return (ahead != 0u) && (ahead < 0x8000u);
}

/* What the board keeps over a reset, as bytes: identity and limits (settings, each with its checksum), and the log of its
 * life. Pure; the shell reads and writes the memory. All numbers little-endian.
 *
 * | at | bytes | record | who writes |
 * |---|---|---|---|
 * | 0 | 16 | identity | the programmer only, never the wire |
 * | 16 | 12 | limits | the programmer; by wire only ever lowered, raised only while the local stop is held |
 * | 64 | 48 x 8 | life | the board: one slot a boot and one every 16 switchings, round and round, against wear |
 */
#ifndef SETTINGS_H
#define SETTINGS_H

#include <stdbool.h>
#include <stdint.h>

#define SETTINGS_FORMAT 1u
#define IDENTITY_AT 0u
#define IDENTITY_BYTES 16u
#define LIMITS_AT 16u
#define LIMITS_BYTES 12u
#define LIFE_AT 64u
#define LIFE_BYTES 8u
#define LIFE_SLOTS 48u
#define LIFE_EVERY 16u /* switchings between two slots; a boot adds them, so that a lost count is never too low */

typedef enum { /* bits of `fitted` */
    FITTED_DOOR = 0x0001,
    FITTED_LOCAL_STOP = 0x0002,
    FITTED_ARM = 0x0004,
    FITTED_SMOKE = 0x0008,
    FITTED_FAN = 0x0010,
    FITTED_CURRENT = 0x0020,
    FITTED_AUX = 0x0040,
    FITTED_CONTACTOR_CONTACT = 0x0080, /* auxiliary contact; without it the contactor is read at its pin */
    FITTED_MAINS = 0x0100, /* these two where the chip has pins for them */
    FITTED_LIMITER = 0x0200
} fitted_t;
#define FITTED_ALL 0x03FFu

typedef struct { /* bytes: format, id 3 (as written, first digit first), simulated, channels, own, fitted 2, mA per V 2,
                    pulses, 0, 0, crc 2 */
    uint8_t board[3];
    bool simulated;
    uint8_t channels; /* bit set of converters fitted: 1 control, 2 over-temperature, 4 third */
    uint8_t own; /* bit set of channels without which there is no heat; part of `channels`, not empty */
    uint16_t fitted; /* FITTED_ bits */
    uint16_t current_ma_per_v; /* 1 to 65,535 where FITTED_CURRENT */
    uint8_t fan_pulses; /* per turn, 1 to 8 where FITTED_FAN */
} identity_t;

typedef struct { /* bytes: format, 0, ceiling 4, longest 4, crc 2 */
    int32_t board_ceiling_mc; /* 1 to CEILING_MAX_MC */
    uint32_t longest_s; /* 1 to RUN_MAX_S */
} stored_limits_t;

typedef struct { /* bytes: serial 2, boot 2, switches 3, crc low byte 1 */
    uint16_t serial; /* one more than the slot written before, modulo 65,536 */
    uint16_t boot;
    uint32_t switches;
} life_t;

/* False: checksum, format or a range is wrong; what was read is then not to be used. */
bool identity_read(const uint8_t *bytes, identity_t *identity);
bool limits_read(const uint8_t *bytes, stored_limits_t *limits);
bool life_read(const uint8_t *bytes, life_t *life);

void limits_write(uint8_t *bytes, const stored_limits_t *limits);
void life_write(uint8_t *bytes, const life_t *life);

/* True if `one` was written after `other`. */
bool life_newer(const life_t *one, const life_t *other);

#endif

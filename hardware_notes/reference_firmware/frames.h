/* Wire protocol v1 for a board: lines to frames, answers to lines. Pure: no I/O, no state, no memory but the caller's.
 *
 * The manual is ../protocol.md; ../protocol_vectors.json holds this file and the host to the same lines. Letters, units
 * and ranges stand there. `-` (absent) is a flag beside its value here, never a number.
 */
#ifndef FRAMES_H
#define FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#define PROTOCOL_VERSION 1u
#define LINE_TO_BOARD_MAX 64u /* bytes with the newline; the page allows a board to drop longer lines */
#define LINE_FROM_BOARD_MAX 256u /* the longest report there can be has exactly this many */
#define CHANNELS_OF_A_REPORT 6u
#define SEQUENCE_MAX 9999999u
#define LIMIT_MIN_MC (-99999)
#define LIMIT_MAX_MC 999999

typedef enum {
    FRAME_NONE = 0, /* nothing, noise, or a board's own letter coming back: never answered */
    FRAME_HELLO,
    FRAME_ENABLE,
    FRAME_DRIVE,
    FRAME_TELL,
    FRAME_LIMITS,
    FRAME_BAD, /* whole, but not to be done: answered with `refusal` */
    FRAME_STALL /* stop the program, for the watchdog to end it */
} frame_kind_t;

typedef enum {
    REFUSAL_NONE = 0,
    REFUSAL_VERSION = 1,
    REFUSAL_SESSION = 2,
    REFUSAL_SEQUENCE = 3,
    REFUSAL_RANGE = 4,
    REFUSAL_LOOSENS = 5,
    REFUSAL_NOT_HELD = 6,
    REFUSAL_OUTPUTS_ON = 7,
    REFUSAL_UNKNOWN_FRAME = 8
} refusal_t;

typedef struct { /* fields of other kinds are 0 */
    uint8_t kind; /* a frame_kind_t */
    uint8_t refusal; /* a refusal_t; FRAME_BAD only */
    bool hello; /* FRAME_BAD only: it meant to be a hello, so all goes off */
    uint16_t session;
    uint32_t sequence;
    bool permit;
    bool contactor;
    uint16_t duty_e4; /* 0 to 10,000 */
    uint32_t window_ms; /* 1,000 to 600,000 */
    uint8_t armed; /* 0 off, 1 on, 2 flashing */
    bool heating;
    bool hot;
    uint8_t sounder; /* 0 silent, 1 chirp, 2 alarm, 3 evacuate */
    bool has_board_ceiling;
    bool has_run_ceiling;
    bool has_run_max;
    int32_t board_ceiling_mc;
    int32_t run_ceiling_mc;
    uint32_t run_max_s;
} frame_t;

typedef struct {
    bool fitted;
    int32_t value_mc;
    int32_t cold_mc;
    uint8_t faults; /* FAULT_ bits */
    uint8_t conversions;
} channel_report_t;

typedef struct { /* text fields end in a zero byte */
    const char *board; /* six hex digits */
    uint16_t boot;
    uint16_t session;
    const char *firmware; /* 1 to 12 of 0-9 a-z . */
    uint32_t hash;
    uint8_t reset_cause; /* 0 to 4 */
    bool simulated;
} welcome_t;

typedef struct {
    const char *board;
    uint16_t boot;
    uint16_t session;
    uint32_t sequence;
    uint32_t heard;
    uint32_t up_s; /* the board's clock in two parts: no 64-bit division */
    uint32_t up_us; /* 0 to 999,999 */
    channel_report_t channels[CHANNELS_OF_A_REPORT];
    bool modulator;
    bool contactor;
    bool enabled;
    uint8_t off;
    uint32_t on_us;
    uint32_t switches;
    uint32_t run_s;
    char contacts[6]; /* each '0', '1' or '-': mains, limiter, door, local stop, arm, smoke */
    int32_t current_ma; /* the next three: negative is absent */
    int32_t fan_rpm;
    int32_t aux_mv;
} report_t;

typedef struct {
    uint16_t session;
    int32_t board_ceiling_mc;
    int32_t run_ceiling_mc;
    uint32_t run_max_s;
    uint32_t silence_us;
} limits_t;

/* CRC-16/CCITT-FALSE over `length` bytes. Also used over the settings. */
uint16_t crc16(const uint8_t *bytes, uint16_t length);
uint16_t crc16_more(uint16_t crc, uint8_t byte);

/* Reads one line without its newline. Lines of more than LINE_TO_BOARD_MAX - 1 bytes are FRAME_NONE. */
void frame_read(const uint8_t *line, uint8_t length, frame_t *frame);

/* Each writes one whole line with its newline to `to` (LINE_FROM_BOARD_MAX bytes) and gives its length. Values out of
 * their range are written as the nearest one that can be; a channel outside what a channel can say gets OUT_OF_RANGE. */
uint16_t write_welcome(uint8_t *to, const welcome_t *welcome);
uint16_t write_report(uint8_t *to, const report_t *report);
uint16_t write_limits(uint8_t *to, const limits_t *limits);
uint16_t write_refusal(uint8_t *to, uint16_t session, uint32_t sequence, uint8_t code);

#endif

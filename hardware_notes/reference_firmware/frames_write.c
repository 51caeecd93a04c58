/* See frames.h: the checksum, and the lines that a board says. */
#include "frames.h"

#include "flash.h"

/* Checksum */

uint16_t crc16_more(uint16_t crc, uint8_t byte)
{
    /* Polynomial 0x1021 a byte at a time without a table: each shift folds one nibble's worth. */
    uint8_t top = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
    top ^= (uint8_t)(top >> 4);
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)top << 12) ^ (uint16_t)((uint16_t)top << 5) ^ top);
}

uint16_t crc16(const uint8_t *bytes, uint16_t length)
{
    uint16_t crc = 0xFFFFu;
    for (uint16_t i = 0u; i < length; i++) {
        crc = crc16_more(crc, bytes[i]);
    }
    return crc;
}

/* Writing */

typedef struct {
    uint8_t *to;
    uint16_t length;
    uint16_t crc;
} pen_t;

static void write_byte(pen_t *pen, uint8_t byte)
{
    pen->to[pen->length] = byte;
    pen->length++;
    pen->crc = crc16_more(pen->crc, byte);
}

/* " k=" */
static void write_key(pen_t *pen, char key)
{
    write_byte(pen, (uint8_t)' ');
    write_byte(pen, (uint8_t)key);
    write_byte(pen, (uint8_t)'=');
}

#define TENS_COUNT 10u
static const IN_FLASH uint32_t TENS[TENS_COUNT] = { 1000000000u, 100000000u, 10000000u, 1000000u, 100000u,
                                           10000u,      1000u,      100u,      10u,      1u };

/* At least `least` digits. By subtraction: a division costs this processor ten times as much. */
static void write_digits(pen_t *pen, uint32_t value, uint8_t least)
{
    uint32_t left = value;
    bool begun = false;
    for (uint8_t i = 0u; i < TENS_COUNT; i++) {
        uint8_t digit = (uint8_t)'0';
        while (left >= TENS[i]) { /* at most nine times */
            left -= TENS[i];
            digit++;
        }
        begun = begun || (digit != (uint8_t)'0') || ((TENS_COUNT - i) <= least);
        if (begun) {
            write_byte(pen, digit);
        }
    }
}

static void write_up_to(pen_t *pen, char key, uint32_t value, uint32_t most)
{
    write_key(pen, key);
    write_digits(pen, (value < most) ? value : most, 1u);
}

static void write_signed(pen_t *pen, int32_t value, int32_t least, int32_t most)
{
    int32_t held = (value < least) ? least : ((value > most) ? most : value);
    if (held < 0) {
        write_byte(pen, (uint8_t)'-');
    }
    write_digits(pen, (held < 0) ? (uint32_t)(-held) : (uint32_t)held, 1u);
}

/* Negative is absent. */
static void write_maybe(pen_t *pen, char key, int32_t value, uint32_t most)
{
    if (value < 0) {
        write_key(pen, key);
        write_byte(pen, (uint8_t)'-');
    } else {
        write_up_to(pen, key, (uint32_t)value, most);
    }
}

static void write_hex(pen_t *pen, uint32_t value, uint8_t digits, char ten)
{
    for (uint8_t i = digits; i > 0u; i--) {
        uint8_t nibble = (uint8_t)((value >> (4u * (i - 1u))) & 0xFu);
        uint8_t first = (nibble < 10u) ? (uint8_t)'0' : (uint8_t)((uint8_t)ten - 10u);
        write_byte(pen, (uint8_t)(first + nibble));
    }
}

static void write_text(pen_t *pen, char key, const char *text, uint8_t most)
{
    write_key(pen, key);
    for (uint8_t i = 0u; (i < most) && (text[i] != '\0'); i++) {
        write_byte(pen, (uint8_t)text[i]);
    }
}

static void write_flag(pen_t *pen, bool flag)
{
    write_byte(pen, (uint8_t)(flag ? '1' : '0'));
}

static pen_t begin(uint8_t *to, char letter)
{
    pen_t pen = { to, 0u, 0xFFFFu };
    write_byte(&pen, (uint8_t)letter);
    return pen;
}

static uint16_t end(pen_t *pen)
{
    uint16_t crc = pen->crc;
    write_byte(pen, (uint8_t)'*');
    write_hex(pen, crc, 4u, 'A');
    write_byte(pen, (uint8_t)'\n');
    return pen->length;
}

uint16_t write_welcome(uint8_t *to, const welcome_t *welcome)
{
    pen_t pen = begin(to, 'W');
    write_up_to(&pen, 'v', PROTOCOL_VERSION, PROTOCOL_VERSION);
    write_text(&pen, 'b', welcome->board, 6u);
    write_up_to(&pen, 'o', welcome->boot, 65535u);
    write_up_to(&pen, 's', welcome->session, 65535u);
    write_text(&pen, 'f', welcome->firmware, 12u);
    write_key(&pen, 'k');
    write_hex(&pen, welcome->hash, 8u, 'a');
    write_up_to(&pen, 'c', welcome->reset_cause, 4u);
    write_key(&pen, 'z');
    write_flag(&pen, welcome->simulated);
    return end(&pen);
}

#define VALUE_MIN_MC (-99999)
#define VALUE_MAX_MC 999999
#define COLD_MIN_MC (-9999)
#define COLD_MAX_MC 99999
#define OUT_OF_RANGE 0x08u

static void write_channel(pen_t *pen, const channel_report_t *channel)
{
    if (!channel->fitted) {
        write_byte(pen, (uint8_t)'-');
        return;
    }
    bool fits = (channel->value_mc >= VALUE_MIN_MC) && (channel->value_mc <= VALUE_MAX_MC) &&
                (channel->cold_mc >= COLD_MIN_MC) && (channel->cold_mc <= COLD_MAX_MC);
    write_signed(pen, channel->value_mc, VALUE_MIN_MC, VALUE_MAX_MC);
    write_byte(pen, (uint8_t)'/');
    write_signed(pen, channel->cold_mc, COLD_MIN_MC, COLD_MAX_MC);
    write_byte(pen, (uint8_t)'/');
    write_hex(pen, fits ? channel->faults : (channel->faults | OUT_OF_RANGE), 2u, 'a');
    write_byte(pen, (uint8_t)'/');
    write_hex(pen, channel->conversions, 2u, 'a');
}

uint16_t write_report(uint8_t *to, const report_t *report)
{
    pen_t pen = begin(to, 'R');
    write_text(&pen, 'b', report->board, 6u);
    write_up_to(&pen, 'o', report->boot, 65535u);
    write_up_to(&pen, 's', report->session, 65535u);
    write_up_to(&pen, 'q', report->sequence, SEQUENCE_MAX);
    write_up_to(&pen, 'h', report->heard, SEQUENCE_MAX);
    write_key(&pen, 'u');
    if (report->up_s > 0u) {
        write_digits(&pen, (report->up_s <= 999999999u) ? report->up_s : 999999999u, 1u);
    }
    write_digits(&pen, report->up_us, (report->up_s > 0u) ? 6u : 1u);
    write_key(&pen, 't');
    for (uint8_t i = 0u; i < CHANNELS_OF_A_REPORT; i++) {
        if (i > 0u) {
            write_byte(&pen, (uint8_t)',');
        }
        write_channel(&pen, &report->channels[i]);
    }
    write_key(&pen, 'k');
    write_flag(&pen, report->modulator);
    write_flag(&pen, report->contactor);
    write_flag(&pen, report->enabled);
    write_up_to(&pen, 'f', report->off, 14u);
    write_up_to(&pen, 'e', report->on_us, 9999999u);
    write_up_to(&pen, 'n', report->switches, 999999u);
    write_up_to(&pen, 'r', report->run_s, 999999u);
    write_key(&pen, 'i');
    for (uint8_t i = 0u; i < 6u; i++) {
        write_byte(&pen, (uint8_t)report->contacts[i]);
    }
    write_maybe(&pen, 'a', report->current_ma, 99999u);
    write_maybe(&pen, 'm', report->fan_rpm, 9999u);
    write_maybe(&pen, 'y', report->aux_mv, 9999u);
    return end(&pen);
}

uint16_t write_limits(uint8_t *to, const limits_t *limits)
{
    pen_t pen = begin(to, 'L');
    write_up_to(&pen, 's', limits->session, 65535u);
    write_key(&pen, 'b');
    write_signed(&pen, limits->board_ceiling_mc, LIMIT_MIN_MC, LIMIT_MAX_MC);
    write_key(&pen, 'r');
    write_signed(&pen, limits->run_ceiling_mc, LIMIT_MIN_MC, LIMIT_MAX_MC);
    write_up_to(&pen, 'm', limits->run_max_s, 999999u);
    write_up_to(&pen, 'x', limits->silence_us, 9999999u);
    return end(&pen);
}

uint16_t write_refusal(uint8_t *to, uint16_t session, uint32_t sequence, uint8_t code)
{
    pen_t pen = begin(to, 'N');
    write_up_to(&pen, 's', session, 65535u);
    write_up_to(&pen, 'q', sequence, SEQUENCE_MAX);
    write_up_to(&pen, 'c', code, 8u);
    return end(&pen);
}

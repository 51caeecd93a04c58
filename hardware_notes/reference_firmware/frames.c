/* See frames.h. Reading goes by a table of frames and a table of fields, as the manual does. */
#include "frames.h"

#include <stddef.h>

#include "flash.h"

/* Reading */

typedef enum { /* where a value goes; one bit each, so that a field may be missing */
    INTO_SESSION,
    INTO_SEQUENCE,
    INTO_PERMIT,
    INTO_CONTACTOR,
    INTO_DUTY,
    INTO_WINDOW,
    INTO_ARMED,
    INTO_HEATING,
    INTO_HOT,
    INTO_SOUNDER,
    INTO_BOARD_CEILING,
    INTO_RUN_CEILING,
    INTO_RUN_MAX,
    INTO_NOTHING
} into_t;

typedef struct {
    char key;
    uint8_t into;
    bool maybe; /* `-` is allowed: absent */
    int32_t low;
    int32_t high;
} field_t;

#define FIELDS_MAX 6u

typedef struct {
    char letter;
    uint8_t kind;
    uint8_t count;
    const IN_FLASH field_t *fields;
} layout_t;

#define SESSION { 's', INTO_SESSION, false, 0, 65535 }
#define SEQUENCE { 'q', INTO_SEQUENCE, false, 0, 9999999 }

static const IN_FLASH field_t HELLO[] = {
    { 'v', INTO_NOTHING, false, 1, 1 }, { 's', INTO_SESSION, false, 1, 65535 }, SEQUENCE,
};
static const IN_FLASH field_t DRIVE[FIELDS_MAX] = {
    SESSION, SEQUENCE, { 'p', INTO_PERMIT, false, 0, 1 }, { 'c', INTO_CONTACTOR, false, 0, 1 },
    { 'u', INTO_DUTY, false, 0, 10000 }, { 'w', INTO_WINDOW, false, 1000, 600000 },
};
static const IN_FLASH field_t TELL[FIELDS_MAX] = {
    SESSION, SEQUENCE, { 'l', INTO_ARMED, false, 0, 2 }, { 'g', INTO_HEATING, false, 0, 1 },
    { 'x', INTO_HOT, false, 0, 1 }, { 'z', INTO_SOUNDER, false, 0, 3 },
};
static const IN_FLASH field_t LIMITS[] = {
    SESSION, SEQUENCE, { 'b', INTO_BOARD_CEILING, true, LIMIT_MIN_MC, LIMIT_MAX_MC },
    { 'r', INTO_RUN_CEILING, true, LIMIT_MIN_MC, LIMIT_MAX_MC }, { 'm', INTO_RUN_MAX, true, 0, 999999 },
};

static const IN_FLASH layout_t LAYOUTS[] = {
    { 'H', FRAME_HELLO, 3u, HELLO },
    { 'E', FRAME_ENABLE, 2u, DRIVE }, /* the first two of a drive's fields are all it has */
    { 'D', FRAME_DRIVE, 6u, DRIVE },
    { 'T', FRAME_TELL, 6u, TELL },
    { 'S', FRAME_LIMITS, 5u, LIMITS },
    { 'X', FRAME_STALL, 2u, DRIVE }, /* likewise */
};
#define LAYOUTS_COUNT ((uint8_t)(sizeof LAYOUTS / sizeof LAYOUTS[0]))

typedef struct { /* the part of a line that has not been read */
    const uint8_t *at;
    uint8_t left;
} rest_t;

static bool is_digit(uint8_t byte)
{
    return (byte >= (uint8_t)'0') && (byte <= (uint8_t)'9');
}

static int8_t hex_upper(uint8_t byte)
{
    if (is_digit(byte)) {
        return (int8_t)(byte - (uint8_t)'0');
    }
    return ((byte >= (uint8_t)'A') && (byte <= (uint8_t)'F')) ? (int8_t)(byte - ((uint8_t)'A' - 10)) : (int8_t)-1;
}

/* Is the end of the line `*` and the checksum of the rest? */
static bool is_whole(const uint8_t *line, uint8_t length)
{
    if ((length < 5u) || (line[length - 5u] != (uint8_t)'*')) {
        return false;
    }
    uint16_t said = 0u;
    for (uint8_t i = (uint8_t)(length - 4u); i < length; i++) {
        int8_t digit = hex_upper(line[i]);
        if (digit < 0) {
            return false;
        }
        said = (uint16_t)((uint16_t)(said << 4) | (uint16_t)digit);
    }
    return said == crc16(line, (uint16_t)(length - 5u));
}

/* A whole number without leading zeros; at most seven digits are ever in range. False: not written plainly. */
static bool read_number(const rest_t *word, int32_t *value)
{
    uint8_t at = 0u;
    bool minus = (word->left > 0u) && (word->at[0] == (uint8_t)'-');
    uint8_t digits = minus ? (uint8_t)(word->left - 1u) : word->left;
    int32_t sum = 0;
    at = minus ? 1u : 0u;
    if ((digits == 0u) || (digits > 7u) || ((word->at[at] == (uint8_t)'0') && ((digits > 1u) || minus))) {
        return false;
    }
    for (; at < word->left; at++) {
        if (!is_digit(word->at[at])) {
            return false;
        }
        sum = (sum * 10) + (int32_t)(word->at[at] - (uint8_t)'0');
    }
    *value = minus ? -sum : sum;
    return true;
}

static void put(frame_t *frame, uint8_t into, int32_t value)
{
    switch (into) {
    case INTO_SESSION: frame->session = (uint16_t)value; break;
    case INTO_SEQUENCE: frame->sequence = (uint32_t)value; break;
    case INTO_PERMIT: frame->permit = (value != 0); break;
    case INTO_CONTACTOR: frame->contactor = (value != 0); break;
    case INTO_DUTY: frame->duty_e4 = (uint16_t)value; break;
    case INTO_WINDOW: frame->window_ms = (uint32_t)value; break;
    case INTO_ARMED: frame->armed = (uint8_t)value; break;
    case INTO_HEATING: frame->heating = (value != 0); break;
    case INTO_HOT: frame->hot = (value != 0); break;
    case INTO_SOUNDER: frame->sounder = (uint8_t)value; break;
    case INTO_BOARD_CEILING: frame->board_ceiling_mc = value; frame->has_board_ceiling = true; break;
    case INTO_RUN_CEILING: frame->run_ceiling_mc = value; frame->has_run_ceiling = true; break;
    case INTO_RUN_MAX: frame->run_max_s = (uint32_t)value; frame->has_run_max = true; break;
    default: break;
    }
}

/* The next word of the line, up to a space or the end. */
static rest_t next_word(rest_t *rest)
{
    rest_t word = { rest->at, 0u };
    while ((word.left < rest->left) && (rest->at[word.left] != (uint8_t)' ')) {
        word.left++;
    }
    uint8_t used = (word.left < rest->left) ? (uint8_t)(word.left + 1u) : word.left;
    rest->at = &rest->at[used];
    rest->left = (uint8_t)(rest->left - used);
    return word;
}

/* Is the part of this word before its `=` the field's key? The value is left in it; a word without `=` has none. */
static bool take_key(rest_t *word, char key)
{
    bool has_value = (word->left > 1u) && (word->at[1] == (uint8_t)'=');
    if ((word->left == 0u) || (word->at[0] != (uint8_t)key) || ((word->left > 1u) && !has_value)) {
        return false;
    }
    uint8_t used = has_value ? 2u : 1u;
    word->at = &word->at[used];
    word->left = (uint8_t)(word->left - used);
    return true;
}

static uint8_t read_value(frame_t *frame, const IN_FLASH field_t *field, const rest_t *word)
{
    int32_t value = 0;
    if (field->maybe && (word->left == 1u) && (word->at[0] == (uint8_t)'-')) {
        return REFUSAL_NONE;
    }
    if (!read_number(word, &value) || (value < field->low) || (value > field->high)) {
        return REFUSAL_RANGE;
    }
    put(frame, field->into, value);
    return REFUSAL_NONE;
}

/* A first word `v=` with anything but our version: said before anything else is looked at. */
static bool is_other_version(const rest_t *body, const IN_FLASH layout_t *layout)
{
    rest_t rest = *body;
    rest_t word = next_word(&rest);
    bool versioned = (layout->fields[0].key == 'v') && (word.left >= 2u) && (word.at[0] == (uint8_t)'v') &&
                     (word.at[1] == (uint8_t)'=');
    return versioned && !((word.left == 3u) && (word.at[2] == (uint8_t)('0' + PROTOCOL_VERSION)));
}

/* The words of a frame against its layout: first version, then keys, then values. */
static uint8_t read_fields(const rest_t *body, const IN_FLASH layout_t *layout, frame_t *frame)
{
    rest_t words[FIELDS_MAX];
    rest_t rest = *body;
    uint8_t refusal = REFUSAL_NONE;
    bool fits = true;
    if (is_other_version(body, layout)) {
        return REFUSAL_VERSION;
    }
    for (uint8_t i = 0u; i < layout->count; i++) {
        words[i] = next_word(&rest);
        fits = take_key(&words[i], layout->fields[i].key) && fits;
    }
    if (!fits || (rest.left > 0u) || (body->at[body->left - 1u] == (uint8_t)' ')) {
        return REFUSAL_UNKNOWN_FRAME;
    }
    for (uint8_t i = 0u; (i < layout->count) && (refusal == (uint8_t)REFUSAL_NONE); i++) {
        refusal = read_value(frame, &layout->fields[i], &words[i]);
    }
    return refusal;
}

/* How many digits stand at `at`, up to one more than `most`. */
static uint8_t digits_at(const uint8_t *line, uint8_t at, uint8_t length, uint8_t most)
{
    uint8_t count = 0u;
    while (((uint8_t)(at + count) < length) && (count <= most) && is_digit(line[at + count])) {
        count++;
    }
    return count;
}

static uint32_t digits_value(const uint8_t *at, uint8_t count)
{
    uint32_t value = 0u;
    for (uint8_t i = 0u; i < count; i++) {
        value = (value * 10u) + (uint32_t)(at[i] - (uint8_t)'0');
    }
    return value;
}

/* " s=DIGITS q=DIGITS" and a space or `*`, at this place? Whose frame it was that is refused. */
static bool names_sender(const uint8_t *line, uint8_t at, uint8_t length, frame_t *frame)
{
    if (((uint8_t)(at + 3u) > length) || (line[at] != (uint8_t)' ') || (line[at + 1u] != (uint8_t)'s') ||
        (line[at + 2u] != (uint8_t)'=')) {
        return false;
    }
    uint8_t s_at = (uint8_t)(at + 3u);
    uint8_t s_count = digits_at(line, s_at, length, 5u);
    uint8_t q_at = (uint8_t)((uint8_t)(s_at + s_count) + 3u);
    if ((s_count == 0u) || (s_count > 5u) || (q_at > length) || (line[q_at - 3u] != (uint8_t)' ') ||
        (line[q_at - 2u] != (uint8_t)'q') || (line[q_at - 1u] != (uint8_t)'=')) {
        return false;
    }
    uint8_t q_count = digits_at(line, q_at, length, 7u);
    uint8_t end = (uint8_t)(q_at + q_count);
    if ((q_count == 0u) || (q_count > 7u) || (end >= length) ||
        ((line[end] != (uint8_t)' ') && (line[end] != (uint8_t)'*'))) {
        return false;
    }
    uint32_t session = digits_value(&line[s_at], s_count);
    frame->session = (session <= 65535u) ? (uint16_t)session : 0u;
    frame->sequence = digits_value(&line[q_at], q_count);
    return true;
}

static void refuse_line(const uint8_t *line, uint8_t length, uint8_t refusal, frame_t *frame)
{
    *frame = (frame_t){ .kind = FRAME_BAD, .refusal = refusal, .hello = (line[0] == (uint8_t)'H') };
    for (uint8_t at = 0u; at < length; at++) {
        if (names_sender(line, at, length, frame)) {
            return;
        }
    }
}

static const IN_FLASH layout_t *layout_of(uint8_t letter)
{
    for (uint8_t i = 0u; i < LAYOUTS_COUNT; i++) {
        if (letter == (uint8_t)LAYOUTS[i].letter) {
            return &LAYOUTS[i];
        }
    }
    return NULL;
}

static bool is_own_letter(uint8_t letter)
{
    return (letter == (uint8_t)'W') || (letter == (uint8_t)'R') || (letter == (uint8_t)'L') || (letter == (uint8_t)'N');
}

void frame_read(const uint8_t *line, uint8_t length, frame_t *frame)
{
    *frame = (frame_t){ .kind = FRAME_NONE };
    if ((length >= LINE_TO_BOARD_MAX) || !is_whole(line, length)) {
        return;
    }
    uint8_t letter = (length > 5u) ? line[0] : 0u;
    if (is_own_letter(letter)) {
        return;
    }
    const IN_FLASH layout_t *layout = layout_of(letter);
    uint8_t refusal = REFUSAL_UNKNOWN_FRAME;
    rest_t body = { line, (uint8_t)(length - 5u) };
    rest_t first = next_word(&body);
    if ((layout != NULL) && (body.left > 0u)) {
        refusal = read_fields(&body, layout, frame);
        if ((first.left != 1u) && (refusal != (uint8_t)REFUSAL_VERSION)) {
            refusal = REFUSAL_UNKNOWN_FRAME;
        }
    }
    if (refusal == (uint8_t)REFUSAL_NONE) {
        frame->kind = layout->kind;
    } else {
        refuse_line(line, length, refusal, frame);
    }
}

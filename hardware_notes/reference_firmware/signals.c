#include "signals.h"

#include "flash.h"

#define FLASH_PASSES 100u /* 1 Hz */
#define FLASH_ON 50u

typedef struct { /* passes: a pattern is `pulses` times on-then-off, and then rest until `length` */
    uint16_t length;
    uint8_t pulses;
    uint8_t on;
    uint8_t off;
} pattern_t;

/* Chirp: 0.1 s a minute. Alarm: half a second in each. Evacuate: three pulses of half a second and a pause, the
 * evacuation signal of ISO 8201 (figures from memory). */
static const IN_FLASH pattern_t PATTERNS[] = {
    {1u, 0u, 0u, 0u},
    {6000u, 1u, 10u, 0u},
    {100u, 1u, 50u, 50u},
    {400u, 3u, 50u, 50u},
};

static bool sounds(const IN_FLASH pattern_t *pattern, uint16_t at)
{
    uint16_t from = 0u;

    for (uint8_t pulse = 0u; pulse < pattern->pulses; pulse++) {
        if ((at >= from) && (at < (uint16_t)(from + pattern->on))) {
            return true;
        }
        from = (uint16_t)(from + pattern->on + pattern->off);
    }
    return false;
}

static uint16_t moved(uint16_t at, uint8_t passes, uint16_t length)
{
    uint16_t next = (uint16_t)(at + passes);

    while (next >= length) {
        next = (uint16_t)(next - length);
    }
    return next;
}

void signals_tell(signals_t *signals, const told_t *told)
{
    uint8_t before = signals->told.sounder;

    signals->told = *told;
    if (told->sounder > 3u) {
        signals->told.sounder = 3u;
    }
    if (signals->told.sounder != before) {
        signals->sound_at = 0u;
    }
    if (signals->told.sounder > before) {
        signals->silenced = 0u;
    } else if (signals->told.sounder < signals->silenced) {
        signals->silenced = signals->told.sounder;
    } else {
        /* told again: what was silenced stays so */
    }
}

void signals_pass(signals_t *signals, uint8_t passes, bool silence, shown_t *shown)
{
    const IN_FLASH pattern_t *pattern = &PATTERNS[signals->told.sounder];

    if (silence && !signals->button) {
        signals->silenced = signals->told.sounder;
    }
    signals->button = silence;
    shown->armed = (signals->told.armed == 1u) || ((signals->told.armed == 2u) && (signals->lamp_at < FLASH_ON));
    shown->heating = signals->told.heating;
    shown->hot = signals->told.hot;
    shown->sounder = (signals->told.sounder > signals->silenced) && sounds(pattern, signals->sound_at);
    signals->lamp_at = moved(signals->lamp_at, passes, FLASH_PASSES);
    signals->sound_at = moved(signals->sound_at, passes, pattern->length);
}

uint8_t contacts_pass(contacts_t *contacts, uint8_t raw)
{
    uint8_t differs = (uint8_t)(raw ^ contacts->steady);
    uint8_t third = 0u;

    contacts->high = (uint8_t)((contacts->high ^ contacts->low) & differs);
    contacts->low = (uint8_t)(~contacts->low & differs);
    third = contacts->high & contacts->low;
    contacts->steady ^= third;
    contacts->low &= (uint8_t)~third;
    contacts->high &= (uint8_t)~third;
    return contacts->steady;
}

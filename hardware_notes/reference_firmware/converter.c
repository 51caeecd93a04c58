/* Only a converter that has cleared its own one-shot bit has measured: the counter cannot go on by a timer's word. */
#include "converter.h"

#include "board.h"
#include "thermocouple.h"

#define WAIT_MAX 100u /* passes; a conversion takes about 0.2 s */
#define BYTE_TRIES 50u

static converter_t converters[CHANNELS];

static void select(uint8_t at, bool chosen)
{
    switch (at) {
    case 0u:
        pin_select_control_is(!chosen);
        break;
    case 1u:
        pin_select_over_temperature_is(!chosen);
        break;
    default:
        pin_select_third_is(!chosen);
        break;
    }
}

/* A bus that never answers costs 50 turns and reads as all ones. */
static uint8_t exchange(uint8_t byte)
{
    uint8_t tries = BYTE_TRIES;

    SPDR = byte;
    while (((SPSR & (uint8_t)(1u << SPIF)) == 0u) && (tries > 0u)) {
        tries--;
    }
    return (tries > 0u) ? SPDR : 0xFFu;
}

static void registers_read(uint8_t at, uint8_t from, uint8_t *bytes, uint8_t count)
{
    select(at, true);
    (void)exchange(from);
    for (uint8_t byte = 0u; byte < count; byte++) {
        bytes[byte] = exchange(0u);
    }
    select(at, false);
}

static void shot(uint8_t at)
{
    select(at, true);
    (void)exchange((uint8_t)(REGISTER_CR0 | REGISTER_WRITE));
    (void)exchange((uint8_t)(CR0_OURS | CR0_ONE_SHOT));
    select(at, false);
}

/* Writes the settings (anew, after doubt) and starts a conversion. */
static void settle(uint8_t at)
{
    select(at, true);
    (void)exchange((uint8_t)(REGISTER_CR0 | REGISTER_WRITE));
    for (uint8_t byte = 0u; byte < SETTING_BYTES; byte++) {
        (void)exchange(THERMOCOUPLE_SETTINGS[byte]);
    }
    select(at, false);
    shot(at);
}

static void silent(uint8_t at)
{
    converters[at].channel.faults = (uint8_t)FAULT_CONVERTER_SILENT;
    converters[at].waited = 0u;
    settle(at);
}

static void finished(uint8_t at)
{
    uint8_t registers[REGISTERS];
    reading_t reading;

    registers_read(at, REGISTER_CR0, registers, REGISTERS);
    if (!thermocouple_read(registers, &reading)) {
        silent(at);
        return;
    }
    converters[at].channel.value_mc = reading.value_mc;
    converters[at].channel.faults = reading.faults;
    converters[at].cold_mc = reading.cold_mc;
    converters[at].conversions++;
    converters[at].waited = 0u;
    shot(at);
}

void converters_start(uint8_t channels)
{
    SPCR = (uint8_t)((1u << SPE) | (1u << MSTR) | (1u << CPHA)); /* mode 1, 4 MHz */
    for (uint8_t at = 0u; at < CHANNELS; at++) {
        converters[at].channel.fitted = (channels & (uint8_t)(1u << at)) != 0u;
        if (converters[at].channel.fitted) {
            silent(at);
        }
    }
}

static void ask(uint8_t at, uint8_t passes)
{
    uint8_t cr0 = 0u;
    uint16_t waited = (uint16_t)(converters[at].waited + passes);

    registers_read(at, REGISTER_CR0, &cr0, 1u);
    converters[at].waited = (uint8_t)((waited > UINT8_MAX) ? UINT8_MAX : waited);
    if ((cr0 & CR0_ONE_SHOT) == 0u) {
        finished(at);
    } else if (waited >= WAIT_MAX) {
        silent(at);
    } else {
        /* it is still measuring */
    }
}

void converters_pass(uint8_t passes)
{
    for (uint8_t at = 0u; at < CHANNELS; at++) {
        if (converters[at].channel.fitted) {
            ask(at, passes);
        }
    }
}

const converter_t *converter_at(uint8_t at)
{
    return &converters[at];
}

/* Only a converter that has cleared its own one-shot bit has measured: the counter cannot go on by a timer's word. */
#include "converter.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"
#include "thermocouple.h"

#define WAIT_MAX 100u /* passes; a conversion takes about 0.2 s */
#define ASK_AFTER 18u /* passes; none is done sooner, so that asking would be noise on the bus */
#define BUS_PASSES_MAX 3u /* the longest exchange takes 0.1 ms */
#define EXCHANGE_BYTES (REGISTERS + 1u)

typedef enum { EXCHANGE_NONE = 0, EXCHANGE_SETTLE, EXCHANGE_SHOT, EXCHANGE_READ } exchange_t;

static converter_t converters[CHANNELS];
static uint8_t turn;
static converter_t *now; /* the one whose turn it is */
static exchange_t running; /* of the converter whose turn it is */
static uint8_t running_for; /* passes */
static volatile uint8_t bytes[EXCHANGE_BYTES]; /* out, and in their place in; shared with the interrupt, D-6 */
static volatile uint8_t bytes_at;
static volatile uint8_t bytes_length;

ISR(SPI_STC_vect)
{
    uint8_t at = bytes_at;

    bytes[at] = SPDR;
    at++;
    bytes_at = at;
    if (at < bytes_length) {
        SPDR = bytes[at];
    }
}

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

static void bus_start(void)
{
    SPCR = 0u;
    SPCR = (uint8_t)((1u << SPIE) | (1u << SPE) | (1u << MSTR) | (1u << CPHA)); /* mode 1, 4 MHz */
}

static void exchange_begin(exchange_t kind)
{
    uint8_t length = EXCHANGE_BYTES;

    for (uint8_t at = 0u; at < EXCHANGE_BYTES; at++) {
        bytes[at] = 0u;
    }
    if (kind == EXCHANGE_SETTLE) {
        bytes[0] = (uint8_t)(REGISTER_CR0 | REGISTER_WRITE);
        for (uint8_t at = 0u; at < SETTING_BYTES; at++) {
            bytes[at + 1u] = THERMOCOUPLE_SETTINGS[at];
        }
        length = SETTING_BYTES + 1u;
    } else if (kind == EXCHANGE_SHOT) {
        bytes[0] = (uint8_t)(REGISTER_CR0 | REGISTER_WRITE);
        bytes[1] = (uint8_t)(CR0_OURS | CR0_ONE_SHOT);
        length = 2u;
    } else {
        bytes[0] = REGISTER_CR0;
    }
    running = kind;
    running_for = 0u;
    bytes_at = 0u;
    bytes_length = length;
    select(turn, true);
    SPDR = bytes[0];
}

/* Settings that do not read back, or nothing finished for a second: all is written anew, and until it answers again
 * there is no temperature. */
static void silent(converter_t *converter)
{
    converter->channel.faults = (uint8_t)FAULT_CONVERTER_SILENT;
    converter->waited = 0u;
    converter->next = (uint8_t)EXCHANGE_SETTLE;
}

static void judged(converter_t *converter)
{
    uint8_t registers[REGISTERS];
    reading_t reading;

    for (uint8_t at = 0u; at < REGISTERS; at++) {
        registers[at] = bytes[at + 1u];
    }
    if ((registers[REGISTER_CR0] & CR0_ONE_SHOT) != 0u) {
        return; /* still measuring; D-9 */
    }
    if (!thermocouple_read(registers, &reading)) {
        silent(converter);
        return;
    }
    converter->channel.value_mc = reading.value_mc;
    converter->channel.faults = reading.faults;
    converter->cold_mc = reading.cold_mc;
    converter->conversions++;
    converter->waited = 0u;
    converter->next = (uint8_t)EXCHANGE_SHOT;
}

static void turn_on(void)
{
    turn = (uint8_t)((turn < (CHANNELS - 1u)) ? (turn + 1u) : 0u);
    now = &converters[turn];
}

/* True once the bus is free. */
static bool exchange_end(uint8_t passes)
{
    if (running == EXCHANGE_NONE) {
        return true;
    }
    if (bytes_at < bytes_length) {
        running_for = (uint8_t)(running_for + passes);
        if (running_for < BUS_PASSES_MAX) {
            return false;
        }
        bus_start();
        silent(now);
    } else if (running == EXCHANGE_READ) {
        judged(now);
    } else {
        now->next = (uint8_t)((running == EXCHANGE_SETTLE) ? EXCHANGE_SHOT : EXCHANGE_READ);
    }
    select(turn, false);
    running = EXCHANGE_NONE;
    if (now->next == (uint8_t)EXCHANGE_READ) {
        turn_on(); /* one that goes on measuring must not keep the bus */
    }
    return true;
}

static bool wants(const converter_t *converter)
{
    return converter->channel.fitted && ((converter->next != (uint8_t)EXCHANGE_READ) || (converter->waited >= ASK_AFTER));
}

static void waited(converter_t *converter, uint8_t passes)
{
    uint16_t sum = (uint16_t)(converter->waited + passes);

    converter->waited = (uint8_t)((sum < UINT8_MAX) ? sum : UINT8_MAX);
}

void converters_start(uint8_t channels)
{
    for (uint8_t at = 0u; at < CHANNELS; at++) {
        converters[at].channel.fitted = (channels & (uint8_t)(1u << at)) != 0u;
        silent(&converters[at]);
    }
    now = converters;
    bus_start();
}

/* One exchange a pass, in turn; the one before has had a whole pass. A shot follows its reading at once. */
void converters_pass(uint8_t passes)
{
    bool free = exchange_end(passes);

    for (uint8_t at = 0u; at < CHANNELS; at++) {
        waited(&converters[at], passes);
    }
    if (!free) {
        return;
    }
    for (uint8_t tries = 0u; (tries < CHANNELS) && !wants(now); tries++) {
        turn_on();
    }
    if (wants(now)) {
        if (now->waited >= WAIT_MAX) {
            silent(now);
        }
        exchange_begin((exchange_t)now->next);
    }
}

const converter_t *converter_at(uint8_t at)
{
    return &converters[at];
}

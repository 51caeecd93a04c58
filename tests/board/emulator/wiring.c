/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "wiring.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_spi.h>
#include <simavr/sim_io.h>
#include <stddef.h>

#define PORTS 12
#define AUXILIARY_MS 15     /* a contactor's own time; common practice, no source */
#define FAN_HALF_TURN_US 6250 /* 2 pulses a turn at 2,400/min: 80 Hz */
#define FAN_NOISE_US 20
#define SUPPLY_MV 5000
#define SILENCE_MV 1599     /* pins.h tells the ladder */
#define ARM_MV 909
#define BOTH_MV 761
#define SPI_CPHA 0x04
#define SPI_CPOL 0x08

typedef struct {
    const char *name;
    char letter;
    uint8_t bit;
} place_t;

#define PLACE(name, letter, bit) {#name, #letter[0], bit},
static const place_t PLACES[PIN_COUNT] = {PINS(PLACE)};

enum { /* converter channels of the analogue inputs; the larger chip has no ladder */
#define CHANNEL(name, channel) ANALOGUE_##name = channel,
    ANALOGUE(CHANNEL)
};

converter_t converters[CONVERTERS];
outside_t outside = {.stuck_pin = -1};

static avr_t *chip;
static void (*tell_edge)(pin_number_t pin, bool high);
static bool levels[PIN_COUNT];
static bool was_closed;
static uint64_t contactor_moved;
static bool fan_level;

/* Data address of PINx; DDRx and PORTx follow. */
static uint16_t port_at(char letter)
{
    static const uint16_t LATE[] = {['H' - 'H'] = 0x100, ['J' - 'H'] = 0x103, ['K' - 'H'] = 0x106, ['L' - 'H'] = 0x109};

    return letter < 'H' ? (uint16_t)(0x20 + 3 * (letter - 'A')) : LATE[letter - 'H'];
}

bool wiring_level(pin_number_t pin)
{
    uint16_t at = port_at(PLACES[pin].letter);

    return ((chip->data[at + 1] & chip->data[at + 2]) >> PLACES[pin].bit) & 1;
}

static bool selects(pin_number_t pin)
{
    uint16_t at = port_at(PLACES[pin].letter);

    return ((chip->data[at + 1] >> PLACES[pin].bit) & 1) && !((chip->data[at + 2] >> PLACES[pin].bit) & 1);
}

static void look(void)
{
    for (int pin = 0; pin < PIN_COUNT; pin++) {
        bool level = wiring_level((pin_number_t)pin);

        if (levels[pin] != level) {
            levels[pin] = level;
            tell_edge((pin_number_t)pin, level);
        }
    }
    if (was_closed != levels[PIN_contactor]) {
        was_closed = levels[PIN_contactor];
        contactor_moved = chip->cycle;
    }
    converter_select(&converters[0], selects(PIN_select_control));
    converter_select(&converters[1], selects(PIN_select_over_temperature));
    converter_select(&converters[2], selects(PIN_select_third));
}

static void on_port(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value, (void)param;
    look();
}

static bool contactor_reads_closed(void)
{
    bool late = chip->cycle - contactor_moved < AUXILIARY_MS * (uint64_t)(chip->frequency / 1000);

    return (was_closed != late) || (outside.hands & HAND_WELDED) != 0;
}

/* Contacts close to ground; closed reads low. */
static bool input_level(int pin)
{
    uint32_t hands = outside.hands;

    switch (pin) {
    case PIN_contactor_open:
        return contactor_reads_closed();
    case PIN_door:
        return !(hands & HAND_DOOR_SHUT);
    case PIN_local_stop:
        return (hands & HAND_LOCAL_STOP) != 0;
    case PIN_smoke:
        return !(hands & HAND_SMOKE);
    case PIN_fan:
        return fan_level;
#if !BUTTONS_SHARE_A_PIN
    case PIN_arm:
        return !(hands & HAND_ARM);
    case PIN_silence:
        return !(hands & HAND_SILENCE);
    case PIN_mains:
        return !(hands & HAND_MAINS);
    case PIN_limiter:
        return !(hands & HAND_LIMITER);
#endif
    default:
        return true;
    }
}

/* Reading PINx: driven pins read what they are driven to, the others what is outside. The emulator's own reading keeps
 * what a pin was driven to last, so it is replaced. */
static uint8_t read_port(avr_t *avr, avr_io_addr_t addr, void *param)
{
    char letter = (char)(intptr_t)param;
    uint8_t ddr = avr->data[addr + 1];
    uint8_t seen = (uint8_t)((avr->data[addr + 2] & ddr) | (avr->data[addr] & ~ddr));

    for (int pin = 0; pin < PIN_COUNT; pin++) {
        uint8_t mask = (uint8_t)(1u << PLACES[pin].bit);
        bool stuck = outside.stuck_pin == pin || (pin == PIN_modulator && (outside.hands & HAND_MODULATOR_STUCK));
        bool level = pin == PIN_modulator ? true : outside.stuck_high;

        if (PLACES[pin].letter != letter || ((ddr & mask) && !stuck)) {
            continue;
        }
        level = stuck ? level : input_level(pin);
        seen = (uint8_t)((seen & ~mask) | (level ? mask : 0));
    }
    return seen;
}

static avr_irq_t *spi_answer;

/* Mode 1 and at most 5 MHz (from memory): anything else hears nothing that makes sense. */
static void on_spi(avr_irq_t *irq, uint32_t value, void *param)
{
    uint8_t control = chip->data[0x4C];
    bool too_fast = (control & 0x03) == 0 && (chip->data[0x4D] & 0x01);
    bool right = (control & (SPI_CPHA | SPI_CPOL)) == SPI_CPHA && !too_fast;
    uint8_t answer = 0xFF;

    (void)irq, (void)param;
    for (int at = 0; at < CONVERTERS; at++) {
        if (converters[at].selected && right) {
            answer &= converter_exchange(&converters[at], (uint8_t)value, chip->cycle, chip->frequency / 1000);
        }
    }
    avr_raise_irq(spi_answer, answer);
}

static avr_cycle_count_t fan_turns(avr_t *avr, avr_cycle_count_t when, void *param)
{
    uint64_t half_us = (outside.hands & HAND_FAN_NOISE) ? FAN_NOISE_US : FAN_HALF_TURN_US;

    (void)param;
    if (outside.hands & (HAND_FAN | HAND_FAN_NOISE)) {
        fan_level = !fan_level;
        avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ((uint32_t)PLACES[PIN_fan].letter), PLACES[PIN_fan].bit),
                      fan_level);
    }
    return when + half_us * (avr->frequency / 1000) / 1000;
}

void wiring_analogue(void)
{
#if BUTTONS_SHARE_A_PIN
    static const uint16_t LADDER[] = {SUPPLY_MV, ARM_MV, SILENCE_MV, BOTH_MV};
    int pressed = ((outside.hands & HAND_ARM) ? 1 : 0) + ((outside.hands & HAND_SILENCE) ? 2 : 0);

    avr_raise_irq(avr_io_getirq(chip, AVR_IOCTL_ADC_GETIRQ, ANALOGUE_buttons), LADDER[pressed]);
#endif
    avr_raise_irq(avr_io_getirq(chip, AVR_IOCTL_ADC_GETIRQ, ANALOGUE_aux), outside.aux_mv);
    avr_raise_irq(avr_io_getirq(chip, AVR_IOCTL_ADC_GETIRQ, ANALOGUE_current), outside.current_mv);
}

void wiring_reset(void)
{
    look();
    avr_cycle_timer_register_usec(chip, FAN_HALF_TURN_US, fan_turns, NULL);
}

static void watch_port(char letter)
{
    uint16_t at = port_at(letter);

    avr_irq_register_notify(avr_iomem_getirq(chip, (avr_io_addr_t)(at + 1), NULL, AVR_IOMEM_IRQ_ALL), on_port, NULL);
    avr_irq_register_notify(avr_iomem_getirq(chip, (avr_io_addr_t)(at + 2), NULL, AVR_IOMEM_IRQ_ALL), on_port, NULL);
    chip->io[AVR_DATA_TO_IO(at)].r.c = read_port;
    chip->io[AVR_DATA_TO_IO(at)].r.param = (void *)(intptr_t)letter;
}

void wiring_start(avr_t *avr, void (*edge)(pin_number_t pin, bool high))
{
    bool watched['L' - 'A' + 1] = {false};

    chip = avr;
    tell_edge = edge;
    for (int pin = 0; pin < PIN_COUNT; pin++) {
        if (!watched[PLACES[pin].letter - 'A']) {
            watched[PLACES[pin].letter - 'A'] = true;
            watch_port(PLACES[pin].letter);
        }
    }
    for (int at = 0; at < CONVERTERS; at++) {
        converter_power_on(&converters[at]);
    }
    spi_answer = avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT), on_spi, NULL);
    wiring_analogue();
    wiring_reset();
}

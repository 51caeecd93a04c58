/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "machine.h"

#include <simavr/avr_eeprom.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_io.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "wiring.h"

#define WAITING_MAX 65536
#define BAUD 115200
#define BITS_A_BYTE 10
#define EECR_AT 0x3F
#define EEAR_AT 0x41
#define EEPE 0x02
#define WDTCSR_AT 0x60
#define WDE 0x08
#define WDRF 0x08

machine_t machine;

static avr_t *avr;
static bool line_begun;
static uint8_t waiting[WAITING_MAX];
static size_t waiting_from, waiting_count;
static bool feeding, may_feed = true;
static uint64_t target;
static uint64_t bites_at;
static bool stop, dead, differs, was_reset;
static uint32_t frozen_at = UINT32_MAX;
static uint8_t thawed[2];
static void (*chip_reset)(avr_t *avr);

uint64_t machine_now_us(void)
{
    return avr->cycle * 1000000 / avr->frequency;
}

static void tell(uint8_t kind, uint8_t value, uint8_t stopping)
{
    if (machine.event_count < EVENTS_MAX) {
        machine.events[machine.event_count++] = (event_t){machine_now_us(), kind, value};
    }
    stop = stop || (machine.stops & stopping) != 0;
}

static void on_edge(pin_number_t pin, bool high)
{
    bool heater = pin == PIN_modulator || pin == PIN_contactor;
    bool shown = heater || (pin >= PIN_lamp_armed && pin <= PIN_sounder);

    if (shown) {
        tell((uint8_t)pin, high, heater ? STOP_EDGE : 0);
    }
}

static void on_sleep(avr_t *chip, avr_cycle_count_t cycles)
{
    bool differ = machine.outputs_at != 0 && (chip->data[machine.outputs_at] != wiring_level(PIN_modulator)
                                      || chip->data[machine.outputs_at + 1] != wiring_level(PIN_contactor));

    machine.asleep += cycles + 1;
    if (differ && !differs) {
        tell(KIND_DIFFERS, chip->data[machine.outputs_at], 0);
    }
    differs = differ;
}

static void on_sent(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)param;
    if (!line_begun) {
        tell(KIND_LINE, (uint8_t)value, 0);
    }
    line_begun = (value & 0xFF) != '\n';
    if (machine.sent_count < SENT_MAX) {
        machine.sent[machine.sent_count++] = (uint8_t)value;
    }
}

static void on_room(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq, (void)value;
    may_feed = param != NULL;
}

static avr_cycle_count_t feed(avr_t *chip, avr_cycle_count_t when, void *param)
{
    (void)param;
    if (waiting_count == 0) {
        feeding = false;
        return 0;
    }
    if (may_feed) {
        avr_raise_irq(avr_io_getirq(chip, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT),
                      waiting[waiting_from] | ((outside.hands & HAND_FRAMING) ? UART_INPUT_FE : 0u));
        waiting_from = (waiting_from + 1) % WAITING_MAX;
        waiting_count--;
    }
    return when + (uint64_t)chip->frequency * BITS_A_BYTE / BAUD;
}

static void feed_begin(void)
{
    if (!feeding && waiting_count > 0) {
        feeding = true;
        avr_cycle_timer_register(avr, (uint64_t)avr->frequency * BITS_A_BYTE / BAUD, feed, NULL);
    }
}

static avr_cycle_count_t at_target(avr_t *chip, avr_cycle_count_t when, void *param)
{
    (void)chip, (void)when, (void)param;
    return 0;
}

static void aim(void)
{
    if (target > avr->cycle) {
        avr_cycle_timer_register(avr, target - avr->cycle, at_target, NULL);
    }
}

static void thaw(void)
{
    if (frozen_at != UINT32_MAX) {
        memcpy(&avr->flash[frozen_at], thawed, sizeof thawed);
        frozen_at = UINT32_MAX;
    }
}

static void eeprom_byte(uint16_t at, uint8_t *byte, uint32_t what)
{
    avr_eeprom_desc_t one = {.ee = byte, .offset = at, .size = 1};

    avr_ioctl(avr, what, &one);
}

void machine_wear(uint16_t at, uint8_t length)
{
    machine.worn_from = at;
    machine.worn_to = at;
    while (machine.worn_to < at + length && machine.worn_to - at < (int)sizeof machine.worn_byte) {
        eeprom_byte(machine.worn_to, &machine.worn_byte[machine.worn_to - at], AVR_IOCTL_EEPROM_GET);
        machine.worn_to++;
    }
}

/* Called behind the write. */
static void on_eeprom(avr_irq_t *irq, uint32_t value, void *param)
{
    uint16_t at = (uint16_t)(avr->data[EEAR_AT] | avr->data[EEAR_AT + 1] << 8);

    (void)irq, (void)param;
    if ((value & EEPE) && at >= machine.worn_from && at < machine.worn_to) {
        eeprom_byte(at, &machine.worn_byte[at - machine.worn_from], AVR_IOCTL_EEPROM_SET);
    }
    if (value & EEPE) {
        tell(KIND_EEPROM, avr->data[EEAR_AT], STOP_EEPROM);
    }
}

/* Called by the emulator in the middle of every reset; modules reset behind it. What needs them waits for `after_reset`. */
static void on_reset(avr_t *chip)
{
    if (chip_reset != NULL) {
        chip_reset(chip);
    }
    was_reset = true;
}

static void after_reset(void)
{
    was_reset = false;
    thaw();
    feeding = false;
    may_feed = true;
    differs = false;
    dead = false;
    wiring_reset();
    tell(KIND_RESET, avr->data[MCUSR_AT], STOP_RESET);
    aim();
    feed_begin();
}

/* The emulator gives up where a real processor would run on with rubbish: at an address that is not there, or asleep with
 * interrupts off. It counts as standing still, and the watchdog, if it is on, bites after its own time. */
static uint64_t bite(void)
{
    uint8_t control = avr->data[WDTCSR_AT];
    uint8_t scale = (uint8_t)((control & 0x07) | ((control >> 2) & 0x08));

    return (control & WDE) ? avr->cycle + (uint64_t)avr->frequency / 1000 * (16u << scale) : UINT64_MAX;
}

void machine_run_until(uint64_t until_us)
{
    target = (until_us * avr->frequency + 999999) / 1000000;
    stop = false;
    /* A reset sets this to 1. A stuck bit must be stuck between any two instructions. */
    avr->run_cycle_limit = machine.ram_stuck_mask ? 1 : BATCH_CYCLES;
    aim();
    feed_begin();
    while (avr->cycle < target && !stop) {
        if (dead) {
            if (bites_at > target) {
                avr->cycle = target;
                break;
            }
            avr->cycle = bites_at;
            machine_reset(WDRF, false, 0);
            continue;
        }
        int state = avr_run(avr);
        if (was_reset) {
            after_reset();
        }
        if (machine.ram_stuck_mask != 0) {
            avr->data[machine.ram_stuck] = (uint8_t)((avr->data[machine.ram_stuck] & ~machine.ram_stuck_mask) | machine.ram_stuck_level);
        }
        if (state == cpu_Done || state == cpu_Crashed) {
            dead = true;
            bites_at = bite();
            tell(KIND_STOPPED, (uint8_t)state, 0);
        }
    }
}

void machine_feed(const uint8_t *bytes, size_t length)
{
    for (size_t at = 0; at < length && waiting_count < WAITING_MAX; at++) {
        waiting[(waiting_from + waiting_count++) % WAITING_MAX] = bytes[at];
    }
}

void machine_take_back(void)
{
    waiting_count = 0;
}

void machine_reset(uint8_t mcusr, bool scramble, uint64_t held_cycles)
{
    for (uint32_t at = avr->ioend + 1u; scramble && at <= avr->ramend; at++) {
        avr->data[at] = (uint8_t)rand();
    }
    avr->data[MCUSR_AT] = 0;
    avr_reset(avr);
    avr->data[MCUSR_AT] = mcusr;
    line_begun = false;
    after_reset();
    avr->cycle += held_cycles;
    machine.held += held_cycles;
}

/* Where interrupts are on, so in no interrupt: the loop stands, the interrupts go on. */
void machine_freeze(void)
{
    for (int tries = 0; tries < 100000 && (!avr->sreg[7] || avr->interrupt_state != 0); tries++) {
        avr_run(avr);
    }
    frozen_at = avr->pc;
    memcpy(thawed, &avr->flash[frozen_at], sizeof thawed);
    memcpy(&avr->flash[frozen_at], "\xFF\xCF", 2);
}

static void quiet(avr_t *chip, const int level, const char *format, va_list ap)
{
    (void)chip, (void)level, (void)format, (void)ap;
}

void machine_start(const char *image, const char *chip)
{
    static uint8_t code[262144];
    FILE *file = fopen(image, "rb");
    size_t size = file == NULL ? 0 : fread(code, 1, sizeof code, file);
    uint32_t flags = 0;

    avr = avr_make_mcu_by_name(chip);
    if (size == 0 || avr == NULL) {
        fprintf(stderr, "%s: no firmware, or no chip %s\n", image, chip);
        exit(2);
    }
    fclose(file);
    machine.avr = avr;
    avr->log = LOG_NONE;
    avr_global_logger_set(quiet);
    avr_init(avr);
    avr_loadcode(avr, code, (uint32_t)size, 0);
    avr->codeend = avr->flashend;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = on_sleep;
    chip_reset = avr->reset;
    avr->reset = on_reset;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON), on_room, &may_feed);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), on_room, NULL);
    avr_irq_register_notify(avr_iomem_getirq(avr, EECR_AT, NULL, AVR_IOMEM_IRQ_ALL), on_eeprom, NULL);
    wiring_start(avr, on_edge);
}

/* What hangs on the chip's pins: contacts, contactor, buttons, fan, converters, and the watch on every output pin.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WIRING_H
#define WIRING_H

#include <stdbool.h>
#include <stdint.h>
#include <simavr/sim_avr.h>

#include "converters.h"
#include "pins.h"

#define NUMBER(name, letter, bit) PIN_##name,
typedef enum { PINS(NUMBER) PIN_COUNT } pin_number_t;

enum { /* bits of `hands`: what people, faults and the chamber do to the contacts */
    HAND_DOOR_SHUT = 0x001,
    HAND_LOCAL_STOP = 0x002,
    HAND_SMOKE = 0x004,
    HAND_ARM = 0x008,
    HAND_SILENCE = 0x010,
    HAND_MAINS = 0x020,
    HAND_LIMITER = 0x040,
    HAND_WELDED = 0x080,
    HAND_FAN = 0x100,
    HAND_FRAMING = 0x800, /* every byte that comes has no stop bit */
    HAND_FAN_NOISE = 0x400, /* its wire picks up 25 kHz */
    HAND_MODULATOR_STUCK = 0x200 /* the pin's driver is shorted to the supply: it reads high, whatever is written */
};

typedef struct {
    uint32_t hands;
    uint16_t current_mv;
    uint16_t aux_mv;
    int stuck_pin; /* an input that a fault holds at a level even while the firmware drives it; -1: none */
    bool stuck_high;
} outside_t;

extern converter_t converters[CONVERTERS];
extern outside_t outside;

/* Hooks everything to the chip. `edge(pin, level)` is told of every change of an output pin, `PORT AND DDR`. */
void wiring_start(avr_t *avr, void (*edge)(pin_number_t pin, bool high));

/* After a reset, which tells no hook: pins float, timers are gone. */
void wiring_reset(void);

/* Analogue inputs follow `outside`. */
void wiring_analogue(void);

/* The level of an output pin as it leaves the chip; a pin that is no output is held low by its pull-down. */
bool wiring_level(pin_number_t pin);

#endif

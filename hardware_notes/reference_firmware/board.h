/* The pins of pins.h as small functions: `pin_door_reads()`, `pin_modulator_high()`. No pin is touched in an interrupt. */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "pins.h"

/* One list of pins, several uses: D-2 */
#define PIN_VERBS(name, letter, bit) \
    static inline void pin_##name##_high(void) { PORT##letter |= (uint8_t)(1u << (bit)); } \
    static inline void pin_##name##_low(void) { PORT##letter &= (uint8_t)~(1u << (bit)); } \
    static inline void pin_##name##_drive(void) { DDR##letter |= (uint8_t)(1u << (bit)); } \
    static inline void pin_##name##_listen(void) { DDR##letter &= (uint8_t)~(1u << (bit)); } \
    static inline bool pin_##name##_reads(void) { return (PIN##letter & (uint8_t)(1u << (bit))) != 0u; } \
    static inline void pin_##name##_is(bool high) \
    { \
        if (high) { \
            pin_##name##_high(); \
        } else { \
            pin_##name##_low(); \
        } \
    }
PINS(PIN_VERBS)

#define ANALOGUE_NAMES(name, channel) ANALOGUE_##name = (channel),
enum { ANALOGUE(ANALOGUE_NAMES) };

#endif

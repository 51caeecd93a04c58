/* Time: a tick of 10 ms from timer 1, and a second timer that holds the ticks to their length. */
#ifndef CLOCK_H
#define CLOCK_H

#include <stdbool.h>
#include <stdint.h>

/* Starts the ticks. Call after `clock_cross_check`. */
void clock_start(void);

/* Compares the crystal with the watchdog's own oscillator, which takes 32 ms. The watchdog stays on. */
bool clock_cross_check(void);

/* Ticks since this was called before, at most 255. Moves the up time. */
uint8_t clock_take(void);

/* True while a tick waits. Interrupts must be off, if it decides about sleep. */
bool clock_waits(void);

/* Time since the reset: s, and 0 to 999,999 us. */
void clock_up(uint32_t *seconds, uint32_t *micros);

/* False for good once a tick came too early or too late. */
bool clock_steady(void);

#endif

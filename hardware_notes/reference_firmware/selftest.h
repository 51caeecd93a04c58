/* The board's test of itself: all of it at the start, then a slice a pass, round and round. Only the verdict leaves. */
#ifndef SELFTEST_H
#define SELFTEST_H

#include <stdbool.h>
#include <stdint.h>

/* Before anything else that uses the stack deeply: paints it. */
void selftest_paint(void);

/* Whole program, clock, and the verdict of the march before C began. Takes about 0.2 s. */
void selftest_start(void);

void selftest_pass(void);

/* False for good after one failure, until a reset. */
bool selftest_good(void);

/* CRC-32 over the program, as measured at the start. */
uint32_t selftest_hash(void);

/* MCUSR as the reset left it. */
uint8_t selftest_reset_flags(void);

#endif

/* The board's own memory: settings, watched byte by byte all the time, and the log of its life. Nothing here waits, but
 * for the reading at the start. */
#ifndef MEMORY_H
#define MEMORY_H

#include <stdbool.h>
#include <stdint.h>

#include "settings.h"

/* Reads everything, and begins to write this boot into the log. */
void memory_start(void);

/* At most one byte is checked or written. */
void memory_pass(void);

bool memory_good(void);
const identity_t *memory_identity(void);

/* What is in force: the stored limits, and while they are being written, or cannot be, the lower ceiling of both. */
const stored_limits_t *memory_limits(void);

/* Keeps a new board ceiling. It is stored and read back some passes later, or a second after the one before; where it
 * does not read back, the settings are not good until a reset. */
void memory_store(int32_t board_ceiling_mc);
bool memory_storing(void);

uint16_t memory_boot(void);
uint32_t memory_switches(void);

/* Writes the switch count down when it has risen by LIFE_EVERY. */
void memory_count(uint32_t switches);

#endif

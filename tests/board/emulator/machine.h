/* The chip and its time: runs the firmware, feeds its line, keeps what happened. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef MACHINE_H
#define MACHINE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <simavr/sim_avr.h>

#define BATCH_CYCLES 400
#define EVENTS_MAX 60000
#define SENT_MAX 65536
#define MCUSR_AT 0x54

enum { KIND_RESET = 100, KIND_DIFFERS = 101, KIND_LINE = 102, KIND_EEPROM = 103, KIND_STOPPED = 104 };
enum { STOP_EDGE = 1, STOP_RESET = 2, STOP_EEPROM = 4 };

typedef struct {
    uint64_t us;
    uint8_t kind;
    uint8_t value;
} event_t;

typedef struct {
    avr_t *avr;
    uint16_t outputs_at;
    event_t events[EVENTS_MAX]; /* since the parent took them */
    size_t event_count;
    uint8_t sent[SENT_MAX]; /* by the firmware's line */
    size_t sent_count;
    uint64_t asleep, held; /* cycles */
    uint8_t stops;         /* STOP_ bits */
    uint16_t ram_stuck;
    uint8_t ram_stuck_mask, ram_stuck_level;
    uint16_t worn_from, worn_to; /* bytes of the EEPROM that take no write, the last one excluded */
    uint8_t worn_byte[64];
} machine_t;

extern machine_t machine;

void machine_start(const char *image, const char *chip);
uint64_t machine_now_us(void);

/* Bytes for the firmware's line, behind those not yet gone; too many are lost. */
void machine_feed(const uint8_t *bytes, size_t length);
void machine_take_back(void);

/* Until the clock stands there, or what `stops` names has happened. */
void machine_run_until(uint64_t until_us);
void machine_reset(uint8_t mcusr, bool scramble, uint64_t held_cycles);
void machine_freeze(void);
void machine_wear(uint16_t at, uint8_t length);

#endif

/* Lamps, sounder and contacts, pure: what was told and pressed to what is shown and heard. Time comes in passes of 10 ms. */
#ifndef SIGNALS_H
#define SIGNALS_H

#include <stdbool.h>
#include <stdint.h>

typedef struct { /* the last T */
    uint8_t armed; /* 0 off, 1 on, 2 flashing */
    bool heating;
    bool hot;
    uint8_t sounder; /* 0 silent, 1 chirp, 2 alarm, 3 evacuate */
} told_t;

typedef struct {
    told_t told;
    uint8_t silenced; /* the highest level that keeps quiet after a press; 0 is none */
    bool button; /* it was pressed in the pass before */
    uint16_t lamp_at; /* passes into the lamps' pattern, and into the sounder's */
    uint16_t sound_at;
} signals_t;

typedef struct {
    bool armed;
    bool heating;
    bool hot;
    bool sounder;
} shown_t;

typedef enum { /* bits of a set of contacts */
    CONTACT_DOOR_SHUT = 0x01,
    CONTACT_LOCAL_STOP = 0x02,
    CONTACT_SMOKE = 0x04,
    CONTACT_ARM = 0x08,
    CONTACT_SILENCE = 0x10,
    CONTACT_CONTACTOR = 0x20, /* closed, by its auxiliary contact */
    CONTACT_MAINS = 0x40,
    CONTACT_LIMITER = 0x80
} contact_t;

typedef struct { /* a counter of two bits for each contact */
    uint8_t steady;
    uint8_t low;
    uint8_t high;
} contacts_t;

/* A higher level, or the end of sounding, ends a silence. */
void signals_tell(signals_t *signals, const told_t *told);

/* The silence button acts as it goes down, on what sounds then. */
void signals_pass(signals_t *signals, uint8_t passes, bool silence, shown_t *shown);

/* A contact has changed when three passes in a row read the same. Returns the steady set. */
uint8_t contacts_pass(contacts_t *contacts, uint8_t raw);

#endif

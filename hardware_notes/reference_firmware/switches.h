/* The two switches and the modulation window: part of the decisions, pure like them. See decide.h for the contract. */
#ifndef SWITCHES_H
#define SWITCHES_H

#include "decide.h"

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->silent, s->heated, s->on_passes, s->opens_in, s->ready_in, s->modulator_late, s->contactor_late, PULSE;
    ensures SANE(s);
    ensures s->silent == AGED(\old(s->silent), 480);
    ensures s->heated == (s->contactor ? AGED(\old(s->heated), 99999900) : \old(s->heated));
    ensures s->opens_in == LEFT(\old(s->opens_in)) && s->ready_in == LEFT(\old(s->ready_in));
    ensures s->modulator_late == LATE(in->modulator_reads, s->modulator, \old(s->modulator_late));
    ensures s->contactor_late == LATE(in->contactor_reads, s->contactor, \old(s->contactor_late)); */
void pass_time(state_t *s, const inputs_t *in);

/*@ requires \valid(s) && SANE(s);
    assigns s->contactor, s->opening, s->opens_in, s->ready_in, s->modulator, s->switches, PULSE;
    ensures SANE(s);
    ensures s->modulator ==> allowed && s->pulse.open && s->duty_e4 > 0;
    ensures s->contactor && !\old(s->contactor) ==> allowed && s->wants_contactor;
    ensures s->contactor ==> (allowed && s->wants_contactor) || (s->opening && 0 < s->opens_in <= 10);
    ensures \old(s->opening) && s->opening ==> s->opens_in == \old(s->opens_in) > 0; */
void settle(state_t *s, bool allowed);

#endif

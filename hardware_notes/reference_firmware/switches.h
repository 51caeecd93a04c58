/* The two switches and the modulation window: part of the decisions, pure like them. See decide.h for the contract. */
#ifndef SWITCHES_H
#define SWITCHES_H

#include "decide.h"

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->silent, s->heated, s->on_passes, s->opens_in, s->ready_in, s->modulator_late, s->contactor_late, PULSE;
    ensures SANE(s);
    ensures s->silent >= \old(s->silent) && s->heated >= \old(s->heated);
    ensures s->opens_in <= \old(s->opens_in); */
void pass_time(state_t *s, const inputs_t *in);

/*@ requires \valid(s) && SANE(s);
    assigns s->contactor, s->opening, s->opens_in, s->ready_in, s->modulator, s->switches, PULSE;
    ensures SANE(s);
    ensures s->modulator ==> allowed && s->pulse.open && s->duty_e4 > 0;
    ensures s->contactor ==> allowed || (s->opening && 0 < s->opens_in <= 10);
    ensures \old(s->opening) && s->opening ==> s->opens_in == \old(s->opens_in); */
void settle(state_t *s, bool allowed);

#endif

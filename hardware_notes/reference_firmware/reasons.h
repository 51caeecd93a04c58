/* Why the outputs must be off in this pass: part of the decisions, pure like them. See decide.h for the contract. */
#ifndef REASONS_H
#define REASONS_H

#include "decide.h"

/* Could this state have come from `decide`? Memory that has lost a bit must not become heat. */
/*@ requires \valid_read(s);
    assigns \nothing;
    ensures \result <==> SANE(s); */
bool is_sane(const state_t *s);

/* What ends an enable, and keeps a new one out, stands whatever an earlier row of the order says: a faulty sensor must not
 * hide a switch that does not open. Silence comes beside it, in `judge`: it ends an enable but keeps none out. */
/*@ requires \valid_read(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns \nothing;
    ensures \result || s->silent >= 480 <==> ENDS_THE_ENABLE(s); */
bool is_barred(const state_t *s, const inputs_t *in);

/* The first reason that stands, and with it the end of the enable where it says so. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    requires in->self_test_good || s->failed;
    assigns s->enabled, s->void_reason;
    ensures SANE(s);
    ensures \result == 0 <==> PERMISSIVES(s);
    ensures ENDS_THE_ENABLE(s) ==> !s->enabled && \result != 0;
    ensures s->enabled ==> \old(s->enabled);
    ensures s->failed ==> \result == 14;
    ensures !OWN_GOOD || !in->door_shut ==> \result != 0; */
uint8_t judge(state_t *s, const inputs_t *in);

#endif

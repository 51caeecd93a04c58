/* See reasons.h. One early return a row is the table of the manual; the prover reads it. */
#include "reasons.h"

bool is_sane(const state_t *s)
{
    bool numbers = (s->duty_e4 <= DUTY_FULL) && (s->window >= WINDOW_MIN) && (s->window <= WINDOW_MAX) &&
                   (s->silent <= SILENCE_PASSES) && (s->run_max_s <= RUN_MAX_S) && (s->heated <= HEATED_MAX) &&
                   (s->opens_in <= CONTACTOR_PASSES) && (s->ready_in <= CONTACTOR_PASSES) &&
                   (s->on_passes <= ON_PASSES_MAX) && (s->switches <= SWITCHES_MAX);
    bool pulse = (s->pulse.at <= AT_MAX) && (s->pulse.length <= WINDOW_MAX) && (s->pulse.shortest <= SHORTEST_PASSES) &&
                 (s->pulse.on_for <= AT_MAX) && (s->pulse.given <= AT_MAX) && (s->pulse.asked >= -ASKED_MAX) &&
                 (s->pulse.asked <= ASKED_MAX);
    bool reason = (s->void_reason >= OFF_RESET) && (s->void_reason <= OFF_SELF_TEST);
    return numbers && pulse && reason && (!s->opening || s->contactor) &&
           (!s->modulator || (s->pulse.open && (s->duty_e4 > 0u)));
}

/* Reasons to be off */

/*@ requires \valid_read(in);
    assigns \nothing;
    ensures \result <==> BELOW(limit_mc); */
static bool is_below(const inputs_t *in, int32_t limit_mc)
{
    /*@ loop invariant 0 <= i <= 3;
        loop invariant i > 0 ==> COOL(0, limit_mc);
        loop invariant i > 1 ==> COOL(1, limit_mc);
        loop invariant i > 2 ==> COOL(2, limit_mc);
        loop assigns i;
        loop variant 3 - i; */
    for (uint8_t i = 0u; i < CHANNELS; i++) {
        if (in->channels[i].fitted && (in->channels[i].faults == 0u) && !(in->channels[i].value_mc < limit_mc)) {
            return false;
        }
    }
    return true;
}

/*@ requires \valid_read(in) && channel < 3;
    assigns \nothing;
    ensures \result <==> (in->channels[channel].fitted && in->channels[channel].faults == 0); */
static bool is_good(const inputs_t *in, uint8_t channel)
{
    return in->channels[channel].fitted && (in->channels[channel].faults == 0u);
}

/*@ requires \valid_read(in);
    assigns \nothing;
    ensures \result <==> OWN_GOOD; */
static bool is_own_good(const inputs_t *in)
{
    return (((in->own & 1u) == 0u) || is_good(in, 0u)) &&
           (((in->own & 2u) == 0u) || is_good(in, 1u)) &&
           (((in->own & 4u) == 0u) || is_good(in, 2u));
}

/*@ requires \valid_read(in);
    assigns \nothing;
    ensures \result <==> (in->settings_good && 0 < in->board_ceiling_mc <= 400000 && 0 < in->longest_s <= 999999); */
static bool is_settings_good(const inputs_t *in)
{
    return in->settings_good && (in->board_ceiling_mc > 0) && (in->board_ceiling_mc <= CEILING_MAX_MC) &&
           (in->longest_s > 0u) && (in->longest_s <= RUN_MAX_S);
}

/* The first reason that stands, in the order of the manual. One early return a row is the table; the prover reads it. */
/*@ requires \valid_read(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    requires in->self_test_good || s->failed;
    assigns \nothing;
    ensures 0 <= \result <= 14;
    ensures \result == 0 ==> PERMISSIVES(s);
    ensures PERMISSIVES(s) ==> \result == 0;
    ensures s->failed ==> \result == 14;
    ensures \result == 2 ==> !s->enabled; */
static uint8_t off_reason(const state_t *s, const inputs_t *in)
{
    if (s->failed) {
        return OFF_SELF_TEST;
    }
    if (!is_settings_good(in)) {
        return OFF_SETTINGS;
    }
    if (in->local_stop) {
        return OFF_LOCAL_STOP;
    }
    if (in->smoke) {
        return OFF_SMOKE;
    }
    if (!is_below(in, in->board_ceiling_mc)) {
        return OFF_CEILING;
    }
    if (!is_below(in, s->run_ceiling_mc)) {
        return OFF_RUN_CEILING;
    }
    if (!(s->heated < (s->run_max_s * PASSES_PER_S))) {
        return OFF_RUN_TIME;
    }
    if (!is_own_good(in)) {
        return OFF_SENSOR;
    }
    if ((s->modulator_late > OUTPUT_LATE_PASSES) || (s->contactor_late > OUTPUT_LATE_PASSES)) {
        return OFF_OUTPUT;
    }
    if (!in->door_shut) {
        return OFF_DOOR;
    }
    if (s->session == 0u) {
        return OFF_RESET;
    }
    if (!s->enabled) {
        return OFF_NOT_ENABLED;
    }
    if (!(s->silent < SILENCE_PASSES)) {
        return OFF_HOST_SILENT;
    }
    return s->permit ? OFF_NONE : OFF_NO_PERMIT;
}

bool is_barred(const state_t *s, const inputs_t *in)
{
    return s->failed || !is_settings_good(in) || in->local_stop || in->smoke || !is_below(in, in->board_ceiling_mc) ||
           !is_below(in, s->run_ceiling_mc) || !(s->heated < (s->run_max_s * PASSES_PER_S)) ||
           (s->modulator_late > OUTPUT_LATE_PASSES) || (s->contactor_late > OUTPUT_LATE_PASSES);
}

/* What to remember of why the enable ended. */
/*@ requires \valid_read(s) && 1 <= reason <= 14;
    assigns \nothing;
    ensures 1 <= \result <= 14; */
static uint8_t void_reason(const state_t *s, uint8_t reason)
{
    bool holds_only = (reason == OFF_SENSOR) || (reason == OFF_DOOR);
    if (!holds_only) {
        return reason;
    }
    return (s->silent < SILENCE_PASSES) ? (uint8_t)OFF_OUTPUT : (uint8_t)OFF_HOST_SILENT;
}

uint8_t judge(state_t *s, const inputs_t *in)
{
    uint8_t reason = off_reason(s, in);
    /*@ assert reason == 0 ==> !ENDS_THE_ENABLE(s); */
    if (s->enabled && (is_barred(s, in) || !(s->silent < SILENCE_PASSES))) {
        s->enabled = false;
        s->void_reason = void_reason(s, reason);
    }
    return reason;
}

/* See decide.h. Order within a decision: time passes, the reasons to be off are looked for, the frame is heard, they are
 * looked for again, the switches are moved. Nothing is remembered of a permissive: each is looked at in every pass. */
#include "decide.h"
#include "reasons.h"
#include "switches.h"

#define WINDOW_FIRST 4000u /* passes, until a drive frame says another */

/* Frames. Each of these gives the refusal, REFUSAL_NONE where the frame was obeyed. */

/* Outputs off, enable void, limits back to the board's own. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->heated, s->run_ceiling_mc,
        s->run_max_s;
    ensures SANE(s);
    ensures !s->enabled && !s->permit; */
static void new_session(state_t *s, const inputs_t *in)
{
    s->enabled = false;
    s->void_reason = (uint8_t)OFF_NOT_ENABLED;
    s->permit = false;
    s->wants_contactor = false;
    s->silent = 0u;
    s->heated = 0u;
    s->run_ceiling_mc = in->board_ceiling_mc;
    s->run_max_s = (in->longest_s <= RUN_MAX_S) ? in->longest_s : 0u;
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->heated, s->run_ceiling_mc,
        s->run_max_s, s->session, s->heard;
    ensures SANE(s);
    ensures !s->enabled && !s->permit; */
static uint8_t hello(state_t *s, const inputs_t *in)
{
    bool stale = (in->frame.session == s->session) && (in->frame.sequence <= s->heard);
    new_session(s, in);
    if (stale) {
        return (uint8_t)REFUSAL_SEQUENCE;
    }
    s->session = in->frame.session;
    s->heard = in->frame.sequence;
    return (uint8_t)REFUSAL_NONE;
}

/* Of this session and newer than anything heard in it? Then it counts as heard. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->heard;
    ensures SANE(s);
    ensures \result == 0 ==> in->frame.session == s->session && s->session != 0 &&
        in->frame.sequence > \old(s->heard) && s->heard == in->frame.sequence;
    ensures \result != 0 ==> s->heard == \old(s->heard); */
static uint8_t fresh(state_t *s, const inputs_t *in)
{
    if ((s->session == 0u) || (in->frame.session != s->session)) {
        return (uint8_t)REFUSAL_SESSION;
    }
    if (in->frame.sequence <= s->heard) {
        return (uint8_t)REFUSAL_SEQUENCE;
    }
    s->heard = in->frame.sequence;
    return (uint8_t)REFUSAL_NONE;
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->enabled, s->permit, s->wants_contactor, s->silent;
    ensures SANE(s);
    ensures s->permit ==> \old(s->permit);
    ensures \result == 0 ==> s->enabled && !s->permit;
    ensures \result != 0 ==> s->enabled == \old(s->enabled) && s->silent == \old(s->silent);
    ensures \result != 0 ==> s->silent >= 480 || ENDS_THE_ENABLE(s); */
static uint8_t enable(state_t *s, const inputs_t *in)
{
    if (is_barred(s, in)) {
        return (uint8_t)REFUSAL_NOT_HELD;
    }
    s->enabled = true;
    s->permit = false;
    s->wants_contactor = false;
    s->silent = 0u;
    return (uint8_t)REFUSAL_NONE;
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->permit, s->wants_contactor, s->duty_e4, s->window, s->silent, s->modulator, PULSE;
    ensures SANE(s);
    ensures s->permit == in->frame.permit; */
static void drive(state_t *s, const inputs_t *in)
{
    uint32_t window = in->frame.window_ms / PASS_MS;
    s->permit = in->frame.permit;
    s->wants_contactor = in->frame.contactor;
    s->duty_e4 = (in->frame.duty_e4 <= DUTY_FULL) ? in->frame.duty_e4 : 0u;
    s->window = (uint16_t)((window < WINDOW_MIN) ? WINDOW_MIN : ((window > WINDOW_MAX) ? WINDOW_MAX : window));
    s->silent = 0u;
    if (s->duty_e4 == 0u) {
        s->modulator = false;
        s->pulse.open = false;
    }
}

/* A rise of the stored ceiling needs a hand on the board and both switches off; so does mending what is stored. */
/*@ requires \valid_read(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns \nothing;
    ensures \result == 0 && in->frame.has_board_ceiling ==> MAY_STORE;
    ensures \result == 0 && in->frame.has_run_ceiling ==> in->frame.run_ceiling_mc <= s->run_ceiling_mc;
    ensures \result == 0 && in->frame.has_run_ceiling && in->frame.has_board_ceiling ==>
        in->frame.run_ceiling_mc <= in->frame.board_ceiling_mc;
    ensures \result == 0 && in->frame.has_run_max ==> in->frame.run_max_s <= s->run_max_s; */
static uint8_t limits_refused(const state_t *s, const inputs_t *in)
{
    int32_t top_mc = s->run_ceiling_mc;
    if (in->frame.has_board_ceiling) {
        bool rises = !in->settings_good || (in->frame.board_ceiling_mc > in->board_ceiling_mc);
        if (rises && !in->local_stop) {
            return (uint8_t)REFUSAL_NOT_HELD;
        }
        if (rises && (s->modulator || s->contactor || in->modulator_reads || in->contactor_reads)) {
            return (uint8_t)REFUSAL_OUTPUTS_ON;
        }
        if ((in->frame.board_ceiling_mc <= 0) || (in->frame.board_ceiling_mc > CEILING_MAX_MC)) {
            return (uint8_t)REFUSAL_RANGE;
        }
        top_mc = (in->frame.board_ceiling_mc < top_mc) ? in->frame.board_ceiling_mc : top_mc;
    }
    if ((in->frame.has_run_ceiling && (in->frame.run_ceiling_mc > top_mc)) ||
        (in->frame.has_run_max && (in->frame.run_max_s > s->run_max_s))) {
        return (uint8_t)REFUSAL_LOOSENS;
    }
    return (uint8_t)REFUSAL_NONE;
}

/* All or nothing. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->run_ceiling_mc, s->run_max_s;
    ensures SANE(s);
    ensures s->run_ceiling_mc <= \old(s->run_ceiling_mc) && s->run_max_s <= \old(s->run_max_s);
    ensures \result == 0 && in->frame.has_board_ceiling ==>
        MAY_STORE && s->run_ceiling_mc <= in->frame.board_ceiling_mc; */
static uint8_t set_limits(state_t *s, const inputs_t *in)
{
    uint8_t refusal = limits_refused(s, in);
    if (refusal != (uint8_t)REFUSAL_NONE) {
        return refusal;
    }
    if (in->frame.has_board_ceiling && (in->frame.board_ceiling_mc < s->run_ceiling_mc)) {
        s->run_ceiling_mc = in->frame.board_ceiling_mc;
    }
    if (in->frame.has_run_ceiling) {
        s->run_ceiling_mc = in->frame.run_ceiling_mc;
    }
    if (in->frame.has_run_max) {
        s->run_max_s = in->frame.run_max_s;
    }
    return refusal;
}

/* A frame other than a hello. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    requires 2 <= in->frame.kind <= 5;
    assigns s->heard, s->enabled, s->permit, s->wants_contactor, s->silent, s->duty_e4, s->window, s->modulator,
        PULSE, s->run_ceiling_mc, s->run_max_s;
    ensures SANE(s);
    ensures s->enabled && !\old(s->enabled) ==> in->frame.kind == 2 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.sequence == s->heard;
    ensures s->permit && !\old(s->permit) ==> in->frame.kind == 3 && s->session != 0 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.permit;
    ensures in->frame.kind == 2 && s->enabled && \old(s->heard) != s->heard ==>
        !s->permit || s->silent >= 480 || ENDS_THE_ENABLE(s);
    ensures s->silent < \old(s->silent) ==> in->frame.kind == 2 || in->frame.kind == 3;
    ensures s->run_ceiling_mc <= \old(s->run_ceiling_mc) && s->run_max_s <= \old(s->run_max_s);
    ensures \result == 0 && in->frame.kind == 5 && in->frame.has_board_ceiling ==>
        MAY_STORE && s->run_ceiling_mc <= in->frame.board_ceiling_mc; */
static uint8_t obey(state_t *s, const inputs_t *in)
{
    uint8_t refusal = fresh(s, in);
    if (refusal != (uint8_t)REFUSAL_NONE) {
        return refusal;
    }
    if (in->frame.kind == (uint8_t)FRAME_ENABLE) {
        return enable(s, in);
    }
    if (in->frame.kind == (uint8_t)FRAME_LIMITS) {
        return set_limits(s, in);
    }
    if (in->frame.kind == (uint8_t)FRAME_DRIVE) {
        drive(s, in);
    }
    return refusal; /* a tell frame moves no switch: the caller shows it */
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->session, s->heard, s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->duty_e4,
        s->window, s->modulator, PULSE, s->run_ceiling_mc, s->run_max_s, s->heated;
    ensures SANE(s);
    ensures s->enabled && !\old(s->enabled) ==> in->frame.kind == 2 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.sequence == s->heard;
    ensures s->permit && !\old(s->permit) ==> in->frame.kind == 3 && s->session != 0 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.permit;
    ensures in->frame.kind == 1 ==> !s->enabled && !s->permit;
    ensures in->frame.kind == 2 && s->enabled && \old(s->heard) != s->heard ==>
        !s->permit || s->silent >= 480 || ENDS_THE_ENABLE(s);
    ensures s->silent < \old(s->silent) ==> in->frame.kind == 1 || in->frame.kind == 2 || in->frame.kind == 3;
    ensures in->frame.kind != 1 ==> s->run_ceiling_mc <= \old(s->run_ceiling_mc) &&
        s->run_max_s <= \old(s->run_max_s) && s->heated == \old(s->heated);
    ensures \result == 0 && in->frame.kind == 5 && in->frame.has_board_ceiling ==>
        MAY_STORE && s->run_ceiling_mc <= in->frame.board_ceiling_mc; */
static uint8_t hear(state_t *s, const inputs_t *in)
{
    if (in->frame.kind == (uint8_t)FRAME_HELLO) {
        return hello(s, in);
    }
    if (in->frame.kind == (uint8_t)FRAME_BAD) {
        return in->frame.refusal;
    }
    if ((in->frame.kind == (uint8_t)FRAME_NONE) || (in->frame.kind > (uint8_t)FRAME_BAD)) {
        return (uint8_t)REFUSAL_NONE;
    }
    return obey(s, in);
}

/*@ requires \valid_read(s) && \valid_read(in) && \valid(out) && \separated(s, in, out);
    requires refusal == 0 && in->frame.kind == 5 && in->frame.has_board_ceiling ==> MAY_STORE;
    assigns *out;
    ensures out->modulator == s->modulator && out->contactor == s->contactor && out->off == off;
    ensures out->store ==> in->frame.kind == 5 && in->frame.has_board_ceiling && MAY_STORE &&
        out->store_ceiling_mc == in->frame.board_ceiling_mc; */
static void put_out(const state_t *s, const inputs_t *in, uint8_t refusal, uint8_t off, outputs_t *out)
{
    bool done = (refusal == (uint8_t)REFUSAL_NONE);
    bool hello_done = done && (in->frame.kind == (uint8_t)FRAME_HELLO);
    bool limits_done = done && (in->frame.kind == (uint8_t)FRAME_LIMITS);
    uint8_t answer = hello_done ? (uint8_t)ANSWER_WELCOME : (limits_done ? (uint8_t)ANSWER_LIMITS : (uint8_t)ANSWER_NONE);
    out->modulator = s->modulator;
    out->contactor = s->contactor;
    out->off = off;
    out->answer = done ? answer : (uint8_t)ANSWER_REFUSAL;
    out->refusal = refusal;
    out->tell = done && (in->frame.kind == (uint8_t)FRAME_TELL);
    out->store = limits_done && in->frame.has_board_ceiling;
    out->store_ceiling_mc = in->frame.board_ceiling_mc;
}

void decide_reset(state_t *state, uint32_t switches, int32_t board_ceiling_mc, uint32_t longest_s)
{
    /* Field by field, so that the prover sees each of them. */
    state->session = 0u;
    state->heard = 0u;
    state->enabled = false;
    state->failed = false;
    state->void_reason = (uint8_t)OFF_NOT_ENABLED;
    state->run_ceiling_mc = board_ceiling_mc;
    state->run_max_s = (longest_s <= RUN_MAX_S) ? longest_s : 0u;
    state->permit = false;
    state->wants_contactor = false;
    state->duty_e4 = 0u;
    state->window = WINDOW_FIRST;
    state->silent = 0u;
    state->heated = 0u;
    state->modulator = false;
    state->contactor = false;
    state->opening = false;
    state->opens_in = 0u;
    state->ready_in = 0u;
    state->modulator_late = 0u;
    state->contactor_late = 0u;
    state->pulse.open = false;
    state->pulse.pulsed = false;
    state->pulse.at = 0u;
    state->pulse.length = 0u;
    state->pulse.shortest = 0u;
    state->pulse.on_for = 0u;
    state->pulse.given = 0u;
    state->pulse.asked = 0;
    state->on_passes = 0u;
    state->switches = (switches < SWITCHES_MAX) ? switches : SWITCHES_MAX;
}

/* The stages of a decision, each with what it leaves to the next. */

/* A state that cannot be, or a failed self-test, is remembered until a reset. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in);
    assigns *s;
    ensures SANE(s);
    ensures \old(s->failed) || !in->self_test_good ==> s->failed;
    ensures s->enabled ==> \old(s->enabled);
    ensures s->permit ==> \old(s->permit);
    ensures s->session == 0 || s->heard == \old(s->heard);
    ensures s->opening ==> s->opens_in == \old(s->opens_in) && \old(s->opening);
    ensures s->failed || (s->silent == \old(s->silent) && s->heated == \old(s->heated) && s->heard == \old(s->heard) &&
        s->run_ceiling_mc == \old(s->run_ceiling_mc) && s->run_max_s == \old(s->run_max_s)); */
static void check_state(state_t *s, const inputs_t *in)
{
    if (!is_sane(s)) {
        decide_reset(s, s->switches, in->board_ceiling_mc, in->longest_s);
        s->failed = true;
    }
    if (!in->self_test_good) {
        s->failed = true;
    }
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    requires in->self_test_good || s->failed;
    assigns s->silent, s->heated, s->on_passes, s->opens_in, s->ready_in, s->modulator_late, s->contactor_late, PULSE,
        s->enabled, s->void_reason;
    ensures SANE(s);
    ensures s->enabled ==> \old(s->enabled);
    ensures s->silent >= \old(s->silent) && s->heated >= \old(s->heated);
    ensures s->opens_in <= \old(s->opens_in); */
static void before_frame(state_t *s, const inputs_t *in)
{
    pass_time(s, in);
    (void)judge(s, in);
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    requires in->self_test_good || s->failed;
    assigns s->enabled, s->void_reason, s->contactor, s->opening, s->opens_in, s->ready_in, s->modulator, s->switches,
        PULSE;
    ensures SANE(s);
    ensures s->modulator ==> PERMISSIVES(s) && s->pulse.open && 0 < s->duty_e4 <= 10000;
    ensures s->contactor ==> PERMISSIVES(s) || (s->opening && 0 < s->opens_in <= 10);
    ensures \result == 0 <==> PERMISSIVES(s);
    ensures ENDS_THE_ENABLE(s) ==> !s->enabled;
    ensures s->failed ==> \result == 14;
    ensures !OWN_GOOD || !in->door_shut ==> \result != 0;
    ensures s->enabled ==> \old(s->enabled);
    ensures \old(s->opening) && s->opening ==> s->opens_in == \old(s->opens_in); */
static uint8_t after_frame(state_t *s, const inputs_t *in)
{
    uint8_t reason = judge(s, in);
    settle(s, reason == (uint8_t)OFF_NONE);
    return (reason == (uint8_t)OFF_NOT_ENABLED) ? s->void_reason : reason;
}

void decide(state_t *state, const inputs_t *in, outputs_t *out)
{
    check_state(state, in);
    before_frame(state, in);
    uint8_t refusal = hear(state, in);
    uint8_t off = after_frame(state, in);
    put_out(state, in, refusal, off, out);
}

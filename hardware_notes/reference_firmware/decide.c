/* See decide.h. Order within a decision: time passes, the reasons to be off are looked for, the frame is heard, they are
 * looked for again, the switches are moved. Nothing is remembered of a permissive: each is looked at in every pass. */
#include "decide.h"
#include "reasons.h"
#include "switches.h"

#define WINDOW_FIRST 4000u /* passes, until a drive frame says another */

/* Frames. Each of these gives the refusal, REFUSAL_NONE where the frame was obeyed. */

/* A hello that is refused: off and the enable void, but the session and its limits stay as they were. */
/*@ requires \valid(s) && SANE(s);
    assigns s->enabled, s->void_reason, s->permit, s->wants_contactor;
    ensures SANE(s);
    ensures !s->enabled && !s->permit;
    ensures !\old(s->enabled) ==> s->void_reason == \old(s->void_reason); */
static void let_go(state_t *s)
{
    if (s->enabled) {
        s->void_reason = (uint8_t)OFF_NOT_ENABLED;
    }
    s->enabled = false;
    s->permit = false;
    s->wants_contactor = false;
}

/* Outputs off, enable void, limits back to the board's own. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->heated, s->run_ceiling_mc,
        s->run_max_s;
    ensures SANE(s);
    ensures !s->enabled && !s->permit && s->silent == 0;
    ensures s->run_ceiling_mc == in->board_ceiling_mc && s->run_max_s <= in->longest_s && s->heated == 0; */
static void new_session(state_t *s, const inputs_t *in)
{
    let_go(s);
    s->void_reason = (uint8_t)OFF_NOT_ENABLED;
    s->silent = 0u;
    s->heated = 0u;
    s->run_ceiling_mc = in->board_ceiling_mc;
    s->run_max_s = (in->longest_s <= RUN_MAX_S) ? in->longest_s : 0u;
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    requires in->frame.kind == 1;
    assigns s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->heated, s->run_ceiling_mc,
        s->run_max_s, s->session, s->heard;
    ensures SANE(s);
    ensures !s->enabled && !s->permit;
    ensures s->silent == 0 || s->silent == \old(s->silent);
    ensures STALE_HELLO(\old(s->session), \old(s->heard)) ==> s->heard == \old(s->heard) && s->heated == \old(s->heated) &&
        s->run_ceiling_mc == \old(s->run_ceiling_mc) && s->run_max_s == \old(s->run_max_s); */
static uint8_t hello(state_t *s, const inputs_t *in)
{
    if ((in->frame.session == s->session) && (in->frame.sequence <= s->heard)) {
        let_go(s);
        return (uint8_t)REFUSAL_SEQUENCE;
    }
    new_session(s, in);
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
    ensures \result == 0 ==> s->enabled && !s->permit && s->silent == 0;
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
    ensures s->permit == in->frame.permit && s->silent == 0; */
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
    ensures \result == 0 && in->frame.has_board_ceiling && in->frame.board_ceiling_mc > in->board_ceiling_mc ==>
        !s->modulator && !s->contactor;
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
    requires 2 <= in->frame.kind <= 5 || in->frame.kind == 7;
    assigns s->heard, s->enabled, s->permit, s->wants_contactor, s->silent, s->duty_e4, s->window, s->modulator,
        PULSE, s->run_ceiling_mc, s->run_max_s;
    ensures SANE(s);
    ensures s->enabled && !\old(s->enabled) ==> in->frame.kind == 2 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.sequence == s->heard;
    ensures s->permit && !\old(s->permit) ==> in->frame.kind == 3 && s->session != 0 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.permit;
    ensures in->frame.kind == 2 && s->enabled && \old(s->heard) != s->heard ==>
        !s->permit || s->silent >= 480 || ENDS_THE_ENABLE(s);
    ensures s->silent == \old(s->silent) || (s->silent == 0 && (in->frame.kind == 2 || in->frame.kind == 3) &&
        in->frame.session == s->session && in->frame.sequence > \old(s->heard));
    ensures s->run_ceiling_mc <= \old(s->run_ceiling_mc) && s->run_max_s <= \old(s->run_max_s);
    ensures \result == 0 ==> in->frame.session == s->session && s->session != 0 && in->frame.sequence > \old(s->heard);
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
    return refusal; /* a tell moves no switch: the caller shows it; a stall is judged when they have been moved */
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && SANE(s);
    assigns s->session, s->heard, s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->duty_e4,
        s->window, s->modulator, PULSE, s->run_ceiling_mc, s->run_max_s, s->heated;
    ensures SANE(s);
    ensures s->enabled && !\old(s->enabled) ==> in->frame.kind == 2 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.sequence == s->heard;
    ensures s->permit && !\old(s->permit) ==> in->frame.kind == 3 && s->session != 0 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.permit;
    ensures in->frame.kind != 1 ==> s->session == \old(s->session);
    ensures in->frame.kind == 1 || (in->frame.kind == 6 && in->frame.hello) ==> !s->enabled && !s->permit;
    ensures in->frame.kind == 2 && s->enabled && \old(s->heard) != s->heard ==>
        !s->permit || s->silent >= 480 || ENDS_THE_ENABLE(s);
    ensures s->silent == \old(s->silent) || (s->silent == 0 && (in->frame.kind == 1 ||
        ((in->frame.kind == 2 || in->frame.kind == 3) && in->frame.session == s->session &&
         in->frame.sequence > \old(s->heard))));
    ensures in->frame.kind != 1 || STALE_HELLO(\old(s->session), \old(s->heard)) ==>
        s->run_ceiling_mc <= \old(s->run_ceiling_mc) && s->run_max_s <= \old(s->run_max_s) &&
        s->heated == \old(s->heated);
    ensures \result == 0 && in->frame.kind == 7 ==> in->frame.session == s->session && s->session != 0 &&
        in->frame.sequence > \old(s->heard);
    ensures \result == 0 && in->frame.kind == 5 && in->frame.has_board_ceiling ==>
        MAY_STORE && s->run_ceiling_mc <= in->frame.board_ceiling_mc; */
static uint8_t hear(state_t *s, const inputs_t *in)
{
    if (in->frame.kind == (uint8_t)FRAME_HELLO) {
        return hello(s, in);
    }
    if (in->frame.kind == (uint8_t)FRAME_BAD) {
        if (in->frame.hello) {
            let_go(s);
        }
        return in->frame.refusal;
    }
    if ((in->frame.kind == (uint8_t)FRAME_NONE) || (in->frame.kind > (uint8_t)FRAME_STALL)) {
        return (uint8_t)REFUSAL_NONE;
    }
    return obey(s, in);
}

/* With the contactor open nothing heats, even where no watchdog ends the stall. Asked after the switches have moved. */
/*@ requires \valid_read(s) && \valid_read(in) && \separated(s, in);
    assigns \nothing;
    ensures \result == 0 ==> s->enabled && !s->contactor && !in->contactor_reads; */
static uint8_t stall_refused(const state_t *s, const inputs_t *in)
{
    if (!s->enabled) {
        return (uint8_t)REFUSAL_NOT_HELD;
    }
    return (s->contactor || in->contactor_reads) ? (uint8_t)REFUSAL_OUTPUTS_ON : (uint8_t)REFUSAL_NONE;
}

/*@ requires \valid_read(s) && \valid_read(in) && \valid(out) && \separated(s, in, out);
    requires refusal == 0 && in->frame.kind == 5 && in->frame.has_board_ceiling ==> MAY_STORE;
    assigns ANSWER;
    ensures out->modulator == s->modulator && out->contactor == s->contactor && out->off == off;
    ensures out->stall ==> refusal == 0 && in->frame.kind == 7;
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
    out->stall = done && (in->frame.kind == (uint8_t)FRAME_STALL);
    out->store = limits_done && in->frame.has_board_ceiling;
    out->store_ceiling_mc = in->frame.board_ceiling_mc;
}

void decide_reset(state_t *s, uint32_t switches, int32_t board_ceiling_mc, uint32_t longest_s)
{
    /* Field by field, so that the prover sees each of them. */
    s->session = 0u;
    s->heard = 0u;
    s->enabled = false;
    s->failed = false;
    s->void_reason = (uint8_t)OFF_NOT_ENABLED;
    s->run_ceiling_mc = board_ceiling_mc;
    s->run_max_s = (longest_s <= RUN_MAX_S) ? longest_s : 0u;
    s->permit = false;
    s->wants_contactor = false;
    s->duty_e4 = 0u;
    s->window = WINDOW_FIRST;
    s->silent = 0u;
    s->heated = 0u;
    s->modulator = false;
    s->contactor = false;
    s->opening = false;
    s->opens_in = 0u;
    s->ready_in = 0u;
    s->modulator_late = 0u;
    s->contactor_late = 0u;
    s->pulse.open = false;
    s->pulse.pulsed = false;
    s->pulse.at = 0u;
    s->pulse.length = 0u;
    s->pulse.shortest = 0u;
    s->pulse.on_for = 0u;
    s->pulse.given = 0u;
    s->pulse.asked = 0;
    s->on_passes = 0u;
    s->switches = (switches < SWITCHES_MAX) ? switches : SWITCHES_MAX;
}

/* The stages of a decision follow, each with what it leaves to the next. First: a state that cannot be, or a failed
 * self-test, is remembered until a reset. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in);
    assigns STATE;
    ensures SANE(s);
    ensures \old(s->failed) || !in->self_test_good ==> s->failed;
    ensures s->enabled ==> \old(s->enabled);
    ensures s->permit ==> \old(s->permit);
    ensures s->contactor ==> \old(s->contactor);
    ensures s->session == 0 || s->heard == \old(s->heard);
    ensures s->opening ==> s->opens_in == \old(s->opens_in) && \old(s->opening);
    ensures s->failed || (s->modulator == \old(s->modulator) && s->contactor == \old(s->contactor) &&
        s->modulator_late == \old(s->modulator_late) && s->contactor_late == \old(s->contactor_late) &&
        s->session == \old(s->session) && s->opening == \old(s->opening) && s->opens_in == \old(s->opens_in));
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
    ensures s->silent == AGED(\old(s->silent), 480);
    ensures s->heated == (s->contactor ? AGED(\old(s->heated), 99999900) : \old(s->heated));
    ensures s->opens_in == LEFT(\old(s->opens_in));
    ensures s->modulator_late == LATE(in->modulator_reads, s->modulator, \old(s->modulator_late));
    ensures s->contactor_late == LATE(in->contactor_reads, s->contactor, \old(s->contactor_late)); */
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
    ensures s->contactor ==> (PERMISSIVES(s) && s->wants_contactor) || (s->opening && 0 < s->opens_in <= 10);
    ensures \result == 0 <==> PERMISSIVES(s);
    ensures s->contactor && !\old(s->contactor) ==> PERMISSIVES(s) && s->wants_contactor;
    ensures ENDS_THE_ENABLE(s) ==> !s->enabled;
    ensures s->failed ==> \result == 14;
    ensures !OWN_GOOD || !in->door_shut ==> \result != 0;
    ensures s->enabled ==> \old(s->enabled);
    ensures \old(s->opening) && s->opening ==> s->opens_in == \old(s->opens_in) > 0; */
static uint8_t after_frame(state_t *s, const inputs_t *in)
{
    uint8_t reason = judge(s, in);
    settle(s, reason == (uint8_t)OFF_NONE);
    return (reason == (uint8_t)OFF_NOT_ENABLED) ? s->void_reason : reason;
}

void decide(state_t *s, const inputs_t *in, outputs_t *out)
{
    check_state(s, in);
    before_frame(s, in);
    uint8_t refusal = hear(s, in);
    uint8_t off = after_frame(s, in);
    if ((in->frame.kind == (uint8_t)FRAME_STALL) && (refusal == (uint8_t)REFUSAL_NONE)) {
        refusal = stall_refused(s, in);
    }
    put_out(s, in, refusal, off, out);
}

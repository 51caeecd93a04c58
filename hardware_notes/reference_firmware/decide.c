/* See decide.h. Order within a decision: time passes, the reasons to be off are looked for, the frame is heard, they are
 * looked for again, the switches are moved. Nothing is remembered of a permissive: each is looked at in every pass. */
#include "decide.h"

#define ASKED_MAX 1300000000 /* passes times duty: one window carried and one more asked, with room to spare */
#define WINDOW_MIN 100u /* passes; likewise the next */
#define WINDOW_MAX 60000u
#define WINDOW_FIRST 4000u /* until a drive frame says another */
#define AT_MAX 60255u /* a window's length and one late pass */
#define HEATED_MAX (RUN_MAX_S * PASSES_PER_S)
#define ON_PASSES_MAX 999999u

/* Could this state have come from `decide`? Memory that has lost a bit must not become heat. */
/*@ requires \valid_read(s);
    assigns \nothing;
    ensures \result <==> sane(s); */
static bool is_sane(const state_t *s)
{
    const window_t *p = &s->pulse;
    bool numbers = (s->duty_e4 <= DUTY_FULL) && (s->window >= WINDOW_MIN) && (s->window <= WINDOW_MAX) &&
                   (s->silent <= SILENCE_PASSES) && (s->run_max_s <= RUN_MAX_S) && (s->heated <= HEATED_MAX) &&
                   (s->opens_in <= CONTACTOR_PASSES) && (s->ready_in <= CONTACTOR_PASSES) &&
                   (s->on_passes <= ON_PASSES_MAX) && (s->switches <= SWITCHES_MAX);
    bool pulse = (p->at <= AT_MAX) && (p->length <= WINDOW_MAX) && (p->shortest <= SHORTEST_PASSES) &&
                 (p->on_for <= AT_MAX) && (p->given <= AT_MAX) && (p->asked >= -ASKED_MAX) && (p->asked <= ASKED_MAX);
    bool reason = (s->void_reason >= OFF_RESET) && (s->void_reason <= OFF_SELF_TEST);
    return numbers && pulse && reason && (!s->opening || s->contactor) && (!s->modulator || (p->open && (s->duty_e4 > 0u)));
}

/* Time */

/*@ requires a <= most <= 100000000;
    assigns \nothing;
    ensures \result == (a + n < most ? a + n : most); */
static uint32_t more(uint32_t a, uint8_t n, uint32_t most)
{
    uint32_t sum = a + n;
    return (sum < most) ? sum : most;
}

/*@ assigns \nothing;
    ensures \result == (a > n ? a - n : 0); */
static uint8_t less(uint8_t a, uint8_t n)
{
    return (a > n) ? (uint8_t)(a - n) : 0u;
}

/*@ requires least <= most && -2000000000 <= least && most <= 2000000000;
    assigns \nothing;
    ensures \result == (value < least ? least : (value > most ? most : value)); */
static int32_t clamped(int32_t value, int32_t least, int32_t most)
{
    int32_t low = (value < least) ? least : value;
    return (low > most) ? most : low;
}

/* Duty over a time, in passes times duty. */
/*@ requires duty_e4 <= 10000 && passes <= 60255;
    assigns \nothing;
    ensures \result == duty_e4 * passes;
    ensures 0 <= \result <= 602550000; */
static int32_t over(uint16_t duty_e4, uint16_t passes)
{
    /*@ assert 0 <= duty_e4 * passes <= 10000 * passes; */
    return (int32_t)((uint32_t)duty_e4 * (uint32_t)passes);
}

/*@ requires \valid(s) && sane(s);
    assigns s->pulse;
    ensures sane(s);
    ensures s->pulse.open == \old(s->pulse.open); */
static void pass_window(state_t *s, uint8_t passes)
{
    window_t *p = &s->pulse;
    if (p->open) {
        p->asked = clamped(p->asked + over(s->duty_e4, passes), -ASKED_MAX, ASKED_MAX);
        p->at = (uint16_t)more(p->at, passes, AT_MAX);
    }
    if (s->modulator) {
        p->given = (uint16_t)more(p->given, passes, AT_MAX);
        p->on_for = (uint16_t)more(p->on_for, passes, AT_MAX);
    }
}

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns s->silent, s->heated, s->on_passes, s->opens_in, s->ready_in, s->modulator_late, s->contactor_late, s->pulse;
    ensures sane(s);
    ensures s->silent >= \old(s->silent) && s->heated >= \old(s->heated);
    ensures s->opens_in <= \old(s->opens_in); */
static void pass_time(state_t *s, const inputs_t *in)
{
    uint8_t passes = in->passes;
    s->silent = (uint16_t)more(s->silent, passes, SILENCE_PASSES);
    s->opens_in = less(s->opens_in, passes);
    s->ready_in = less(s->ready_in, passes);
    s->modulator_late = (in->modulator_reads && !s->modulator) ? (uint8_t)more(s->modulator_late, passes, 255u) : 0u;
    s->contactor_late = (in->contactor_reads && !s->contactor) ? (uint8_t)more(s->contactor_late, passes, 255u) : 0u;
    if (s->contactor) {
        s->heated = more(s->heated, passes, HEATED_MAX);
    }
    if (s->modulator) {
        s->on_passes = more(s->on_passes, passes, ON_PASSES_MAX);
    }
    pass_window(s, passes);
}

/* Reasons to be off */

/*@ requires \valid_read(in);
    assigns \nothing;
    ensures \result <==> below(in, limit_mc); */
static bool is_below(const inputs_t *in, int32_t limit_mc)
{
    /*@ loop invariant 0 <= i <= 3;
        loop invariant i > 0 ==> cool(&in->channels[0], limit_mc);
        loop invariant i > 1 ==> cool(&in->channels[1], limit_mc);
        loop invariant i > 2 ==> cool(&in->channels[2], limit_mc);
        loop assigns i;
        loop variant 3 - i; */
    for (uint8_t i = 0u; i < CHANNELS; i++) {
        const channel_t *one = &in->channels[i];
        if (one->fitted && (one->faults == 0u) && !(one->value_mc < limit_mc)) {
            return false;
        }
    }
    return true;
}

/*@ requires \valid_read(one);
    assigns \nothing;
    ensures \result <==> (one->fitted && one->faults == 0); */
static bool is_good(const channel_t *one)
{
    return one->fitted && (one->faults == 0u);
}

/*@ requires \valid_read(in);
    assigns \nothing;
    ensures \result <==> own_good(in); */
static bool is_own_good(const inputs_t *in)
{
    return (((in->own & 1u) == 0u) || is_good(&in->channels[0])) &&
           (((in->own & 2u) == 0u) || is_good(&in->channels[1])) &&
           (((in->own & 4u) == 0u) || is_good(&in->channels[2]));
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
/*@ requires \valid_read(s) && \valid_read(in) && \separated(s, in) && sane(s);
    requires in->self_test_good || s->failed;
    assigns \nothing;
    ensures 0 <= \result <= 14;
    ensures \result == 0 <==> permissives(s, in);
    ensures ends_the_enable(s, in) && s->enabled ==> \result != 0 && \result != 1 && \result != 2 && \result != 3;
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

/* What ends an enable, and keeps a new one out, stands whatever an earlier row of the order says: a faulty sensor must not
 * hide a switch that does not open. Silence comes beside it, in `judge`: it ends an enable but keeps none out. */
/*@ requires \valid_read(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns \nothing;
    ensures \result || s->silent >= 480 <==> ends_the_enable(s, in); */
static bool is_barred(const state_t *s, const inputs_t *in)
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

/* The first reason that stands, and with it the end of the enable where it says so. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    requires in->self_test_good || s->failed;
    assigns s->enabled, s->void_reason;
    ensures sane(s);
    ensures \result == 0 <==> permissives(s, in);
    ensures ends_the_enable(s, in) ==> !s->enabled && \result != 0;
    ensures s->enabled ==> \old(s->enabled);
    ensures s->failed ==> \result == 14;
    ensures !own_good(in) || !in->door_shut ==> \result != 0; */
static uint8_t judge(state_t *s, const inputs_t *in)
{
    uint8_t reason = off_reason(s, in);
    /*@ assert reason == 0 ==> !ends_the_enable(s, in); */
    if (s->enabled && (is_barred(s, in) || !(s->silent < SILENCE_PASSES))) {
        s->enabled = false;
        s->void_reason = void_reason(s, reason);
    }
    return reason;
}

/* Frames. Each of these gives the refusal, REFUSAL_NONE where the frame was obeyed. */

/* Outputs off, enable void, limits back to the board's own. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->heated, s->run_ceiling_mc,
        s->run_max_s;
    ensures sane(s);
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

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->heated, s->run_ceiling_mc,
        s->run_max_s, s->session, s->heard;
    ensures sane(s);
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
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns s->heard;
    ensures sane(s);
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

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns s->enabled, s->permit, s->wants_contactor, s->silent;
    ensures sane(s);
    ensures s->permit ==> \old(s->permit);
    ensures \result == 0 ==> s->enabled && !s->permit;
    ensures \result != 0 ==> s->enabled == \old(s->enabled) && s->silent == \old(s->silent);
    ensures \result != 0 ==> s->silent >= 480 || ends_the_enable(s, in); */
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

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns s->permit, s->wants_contactor, s->duty_e4, s->window, s->silent, s->modulator, s->pulse;
    ensures sane(s);
    ensures s->permit == in->frame.permit; */
static void drive(state_t *s, const inputs_t *in)
{
    const frame_t *frame = &in->frame;
    uint32_t window = frame->window_ms / PASS_MS;
    s->permit = frame->permit;
    s->wants_contactor = frame->contactor;
    s->duty_e4 = (frame->duty_e4 <= DUTY_FULL) ? frame->duty_e4 : 0u;
    s->window = (uint16_t)((window < WINDOW_MIN) ? WINDOW_MIN : ((window > WINDOW_MAX) ? WINDOW_MAX : window));
    s->silent = 0u;
    if (s->duty_e4 == 0u) {
        s->modulator = false;
        s->pulse.open = false;
    }
}

/* A rise of the stored ceiling needs a hand on the board and both switches off; so does mending what is stored. */
/*@ requires \valid_read(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns \nothing;
    ensures \result == 0 && in->frame.has_board_ceiling ==> may_store(in);
    ensures \result == 0 && in->frame.has_run_ceiling ==> in->frame.run_ceiling_mc <= s->run_ceiling_mc;
    ensures \result == 0 && in->frame.has_run_ceiling && in->frame.has_board_ceiling ==>
        in->frame.run_ceiling_mc <= in->frame.board_ceiling_mc;
    ensures \result == 0 && in->frame.has_run_max ==> in->frame.run_max_s <= s->run_max_s; */
static uint8_t limits_refused(const state_t *s, const inputs_t *in)
{
    const frame_t *asked = &in->frame;
    int32_t top_mc = s->run_ceiling_mc;
    if (asked->has_board_ceiling) {
        bool rises = !in->settings_good || (asked->board_ceiling_mc > in->board_ceiling_mc);
        if (rises && !in->local_stop) {
            return (uint8_t)REFUSAL_NOT_HELD;
        }
        if (rises && (s->modulator || s->contactor || in->modulator_reads || in->contactor_reads)) {
            return (uint8_t)REFUSAL_OUTPUTS_ON;
        }
        if ((asked->board_ceiling_mc <= 0) || (asked->board_ceiling_mc > CEILING_MAX_MC)) {
            return (uint8_t)REFUSAL_RANGE;
        }
        top_mc = (asked->board_ceiling_mc < top_mc) ? asked->board_ceiling_mc : top_mc;
    }
    if ((asked->has_run_ceiling && (asked->run_ceiling_mc > top_mc)) ||
        (asked->has_run_max && (asked->run_max_s > s->run_max_s))) {
        return (uint8_t)REFUSAL_LOOSENS;
    }
    return (uint8_t)REFUSAL_NONE;
}

/* All or nothing. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns s->run_ceiling_mc, s->run_max_s;
    ensures sane(s);
    ensures s->run_ceiling_mc <= \old(s->run_ceiling_mc) && s->run_max_s <= \old(s->run_max_s);
    ensures \result == 0 && in->frame.has_board_ceiling ==>
        may_store(in) && s->run_ceiling_mc <= in->frame.board_ceiling_mc; */
static uint8_t set_limits(state_t *s, const inputs_t *in)
{
    const frame_t *asked = &in->frame;
    uint8_t refusal = limits_refused(s, in);
    if (refusal != (uint8_t)REFUSAL_NONE) {
        return refusal;
    }
    if (asked->has_board_ceiling && (asked->board_ceiling_mc < s->run_ceiling_mc)) {
        s->run_ceiling_mc = asked->board_ceiling_mc;
    }
    if (asked->has_run_ceiling) {
        s->run_ceiling_mc = asked->run_ceiling_mc;
    }
    if (asked->has_run_max) {
        s->run_max_s = asked->run_max_s;
    }
    return refusal;
}

/* A frame other than a hello. */
/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    requires 2 <= in->frame.kind <= 5;
    assigns s->heard, s->enabled, s->permit, s->wants_contactor, s->silent, s->duty_e4, s->window, s->modulator,
        s->pulse, s->run_ceiling_mc, s->run_max_s;
    ensures sane(s);
    ensures s->enabled && !\old(s->enabled) ==> in->frame.kind == 2 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.sequence == s->heard;
    ensures s->permit && !\old(s->permit) ==> in->frame.kind == 3 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.permit;
    ensures in->frame.kind == 2 && s->enabled && \old(s->heard) != s->heard ==>
        !s->permit || s->silent >= 480 || ends_the_enable(s, in);
    ensures s->silent < \old(s->silent) ==> in->frame.kind == 2 || in->frame.kind == 3;
    ensures s->run_ceiling_mc <= \old(s->run_ceiling_mc) && s->run_max_s <= \old(s->run_max_s);
    ensures \result == 0 && in->frame.kind == 5 && in->frame.has_board_ceiling ==>
        may_store(in) && s->run_ceiling_mc <= in->frame.board_ceiling_mc; */
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

/*@ requires \valid(s) && \valid_read(in) && \separated(s, in) && sane(s);
    assigns s->session, s->heard, s->enabled, s->void_reason, s->permit, s->wants_contactor, s->silent, s->duty_e4,
        s->window, s->modulator, s->pulse, s->run_ceiling_mc, s->run_max_s, s->heated;
    ensures sane(s);
    ensures s->enabled && !\old(s->enabled) ==> in->frame.kind == 2 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.sequence == s->heard;
    ensures s->permit && !\old(s->permit) ==> in->frame.kind == 3 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.permit;
    ensures in->frame.kind == 1 ==> !s->enabled && !s->permit;
    ensures in->frame.kind == 2 && s->enabled && \old(s->heard) != s->heard ==>
        !s->permit || s->silent >= 480 || ends_the_enable(s, in);
    ensures s->silent < \old(s->silent) ==> in->frame.kind == 1 || in->frame.kind == 2 || in->frame.kind == 3;
    ensures in->frame.kind != 1 ==> s->run_ceiling_mc <= \old(s->run_ceiling_mc) &&
        s->run_max_s <= \old(s->run_max_s) && s->heated == \old(s->heated);
    ensures \result == 0 && in->frame.kind == 5 && in->frame.has_board_ceiling ==>
        may_store(in) && s->run_ceiling_mc <= in->frame.board_ceiling_mc; */
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

/* Switches */

/* On is contactor first, modulator 100 ms later; off is modulator at once, contactor 100 ms later. */
/*@ requires \valid(s) && sane(s);
    assigns s->contactor, s->opening, s->opens_in, s->ready_in;
    ensures s->opening ==> s->contactor;
    ensures s->opens_in <= 10 && s->ready_in <= 10;
    ensures wanted ==> s->contactor && !s->opening;
    ensures !wanted && s->contactor ==> s->opening && 0 < s->opens_in <= 10;
    ensures \old(s->opening) && s->opening ==> s->opens_in == \old(s->opens_in); */
static void settle_contactor(state_t *s, bool wanted)
{
    if (wanted) {
        if (!s->contactor) {
            s->contactor = true;
            s->ready_in = CONTACTOR_PASSES;
        }
        s->opening = false;
    } else if (s->contactor) {
        if (!s->opening) {
            s->opening = true;
            s->opens_in = CONTACTOR_PASSES;
            s->ready_in = CONTACTOR_PASSES;
        } else if (s->opens_in == 0u) {
            s->opening = false;
            s->contactor = false;
        } else {
            /* on its way */
        }
    } else {
        s->opening = false;
    }
}

/* A window begins with what the one before gave too little or too much, at most one window of it. */
/*@ requires \valid(s) && sane(s) && s->duty_e4 > 0;
    assigns s->pulse;
    ensures sane(s);
    ensures s->pulse.open && s->pulse.at == 0 && s->pulse.length >= 100; */
static void begin_window(state_t *s)
{
    window_t *p = &s->pulse;
    int32_t carried = 0;
    if (p->open) {
        int32_t whole = over(DUTY_FULL, p->length);
        carried = clamped(p->asked - over(DUTY_FULL, p->given), -whole, whole);
    }
    p->open = true;
    p->pulsed = s->modulator; /* a pulse that runs on from the window before is this one's */
    p->at = 0u;
    p->length = s->window;
    p->shortest = (uint16_t)((s->window < (4u * SHORTEST_PASSES)) ? (s->window / 4u) : SHORTEST_PASSES);
    p->asked = carried;
    p->given = 0u;
}

/* Where this window's one pulse begins and ends, seen from now. */
/*@ requires \valid(s) && sane(s) && s->duty_e4 > 0 && s->pulse.open && s->pulse.at < s->pulse.length;
    assigns s->modulator, s->switches, s->pulse;
    ensures sane(s);
    ensures s->pulse.open; */
static void aim(state_t *s)
{
    window_t *p = &s->pulse;
    uint16_t left = (uint16_t)(p->length - p->at);
    int32_t wanted = p->asked + over(s->duty_e4, left);
    int32_t shortest = over(DUTY_FULL, p->shortest);
    if (!s->modulator) {
        if (p->pulsed || (wanted < shortest)) {
            return;
        }
        s->modulator = true;
        p->pulsed = true;
        p->on_for = 0u;
        s->switches = more(s->switches, 1u, SWITCHES_MAX);
    }
    int32_t still = wanted - over(DUTY_FULL, p->given);
    int32_t at_least = (p->on_for < p->shortest) ? over(DUTY_FULL, (uint16_t)(p->shortest - p->on_for)) : 0;
    int32_t rest = (still > at_least) ? still : at_least;
    if ((rest <= 0) && (shortest <= over(DUTY_FULL, left))) { /* a gap shorter than the shortest is closed */
        s->modulator = false;
    }
}

/*@ requires \valid(s) && sane(s);
    assigns s->contactor, s->opening, s->opens_in, s->ready_in, s->modulator, s->switches, s->pulse;
    ensures sane(s);
    ensures s->modulator ==> allowed && s->pulse.open && s->duty_e4 > 0;
    ensures s->contactor ==> allowed || (s->opening && 0 < s->opens_in <= 10);
    ensures \old(s->opening) && s->opening ==> s->opens_in == \old(s->opens_in); */
static void settle(state_t *s, bool allowed)
{
    bool drop = !allowed || (s->duty_e4 == 0u);
    settle_contactor(s, allowed && s->wants_contactor);
    if (drop || (s->ready_in > 0u)) {
        s->modulator = false;
        s->pulse.open = false;
        return;
    }
    if (!s->pulse.open || (s->pulse.at >= s->pulse.length)) {
        begin_window(s);
    }
    aim(s);
}

/* What is said and done in this pass. */
/*@ requires \valid_read(s) && \valid_read(in) && \valid(out) && \separated(s, in, out);
    requires refusal == 0 && in->frame.kind == 5 && in->frame.has_board_ceiling ==> may_store(in);
    assigns *out;
    ensures out->modulator == s->modulator && out->contactor == s->contactor && out->off == off;
    ensures out->store ==> in->frame.kind == 5 && in->frame.has_board_ceiling && may_store(in) &&
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

/* The two that others call */

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

void decide(state_t *state, const inputs_t *in, outputs_t *out)
{
    if (!is_sane(state)) {
        decide_reset(state, state->switches, in->board_ceiling_mc, in->longest_s);
        state->failed = true;
    }
    if (!in->self_test_good) {
        state->failed = true;
    }
    pass_time(state, in);
    (void)judge(state, in);
    uint8_t refusal = hear(state, in);
    uint8_t reason = judge(state, in);
    settle(state, reason == (uint8_t)OFF_NONE);
    put_out(state, in, refusal, (reason == (uint8_t)OFF_NOT_ENABLED) ? state->void_reason : reason, out);
}

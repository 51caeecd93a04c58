/* See switches.h. Counts are passes; nothing here asks whether heat is allowed, it is told. */
#include "switches.h"

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

/*@ requires \valid(s) && SANE(s);
    assigns PULSE;
    ensures SANE(s);
    ensures s->pulse.open == \old(s->pulse.open); */
static void pass_window(state_t *s, uint8_t passes)
{
    if (s->pulse.open) {
        s->pulse.asked = clamped(s->pulse.asked + over(s->duty_e4, passes), -ASKED_MAX, ASKED_MAX);
        s->pulse.at = (uint16_t)more(s->pulse.at, passes, AT_MAX);
    }
    if (s->modulator) {
        s->pulse.given = (uint16_t)more(s->pulse.given, passes, AT_MAX);
        s->pulse.on_for = (uint16_t)more(s->pulse.on_for, passes, AT_MAX);
    }
}

void pass_time(state_t *s, const inputs_t *in)
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

/* Switches */

/* On is contactor first, modulator 100 ms later; off is modulator at once, contactor 100 ms later. */
/*@ requires \valid(s) && SANE(s);
    assigns s->contactor, s->opening, s->opens_in, s->ready_in;
    ensures s->opening ==> s->contactor;
    ensures s->opens_in <= 10 && s->ready_in <= 10;
    ensures wanted ==> s->contactor && !s->opening;
    ensures s->contactor && !\old(s->contactor) ==> wanted;
    ensures !wanted && s->contactor ==> s->opening && 0 < s->opens_in <= 10;
    ensures \old(s->opening) && s->opening ==> s->opens_in == \old(s->opens_in) > 0; */
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
/*@ requires \valid(s) && SANE(s) && s->duty_e4 > 0;
    assigns PULSE;
    ensures SANE(s);
    ensures s->pulse.open && s->pulse.at == 0 && s->pulse.length >= 100; */
static void begin_window(state_t *s)
{
    int32_t carried = 0;
    if (s->pulse.open) {
        int32_t whole = over(DUTY_FULL, s->pulse.length);
        carried = clamped(s->pulse.asked - over(DUTY_FULL, s->pulse.given), -whole, whole);
    }
    s->pulse.open = true;
    s->pulse.pulsed = s->modulator; /* a pulse that runs on from the window before is this one's */
    s->pulse.at = 0u;
    s->pulse.length = s->window;
    s->pulse.shortest = (uint16_t)((s->window < (4u * SHORTEST_PASSES)) ? (s->window / 4u) : SHORTEST_PASSES);
    s->pulse.asked = carried;
    s->pulse.given = 0u;
}

/* Where this window's one pulse begins and ends, seen from now. */
/*@ requires \valid(s) && SANE(s) && s->duty_e4 > 0 && s->pulse.open && s->pulse.at < s->pulse.length;
    assigns s->modulator, s->switches, PULSE;
    ensures SANE(s);
    ensures s->pulse.open; */
static void aim(state_t *s)
{
    uint16_t left = (uint16_t)(s->pulse.length - s->pulse.at);
    int32_t wanted = s->pulse.asked + over(s->duty_e4, left);
    int32_t shortest = over(DUTY_FULL, s->pulse.shortest);
    if (!s->modulator) {
        if (s->pulse.pulsed || (wanted < shortest)) {
            return;
        }
        s->modulator = true;
        s->pulse.pulsed = true;
        s->pulse.on_for = 0u;
        s->switches = more(s->switches, 1u, SWITCHES_MAX);
    }
    int32_t still = wanted - over(DUTY_FULL, s->pulse.given);
    bool is_short = s->pulse.on_for < s->pulse.shortest;
    int32_t at_least = is_short ? over(DUTY_FULL, (uint16_t)(s->pulse.shortest - s->pulse.on_for)) : 0;
    int32_t rest = (still > at_least) ? still : at_least;
    if ((rest <= 0) && (shortest <= over(DUTY_FULL, left))) { /* a gap shorter than the shortest is closed */
        s->modulator = false;
    }
}

void settle(state_t *s, bool allowed)
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

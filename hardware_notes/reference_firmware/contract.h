/* The words of the contracts in decide.h, reasons.h and switches.h: for the prover alone, no line of it is compiled.
 *
 * Macros and not logic predicates, because the prover's first stage sees through a macro: a permissive is then a handful of
 * fields that a later write plainly does not touch, where a predicate would be one opaque question about all of memory.
 * Numbers stand here a second time on purpose: a limit changed in decide.h alone leaves goals unproven.
 */
#ifndef CONTRACT_H
#define CONTRACT_H

/* The window's fields one by one; an assignment to the whole would hide which of them. */
#define PULSE \
    s->pulse.open, s->pulse.pulsed, s->pulse.at, s->pulse.length, s->pulse.shortest, s->pulse.on_for, s->pulse.given, \
        s->pulse.asked

#define GOOD(i) (in->channels[i].fitted && in->channels[i].faults == 0)
#define COOL(i, limit_mc) (GOOD(i) ==> in->channels[i].value_mc < (limit_mc))
#define BELOW(limit_mc) (COOL(0, limit_mc) && COOL(1, limit_mc) && COOL(2, limit_mc))
#define OWN_GOOD \
    (((in->own & 1) != 0 ==> GOOD(0)) && ((in->own & 2) != 0 ==> GOOD(1)) && ((in->own & 4) != 0 ==> GOOD(2)))
#define SETTINGS_GOOD \
    (in->settings_good && 0 < in->board_ceiling_mc <= 400000 && 0 < in->longest_s <= 999999)

/* Heat only while every one of these stands in this very pass. */
#define PERMISSIVES(s) \
    (in->self_test_good && !s->failed && SETTINGS_GOOD && !in->local_stop && !in->smoke && in->door_shut && \
     BELOW(in->board_ceiling_mc) && BELOW(s->run_ceiling_mc) && OWN_GOOD && s->heated < s->run_max_s * 100 && \
     s->modulator_late <= 100 && s->contactor_late <= 100 && s->session != 0 && s->enabled && s->permit && \
     s->silent < 480)

/* Any one of these ends the enable: heat needs a fresh one. */
#define ENDS_THE_ENABLE(s) \
    (s->failed || !SETTINGS_GOOD || in->local_stop || in->smoke || !BELOW(in->board_ceiling_mc) || \
     !BELOW(s->run_ceiling_mc) || !(s->heated < s->run_max_s * 100) || s->modulator_late > 100 || \
     s->contactor_late > 100 || s->silent >= 480)

/* The ceiling that the frame asks for may be stored: it does not rise, or a hand holds the local stop and both are off. */
#define MAY_STORE \
    (0 < in->frame.board_ceiling_mc <= 400000 && \
     (in->frame.board_ceiling_mc <= in->board_ceiling_mc && in->settings_good || \
      in->local_stop && !in->modulator_reads && !in->contactor_reads))

/* Time. `was` is a count before it, as in AGED(\old(s->silent), 480). */
#define AGED(was, most) ((was) + in->passes < (most) ? (was) + in->passes : (most))
#define LEFT(was) ((was) > in->passes ? (was) - in->passes : 0)
#define LATE(reads, commanded, was) (((reads) && !(commanded)) ? AGED(was, 255) : 0)

/* A hello that changes nothing but that all is off: stale, or whole and unreadable. */
#define STALE_HELLO(session_was, heard_was) \
    (in->frame.kind == 1 && in->frame.session == (session_was) && in->frame.sequence <= (heard_was))

/* The whole of a state or an answer, field by field, for the same reason as PULSE. */
#define STATE \
    s->session, s->heard, s->enabled, s->failed, s->void_reason, s->run_ceiling_mc, s->run_max_s, s->permit, \
        s->wants_contactor, s->duty_e4, s->window, s->silent, s->heated, s->modulator, s->contactor, s->opening, \
        s->opens_in, s->ready_in, s->modulator_late, s->contactor_late, PULSE, s->on_passes, s->switches
#define ANSWER \
    out->modulator, out->contactor, out->off, out->answer, out->refusal, out->tell, out->stall, out->store, \
        out->store_ceiling_mc

/* What `decide` can leave behind. */
#define SANE(s) \
    (s->duty_e4 <= 10000 && 100 <= s->window <= 60000 && s->silent <= 480 && s->run_max_s <= 999999 && \
     s->heated <= 99999900 && s->opens_in <= 10 && s->ready_in <= 10 && s->on_passes <= 999999 && \
     s->switches <= 999999 && s->pulse.at <= 60255 && s->pulse.length <= 60000 && s->pulse.shortest <= 100 && \
     s->pulse.on_for <= 60255 && s->pulse.given <= 60255 && -1300000000 <= s->pulse.asked <= 1300000000 && \
     1 <= s->void_reason <= 14 && (s->opening ==> s->contactor) && \
     (s->modulator ==> s->pulse.open && s->duty_e4 > 0))

#endif

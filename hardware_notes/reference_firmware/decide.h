/* The decisions: may the outputs be on in this pass? Pure: one inputs struct to one outputs struct, no I/O, no clock, no
 * callbacks, no static memory. The same code (decide.c, reasons.c, switches.c) runs in the firmware, in tests on a
 * computer and under the prover, which shows for all inputs and all states what the contract above `decide` says
 * (proof.md, written by `make prove`).
 *
 * Time comes in as passes of PASS_MS. The rules are those of ../protocol.md, "What a board does".
 */
#ifndef DECIDE_H
#define DECIDE_H

#include <stdbool.h>
#include <stdint.h>

#include "contract.h"
#include "frames.h"

#define PASS_MS 10u
#define PASSES_PER_S 100u
#define CHANNELS 3u
#define SILENCE_PASSES 480u /* 4.8 s: all is off 5 s after the last good drive frame */
#define SILENCE_US 4800000u
#define CONTACTOR_PASSES 10u /* 100 ms between the two switches, either way */
#define OUTPUT_LATE_PASSES 100u /* a switch that still reads closed this long after it was let go has failed */
#define SHORTEST_PASSES 100u /* no pulse and no gap is shorter, but for windows under 4 s */
#define CEILING_MAX_MC 400000
#define RUN_MAX_S 999999u
#define SWITCHES_MAX 999999u
#define DUTY_FULL 10000

/* What numbers of the state can be; beyond them a bit has flipped. */
#define ASKED_MAX 1300000000 /* passes times duty: one window carried and one more asked, with room to spare */
#define WINDOW_MIN 100u /* passes; likewise the next */
#define WINDOW_MAX 60000u
#define AT_MAX 60255u /* a window's length and one late pass */
#define HEATED_MAX (RUN_MAX_S * PASSES_PER_S)
#define ON_PASSES_MAX 999999u

typedef enum {
    FAULT_OPEN = 0x01,
    FAULT_SHORT_TO_GROUND = 0x02,
    FAULT_SHORT_TO_SUPPLY = 0x04,
    FAULT_OUT_OF_RANGE = 0x08,
    FAULT_COLD_JUNCTION = 0x10,
    FAULT_CONVERTER_SILENT = 0x20
} fault_t;

typedef enum {
    OFF_NONE = 0,
    OFF_RESET = 1,
    OFF_NOT_ENABLED = 2,
    OFF_NO_PERMIT = 3,
    OFF_HOST_SILENT = 4,
    OFF_LOCAL_STOP = 5,
    OFF_DOOR = 6,
    OFF_CEILING = 7,
    OFF_RUN_CEILING = 8,
    OFF_RUN_TIME = 9,
    OFF_SENSOR = 10,
    OFF_SETTINGS = 11,
    OFF_SMOKE = 12,
    OFF_OUTPUT = 13,
    OFF_SELF_TEST = 14
} off_reason_t;

typedef struct { /* the newest finished conversion */
    bool fitted;
    uint8_t faults; /* FAULT_ bits; a value with a fault is no temperature */
    int32_t value_mc;
} channel_t;

typedef struct {
    uint8_t passes; /* since the decision before; 0 for a second frame within one pass, 255 for that many or more */
    frame_t frame; /* one frame, or FRAME_NONE */
    channel_t channels[CHANNELS];
    uint8_t own; /* bit set: the channels without which there is no heat */
    bool settings_good; /* both stored records have good checksums and ranges */
    int32_t board_ceiling_mc; /* as stored */
    uint32_t longest_s; /* as stored */
    bool self_test_good;
    bool door_shut; /* true where no door switch is fitted */
    bool local_stop;
    bool smoke;
    bool modulator_reads; /* both switches read back at the start of this pass */
    bool contactor_reads;
} inputs_t;

typedef enum { ANSWER_NONE = 0, ANSWER_WELCOME, ANSWER_LIMITS, ANSWER_REFUSAL } answer_t;

typedef struct {
    bool modulator;
    bool contactor;
    uint8_t off; /* an off_reason_t */
    uint8_t answer; /* an answer_t; ANSWER_WELCOME is W and then L */
    uint8_t refusal; /* a refusal_t */
    bool tell; /* the frame was a good T: lamps and sounder as it says */
    bool stall; /* the frame was a good X: stop the program once the switches are as they are commanded here */
    bool store; /* keep this as the stored ceiling, before the answer is sent */
    int32_t store_ceiling_mc;
} outputs_t;

typedef struct { /* the modulation window; times in passes, `asked` in passes times duty */
    bool open; /* a window runs */
    bool pulsed; /* it has had its one pulse */
    uint16_t at; /* since it began */
    uint16_t length;
    uint16_t shortest;
    uint16_t on_for; /* the running pulse, from its beginning, this window's or an older one's */
    uint16_t given;
    int32_t asked;
} window_t;

typedef struct {
    uint16_t session; /* 0: no hello since the reset */
    uint32_t heard;
    bool enabled;
    bool failed; /* a self-test failed once: stays until a reset */
    uint8_t void_reason; /* what ended the enable */
    int32_t run_ceiling_mc;
    uint32_t run_max_s;
    bool permit; /* the last drive frame since the enable */
    bool wants_contactor;
    uint16_t duty_e4;
    uint16_t window; /* passes */
    uint16_t silent; /* passes since the last good drive frame, or the enable */
    uint32_t heated; /* passes of this session with the contactor closed */
    bool modulator;
    bool contactor;
    bool opening; /* the contactor has been let go and opens in `opens_in` passes */
    uint8_t opens_in;
    uint8_t ready_in; /* passes until the modulator may close */
    uint8_t modulator_late; /* passes a switch has read closed while let go */
    uint8_t contactor_late;
    window_t pulse;
    uint32_t on_passes; /* of the modulator; the shell takes them for its report and sets 0 */
    uint32_t switches; /* of the board's life */
} state_t;

/* Outputs off, no session: what a reset leaves. `switches` so far in the board's life; the run's limits are the stored
 * ones. */
/*@ requires \valid(s);
    assigns STATE;
    ensures !s->modulator && !s->contactor && !s->enabled && s->session == 0 && !s->failed;
    ensures !s->opening && !s->permit && SANE(s);
*/
void decide_reset(state_t *s, uint32_t switches, int32_t board_ceiling_mc, uint32_t longest_s);

/* One decision. The three must not overlap. A state that cannot be (a bit has flipped) counts as a failed self-test. */
/*@ requires \valid(s) && \valid_read(in) && \valid(out);
    requires \separated(s, in, out);
    assigns STATE, ANSWER;

    // Heat only while every permissive stands in this very pass.
    ensures heat: out->modulator ==> PERMISSIVES(s);
    // The contactor too, but for the 100 ms in which it waits for the modulator's current to have gone.
    ensures contactor: out->contactor ==> (PERMISSIVES(s) && s->wants_contactor) || (s->opening && 0 < s->opens_in <= 10);
    ensures closes: out->contactor && !\old(s->contactor) ==> PERMISSIVES(s) && s->wants_contactor;
    ensures opening: out->contactor && !PERMISSIVES(s) ==> !out->modulator;
    ensures opens: \old(s->opening) && s->opening && !s->failed ==>
        \old(s->opens_in) > in->passes && s->opens_in == \old(s->opens_in) - in->passes;
    // What is said is what is done.
    ensures said: (out->off == 0) <==> PERMISSIVES(s);
    ensures same: out->modulator == s->modulator && out->contactor == s->contactor;

    // A trip, a fault, a bad limit or silence: off, and the enable is void.
    ensures trip: ENDS_THE_ENABLE(s) ==> !out->modulator && !s->enabled && out->off != 0;
    ensures sensor: !OWN_GOOD || !in->door_shut ==> !out->modulator && out->off != 0;

    // Time is counted: silence, heated time, and how long a switch has read closed though let go.
    ensures silence: s->silent == AGED(\old(s->silent), 480) || s->failed || (s->silent == 0 && (in->frame.kind == 1 ||
        ((in->frame.kind == 2 || in->frame.kind == 3) && in->frame.session == s->session &&
         in->frame.sequence > \old(s->heard))));
    ensures run_time: in->frame.kind != 1 || STALE_HELLO(\old(s->session), \old(s->heard)) ==> s->failed ||
        s->heated == (\old(s->contactor) ? AGED(\old(s->heated), 99999900) : \old(s->heated));
    ensures late: s->failed ||
        (s->modulator_late == LATE(in->modulator_reads, \old(s->modulator), \old(s->modulator_late)) &&
         s->contactor_late == LATE(in->contactor_reads, \old(s->contactor), \old(s->contactor_late)));

    // A pass never turns on by itself: the enable and the permit come by their frames and by nothing else.
    ensures enable: s->enabled && !\old(s->enabled) ==> in->frame.kind == 2 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.sequence == s->heard;
    ensures permit: s->permit && !\old(s->permit) ==> in->frame.kind == 3 && in->frame.session == s->session &&
        in->frame.sequence > \old(s->heard) && in->frame.permit;
    ensures enable_forgets: in->frame.kind == 2 && s->enabled && in->frame.sequence == s->heard &&
        \old(s->heard) != s->heard ==> !s->permit && !out->modulator;
    ensures hello: in->frame.kind == 1 || (in->frame.kind == 6 && in->frame.hello) ==>
        !s->enabled && !s->permit && !out->modulator;

    // A latch stays; limits only fall within a session.
    ensures latch: \old(s->failed) || !in->self_test_good ==> s->failed && out->off == 14;
    ensures falls: (in->frame.kind != 1 || STALE_HELLO(\old(s->session), \old(s->heard))) && !s->failed ==>
        s->run_ceiling_mc <= \old(s->run_ceiling_mc) && s->run_max_s <= \old(s->run_max_s);
    ensures stored: out->store ==> in->frame.kind == 5 && MAY_STORE && out->store_ceiling_mc == in->frame.board_ceiling_mc;
    // A stall stops the program only while nothing can heat: enabled, and the contactor commanded open and reading open.
    ensures stall: out->stall ==> in->frame.kind == 7 && in->frame.session == s->session && s->session != 0 &&
        in->frame.sequence > \old(s->heard) && s->enabled && !out->contactor && !in->contactor_reads;
    ensures window: out->modulator ==> s->pulse.open && 0 < s->duty_e4 <= 10000;
*/
void decide(state_t *s, const inputs_t *in, outputs_t *out);

#endif

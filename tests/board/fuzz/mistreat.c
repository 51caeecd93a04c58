/* Bytes that somebody might send, through the firmware's own reader and decisions, with every promise checked.
 *
 * Built with sanitizers, in two ways: with an engine that follows coverage (LLVMFuzzerTestOneInput), or with
 * -DOWN_MUTATOR as a program that mutates good frames from a printed seed: mistreat COUNT SEED.
 *
 * Promises: no undefined behaviour; the heater pin is never high unless an enable and a drive were read after it, and
 * then only while every permissive stands; after anything at all a good hello is answered.
 */
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "decide.h"

#define CEILING_MC 140000
#define LONGEST_S 345600u

static void promise(bool kept, const char *what)
{
    if (!kept) {
        fprintf(stderr, "broken: %s\n", what);
        abort();
    }
}

static inputs_t calm(void)
{
    inputs_t in = { .own = 3u, .settings_good = true, .board_ceiling_mc = CEILING_MC, .longest_s = LONGEST_S,
                    .self_test_good = true, .door_shut = true, .passes = 1u };
    for (int i = 0; i < 2; i++) {
        in.channels[i] = (channel_t){ .fitted = true, .value_mc = 21000 };
    }
    return in;
}

static bool enabled_by_frame; /* a whole E has been read since the last hello */

static void hear(state_t *state, const uint8_t *line, size_t length)
{
    inputs_t in = calm();
    outputs_t out;
    if (length > 255u) {
        return; /* the shell drops it before it comes here */
    }
    frame_read(line, (uint8_t)length, &in.frame);
    enabled_by_frame = (in.frame.kind == FRAME_ENABLE) || (enabled_by_frame && (in.frame.kind != FRAME_HELLO));
    in.contactor_reads = state->contactor;
    in.modulator_reads = state->modulator;
    decide(state, &in, &out);
    promise(!out.modulator || (enabled_by_frame && state->enabled && state->permit), "heat without enable and drive");
    promise(!out.modulator || (out.off == OFF_NONE), "heat with a reason to be off");
    promise(!out.stall || (enabled_by_frame && state->enabled && !out.contactor), "a stall that could leave heat on");
    promise(!out.store || (out.store_ceiling_mc <= CEILING_MC), "a stored ceiling rose without a hand on the board");
    promise(state->run_ceiling_mc <= CEILING_MC, "a run ceiling above the board's");
}

static void still_answers(state_t *state)
{
    uint8_t line[64];
    int length = snprintf((char *)line, sizeof line, "H v=1 s=%u q=9999999", (state->session % 65535u) + 1u);
    length += snprintf((char *)&line[length], sizeof line - (size_t)length, "*%04X", crc16(line, (uint16_t)length));
    inputs_t in = calm();
    outputs_t out;
    frame_read(line, (uint8_t)length, &in.frame);
    promise(in.frame.kind == FRAME_HELLO, "a good hello is not read");
    decide(state, &in, &out);
    promise((out.answer == ANSWER_WELCOME) && !out.modulator && !state->enabled, "a good hello is not answered");
}

#ifndef OWN_MUTATOR

/* As a board would: bytes up to a newline are a line; longer ones are dropped. */
static void feed(const uint8_t *data, size_t size)
{
    state_t state;
    size_t from = 0u;
    enabled_by_frame = false;
    decide_reset(&state, 0u, CEILING_MC, LONGEST_S);
    for (size_t at = 0u; at < size; at++) {
        if (data[at] == (uint8_t)'\n') {
            hear(&state, &data[from], at - from);
            from = at + 1u;
        }
    }
    still_answers(&state);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* A checksum stops a fuzzer dead: every line is tried as it is, and again with the checksum mended. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static uint8_t mended[8192];
    size_t length = 0u;
    size_t from = 0u;
    feed(data, size);
    for (size_t at = 0u; (at <= size) && (length + (at - from) + 8u < sizeof mended); at++) {
        if ((at < size) && (data[at] != (uint8_t)'\n')) {
            continue;
        }
        size_t body = at - from;
        memcpy(&mended[length], &data[from], body);
        body = ((body >= 5u) && (data[at - 5u] == (uint8_t)'*')) ? body - 5u : body;
        uint16_t crc = crc16(&mended[length], (uint16_t)body);
        length += body;
        length += (size_t)sprintf((char *)&mended[length], "*%04X\n", crc);
        from = at + 1u;
    }
    feed(mended, length);
    return 0;
}

#else

static uint64_t drawn;

static uint32_t draw(uint32_t below) /* xorshift64*, seeded, so that a failure can be had again */
{
    drawn ^= drawn >> 12;
    drawn ^= drawn << 25;
    drawn ^= drawn >> 27;
    return (uint32_t)((drawn * 0x2545F4914F6CDD1Du) >> 33) % below;
}

static const char *const GOOD[] = {
    "H v=1 s=4711 q=1", "E s=4711 q=%u", "D s=4711 q=%u p=1 c=1 u=10000 w=40000", "T s=4711 q=%u l=2 g=1 x=1 z=3",
    "S s=4711 q=%u b=130000 r=112000 m=90000", "S s=4711 q=%u b=- r=- m=-", "D s=0 q=%u p=1 c=1 u=10000 w=1000",
    "X s=4711 q=%u", "D s=4711 q=%u p=1 c=0 u=10000 w=40000",
};

/* A line with up to four changes; in two of three cases under a checksum made good again. */
static size_t mutated(uint8_t *line, uint32_t sequence)
{
    size_t length = (size_t)snprintf((char *)line, 200u, GOOD[draw(sizeof GOOD / sizeof GOOD[0])], sequence);
    length += (size_t)snprintf((char *)&line[length], 8u, "*%04X", crc16(line, (uint16_t)length));
    for (uint32_t change = draw(5u); change > 0u; change--) {
        size_t at = draw((uint32_t)length);
        switch (draw(5u)) {
        case 0: line[at] ^= (uint8_t)(1u << draw(8u)); break;
        case 1: line[at] = (uint8_t)draw(256u); break;
        case 2: length = at + 1u; break;
        case 3: if (length < 190u) { memmove(&line[at + 1u], &line[at], length - at); length++; } break;
        default: memmove(&line[at], &line[at + 1u], length - at - 1u); length -= (length > 1u) ? 1u : 0u; break;
        }
    }
    if ((draw(3u) > 0u) && (length > 5u)) {
        (void)sprintf((char *)&line[length - 5u], "*%04X", crc16(line, (uint16_t)(length - 5u)));
    }
    return length;
}

int main(int count, char **words)
{
    uint32_t frames = (count > 1) ? (uint32_t)strtoul(words[1], NULL, 10) : 100000u;
    uint64_t seed = (count > 2) ? strtoull(words[2], NULL, 10) : 1u;
    uint8_t line[256];
    uint32_t whole = 0u;
    state_t state;
    drawn = seed * 0x9E3779B97F4A7C15u + 1u;
    decide_reset(&state, 0u, CEILING_MC, LONGEST_S);
    for (uint32_t i = 0u; i < frames; i++) {
        frame_t frame;
        size_t length = mutated(line, i);
        hear(&state, line, length);
        frame_read(line, (uint8_t)length, &frame);
        whole += (frame.kind != FRAME_NONE);
        if ((i % 100u) == 99u) {
            still_answers(&state);
        }
    }
    still_answers(&state);
    printf("frames %u whole %u seed %llu\n", frames, whole, (unsigned long long)seed);
    return 0;
}

#endif

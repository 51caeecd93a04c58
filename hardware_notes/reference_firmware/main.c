/* The shell: a pass every 10 ms reads, decides, writes, speaks, and feeds the watchdog once every part has had its turn.
 * What may be on is decided in decide.c; nothing here switches on by itself. No assertions: D-11. */
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "board.h"
#include "clock.h"
#include "converter.h"
#include "decide.h"
#include "flash.h"
#include "frames.h"
#include "memory.h"
#include "selftest.h"
#include "senses.h"
#include "signals.h"
#include "speech.h"
#include "uart.h"

#define FRAMES_A_PASS 4u

typedef enum { /* parts of a pass; the watchdog is fed when all have checked in */
    PART_TIME = 0x01,
    PART_SENSES = 0x02,
    PART_CONVERTERS = 0x04,
    PART_DECISION = 0x08,
    PART_OUTPUTS = 0x10,
    PART_SPEECH = 0x20,
    PART_MEMORY = 0x40,
    PART_SELF_TEST = 0x80
} part_t;
#define PARTS_ALL 0xFFu

static volatile uint8_t checked_in; /* else the compiler proves that every part has run, and drops the question: D-6 */
static state_t state;
static inputs_t inputs;
static outputs_t outputs;
static signals_t signals;
static uint8_t line[LINE_TO_BOARD_MAX];
static uint8_t line_length;
static bool line_spoilt; /* too long: dropped to its newline */

static void check_in(part_t part)
{
    checked_in = (uint8_t)(checked_in | (uint8_t)part);
}

static bool fitted(fitted_t part)
{
    return (memory_identity()->fitted & (uint16_t)part) != 0u;
}

static APART void inputs_read(uint8_t passes)
{
    uint8_t contacts = 0u;

    senses_pass(passes);
    check_in(PART_SENSES);
    converters_pass(passes);
    check_in(PART_CONVERTERS);
    contacts = senses_contacts();
    inputs.passes = passes;
    inputs.own = memory_identity()->own;
    inputs.settings_good = memory_good();
    inputs.self_test_good = selftest_good();
    inputs.door_shut = !fitted(FITTED_DOOR) || ((contacts & (uint8_t)CONTACT_DOOR_SHUT) != 0u);
    inputs.local_stop = fitted(FITTED_LOCAL_STOP) && ((contacts & (uint8_t)CONTACT_LOCAL_STOP) != 0u);
    inputs.smoke = fitted(FITTED_SMOKE) && ((contacts & (uint8_t)CONTACT_SMOKE) != 0u);
    inputs.modulator_reads = senses_modulator();
    inputs.contactor_reads = senses_contactor(fitted(FITTED_CONTACTOR_CONTACT));
    for (uint8_t at = 0u; at < CHANNELS; at++) {
        inputs.channels[at] = converter_at(at)->channel;
    }
}

/* The next line that is a frame, out of what has been received. Bounded by the ring: bytes come no faster than they
 * are taken. */
static bool frame_next(frame_t *frame)
{
    uint8_t byte = 0u;

    for (uint8_t taken = 0u; (taken < UINT8_MAX) && uart_take(&byte); taken++) {
        if (byte != (uint8_t)'\n') {
            line_spoilt = line_spoilt || (line_length >= (LINE_TO_BOARD_MAX - 1u));
            if (!line_spoilt) {
                line[line_length] = byte;
                line_length++;
            }
            continue; /* D-9 */
        }
        frame->kind = (uint8_t)FRAME_NONE;
        if (!line_spoilt && (line_length > 0u)) {
            frame_read(line, line_length, frame);
        }
        line_length = 0u;
        line_spoilt = false;
        if (frame->kind != (uint8_t)FRAME_NONE) {
            return true;
        }
    }
    frame->kind = (uint8_t)FRAME_NONE;
    return false;
}

static void decision(void)
{
    told_t told;

    inputs.board_ceiling_mc = memory_limits()->board_ceiling_mc;
    inputs.longest_s = memory_limits()->longest_s;
    decide(&state, &inputs, &outputs);
    inputs.passes = 0u;
    if (outputs.store) {
        memory_store(outputs.store_ceiling_mc);
    }
    if (outputs.tell) {
        told.armed = inputs.frame.armed;
        told.heating = inputs.frame.heating;
        told.hot = inputs.frame.hot;
        told.sounder = inputs.frame.sounder;
        signals_tell(&signals, &told);
    }
    speech_answer(&inputs.frame, &outputs);
}

/* One decision at least, one for each frame. No frame is taken that could not be answered. */
static void frames_taken(void)
{
    bool more = speech_has_room() && frame_next(&inputs.frame);

    decision();
    for (uint8_t frame = 1u; (frame < FRAMES_A_PASS) && more && !outputs.stall; frame++) {
        more = speech_has_room() && frame_next(&inputs.frame);
        if (more) {
            decision();
        }
    }
    inputs.frame.kind = (uint8_t)FRAME_NONE;
    check_in(PART_DECISION);
}

static void outputs_written(uint8_t passes)
{
    shown_t shown;

    pin_modulator_is(outputs.modulator);
    pin_contactor_is(outputs.contactor);
    signals_pass(&signals, passes, (senses_contacts() & (uint8_t)CONTACT_SILENCE) != 0u, &shown);
    pin_lamp_armed_is(shown.armed);
    pin_lamp_heating_is(shown.heating);
    pin_lamp_hot_is(shown.hot);
    pin_sounder_is(shown.sounder);
    check_in(PART_OUTPUTS);
}

static void pass(uint8_t passes)
{
    check_in(PART_TIME);
    inputs_read(passes);
    frames_taken();
    outputs_written(passes);
    if (outputs.stall) {
        for (;;) { /* D-3: a host asked for this, to see the watchdog end it */
        }
    }
    speech_pass(passes, &state, &inputs, &outputs);
    check_in(PART_SPEECH);
    memory_count(state.switches);
    memory_pass();
    check_in(PART_MEMORY);
    selftest_pass();
    check_in(PART_SELF_TEST);
    if (checked_in == PARTS_ALL) {
        wdt_reset();
    }
    checked_in = 0u;
}

/* Sleeps until a tick waits. The look and the sleep are one step: an interrupt between them would be slept through. */
static void tick_wait(void)
{
    cli();
    while (!clock_waits()) { /* D-4: the watchdog is its bound */
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
        cli();
    }
    sei();
}

static void start(void)
{
    selftest_paint();
    pin_select_control_high();
    pin_select_over_temperature_high();
    pin_select_third_high();
    pin_select_control_drive();
    pin_select_over_temperature_drive();
    pin_select_third_drive();
    pin_spi_out_drive();
    pin_spi_in_high(); /* a converter that is not there reads as all ones */
    pin_spi_clock_drive();
    pin_lamp_armed_drive();
    pin_lamp_heating_drive();
    pin_lamp_hot_drive();
    pin_sounder_drive();
    senses_start();
    uart_start();
    SMCR = 0u; /* sleep is idle: timers, serial line and converter go on */
    sei();
    selftest_start();
    memory_start();
    decide_reset(&state, memory_switches(), memory_limits()->board_ceiling_mc, memory_limits()->longest_s);
    converters_start(memory_identity()->channels);
    speech_start();
    clock_start();
}

int main(void)
{
    start();
    for (;;) { /* D-3 */
        tick_wait();
        pass(clock_take());
    }
}

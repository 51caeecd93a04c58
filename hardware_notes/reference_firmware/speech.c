#include "speech.h"

#include <avr/io.h>

#include "clock.h"
#include "converter.h"
#include "flash.h"
#include "memory.h"
#include "pins.h"
#include "selftest.h"
#include "senses.h"
#include "signals.h"
#include "uart.h"

#define FIRMWARE_VERSION "1.1"
#define REPORT_PASSES 25
#define LIMITS_PASSES 500
#define ANSWERS 4u
#define LIMITS_OWED_MAX 8u /* each says all that stands: more of them would say nothing new */
#define ID_DIGITS 6u
#if HAS_MAINS_AND_LIMITER
#define PINNED FITTED_ALL
#else /* this chip has no pins for two of them, whatever the settings say */
#define PINNED (FITTED_ALL & (uint16_t)~((uint16_t)FITTED_MAINS | (uint16_t)FITTED_LIMITER))
#endif
#define SECONDS_A_MINUTE 60u
#define CAUSE_UNKNOWN 4u

typedef struct {
    uint8_t kind; /* an answer_t */
    uint8_t refusal;
    uint16_t session;
    uint32_t sequence;
} waiting_t;

typedef struct {
    uint8_t flag; /* of MCUSR */
    uint8_t cause;
} cause_t;

/* The first that stands: a supply that comes on slowly sags too, and only it sets the first flag. */
static const IN_FLASH cause_t CAUSES[] = {{1u << PORF, 0u}, {1u << BORF, 1u}, {1u << WDRF, 3u}, {1u << EXTRF, 2u}};

static waiting_t waiting[ANSWERS];
static uint8_t waiting_from;
static uint8_t waiting_count;
static uint8_t limits_owed; /* beside the queue: they wait for the memory, and nothing may wait for them */
static int16_t report_in = REPORT_PASSES;
static int16_t limits_in = LIMITS_PASSES;
static uint32_t sequence;
static bool arm_pressed; /* since the last report */
static char board_id[ID_DIGITS + 1u];

static uint8_t reset_cause(void)
{
    uint8_t flags = selftest_reset_flags();

    for (uint8_t at = 0u; at < (sizeof(CAUSES) / sizeof(CAUSES[0])); at++) {
        if ((flags & CAUSES[at].flag) != 0u) {
            return CAUSES[at].cause;
        }
    }
    return CAUSE_UNKNOWN;
}

static char hex_digit(uint8_t value)
{
    return (char)((value < 10u) ? ('0' + value) : (('a' - 10) + value));
}

void speech_start(void)
{
    for (uint8_t at = 0u; at < (ID_DIGITS / 2u); at++) {
        uint8_t byte = memory_identity()->board[at];
        board_id[2u * at] = hex_digit(byte >> 4);
        board_id[(2u * at) + 1u] = hex_digit(byte & 0x0Fu);
    }
}

bool speech_has_room(void)
{
    return waiting_count < ANSWERS;
}

void speech_answer(const frame_t *frame, const outputs_t *outputs)
{
    waiting_t *answer = &waiting[(uint8_t)(waiting_from + waiting_count) % ANSWERS];

    if (outputs->answer == (uint8_t)ANSWER_LIMITS) {
        limits_owed = (limits_owed < LIMITS_OWED_MAX) ? (uint8_t)(limits_owed + 1u) : limits_owed;
        return;
    }
    if ((outputs->answer == (uint8_t)ANSWER_NONE) || !speech_has_room()) {
        return;
    }
    answer->kind = outputs->answer;
    answer->refusal = outputs->refusal;
    answer->session = frame->session;
    answer->sequence = frame->sequence;
    waiting_count++;
}

static uint16_t welcome(uint8_t *to, uint16_t session)
{
    welcome_t said;

    said.board = board_id;
    said.boot = memory_boot();
    said.session = session;
    said.firmware = FIRMWARE_VERSION;
    said.hash = selftest_hash();
    said.reset_cause = reset_cause();
    said.simulated = memory_identity()->simulated;
    return write_welcome(to, &said);
}

static uint16_t limits(uint8_t *to, const state_t *state)
{
    limits_t said;

    said.session = state->session;
    said.board_ceiling_mc = memory_limits()->board_ceiling_mc;
    said.run_ceiling_mc = state->run_ceiling_mc;
    said.run_max_s = state->run_max_s;
    said.silence_us = SILENCE_US;
    limits_in = LIMITS_PASSES;
    return write_limits(to, &said);
}

static bool fitted(fitted_t part)
{
    return (memory_identity()->fitted & PINNED & (uint16_t)part) != 0u;
}

static char flag_of(fitted_t part, bool stands)
{
    char flag = stands ? '1' : '0';

    return fitted(part) ? flag : '-';
}

static void contacts_said(char *contacts)
{
    uint8_t now = senses_contacts();

    contacts[0] = flag_of(FITTED_MAINS, (now & (uint8_t)CONTACT_MAINS) != 0u);
    contacts[1] = flag_of(FITTED_LIMITER, (now & (uint8_t)CONTACT_LIMITER) != 0u);
    contacts[2] = flag_of(FITTED_DOOR, (now & (uint8_t)CONTACT_DOOR_SHUT) != 0u);
    contacts[3] = flag_of(FITTED_LOCAL_STOP, (now & (uint8_t)CONTACT_LOCAL_STOP) != 0u);
    contacts[4] = flag_of(FITTED_ARM, arm_pressed);
    contacts[5] = flag_of(FITTED_SMOKE, (now & (uint8_t)CONTACT_SMOKE) != 0u);
}

static void channels_said(channel_report_t *channels)
{
    for (uint8_t at = 0u; at < CHANNELS_OF_A_REPORT; at++) {
        channels[at].fitted = false;
        if (at < CHANNELS) {
            const converter_t *converter = converter_at(at);
            channels[at].fitted = converter->channel.fitted;
            channels[at].value_mc = converter->channel.value_mc;
            channels[at].cold_mc = converter->cold_mc;
            channels[at].faults = converter->channel.faults;
            channels[at].conversions = converter->conversions;
        }
    }
}

static int32_t fan_rpm(void)
{
    uint8_t pulses = memory_identity()->fan_pulses;
    uint32_t a_minute = (uint32_t)senses_fan_pulses() * SECONDS_A_MINUTE;

    return (fitted(FITTED_FAN) && (pulses > 0u)) ? (int32_t)(a_minute / pulses) : -1;
}

static int32_t current_ma(void)
{
    uint32_t times = (uint32_t)senses_current_mv() * memory_identity()->current_ma_per_v;

    return fitted(FITTED_CURRENT) ? (int32_t)(times / 1000u) : -1;
}

static uint16_t report(uint8_t *to, state_t *state, const inputs_t *inputs, const outputs_t *outputs)
{
    report_t said;
    uint16_t length = 0u;

    said.board = board_id;
    said.boot = memory_boot();
    said.session = state->session;
    said.sequence = sequence;
    said.heard = state->heard;
    clock_up(&said.up_s, &said.up_us);
    channels_said(said.channels);
    said.modulator = inputs->modulator_reads;
    said.contactor = inputs->contactor_reads;
    said.enabled = state->enabled;
    said.off = outputs->off;
    said.on_us = state->on_passes * (PASS_MS * 1000u);
    said.switches = state->switches;
    said.run_s = state->heated / PASSES_PER_S;
    contacts_said(said.contacts);
    said.current_ma = current_ma();
    said.fan_rpm = fan_rpm();
    said.aux_mv = fitted(FITTED_AUX) ? (int32_t)senses_aux_mv() : -1;
    length = write_report(to, &said);
    state->on_passes = 0u;
    sequence = (sequence < SEQUENCE_MAX) ? (sequence + 1u) : 0u;
    arm_pressed = false;
    report_in += REPORT_PASSES;
    return length;
}

/* The oldest answer. A welcome is followed by limits. */
static uint16_t answer(uint8_t *to)
{
    const waiting_t *oldest = &waiting[waiting_from];

    waiting_from = (uint8_t)((waiting_from + 1u) % ANSWERS);
    waiting_count--;
    if (oldest->kind == (uint8_t)ANSWER_WELCOME) {
        limits_owed = (limits_owed < LIMITS_OWED_MAX) ? (uint8_t)(limits_owed + 1u) : limits_owed;
        return welcome(to, oldest->session);
    }
    return write_refusal(to, oldest->session, oldest->sequence, oldest->refusal);
}

APART void speech_pass(uint8_t passes, state_t *state, const inputs_t *inputs, const outputs_t *outputs)
{
    uint8_t *to = uart_line();
    uint16_t length = 0u;

    report_in = (int16_t)(report_in - passes);
    limits_in = (int16_t)(limits_in - ((limits_in > 0) ? passes : 0));
    arm_pressed = arm_pressed || ((senses_contacts() & (uint8_t)CONTACT_ARM) != 0u);
    if (to == 0) {
        return;
    }
    if (report_in <= 0) {
        length = report(to, state, inputs, outputs);
    } else if (waiting_count > 0u) {
        length = answer(to);
    } else if (((limits_owed > 0u) || (limits_in <= 0)) && !memory_storing()) { /* said as stored and read back */
        limits_owed = (limits_owed > 0u) ? (uint8_t)(limits_owed - 1u) : 0u;
        length = limits(to, state);
    } else {
        /* nothing to say */
    }
    if (length > 0u) {
        uart_begin(length);
    }
}

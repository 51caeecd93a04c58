/* The reference firmware, executed instruction by instruction. A test program of its own: it is never linked into the
 * product. Linked with libsimavr, so under its licence: SPDX-License-Identifier: GPL-3.0-or-later
 *
 *   run_board_CHIP firmware.bin OUTPUTS_AT FREQUENCY
 *
 * OUTPUTS_AT is the data address of the firmware's own `outputs` (two flags: modulator, contactor), 0 where unknown;
 * FREQUENCY is the crystal's, Hz (16000000 is right). Time is microseconds of that crystal's cycles since the start.
 *
 * Spoken over standard input and output, all numbers little-endian. A request is a letter, a length (u32), a payload;
 * an answer is a length (u32) and a payload. Nothing is said unasked.
 *
 *   R run     u64 until_us, u8 stops (1 heater edge, 2 reset, 4 EEPROM write), u32 hands (wiring.h), u16 current_mv,
 *             u16 aux_mv, 3 x (i32 value 1/128 degC, i16 cold 1/64 degC, u8 status), then bytes for the line, which go
 *             in at 115,200 baud behind those not yet gone
 *             -> u64 now_us, u64 awake cycles, u64 asleep cycles, u8 x 3 CR1 of the converters, u32 x 3 finished
 *                conversions, u16 events, each u64 us, u8 kind, u8 value; the rest: bytes that the firmware sent
 *             kinds: 0..n an output pin in the order of pins.h, value its level; 100 reset, value MCUSR after it;
 *             101 `outputs` and pins differ while the firmware sleeps; 102 the first byte of a line; 103 EEPROM write,
 *             value the low byte of the address; 104 the processor ran into nothing: the
 *             watchdog bites
 *   Z reset   u8 MCUSR, u8 scramble RAM, u32 held_us                          -> empty
 *   F freeze  the main loop at where it stands; a reset thaws it               -> empty
 *   E eeprom  u16 at, then bytes to put there; without bytes: read             -> the whole EEPROM
 *   M memory  u8 0 data or 1 flash, u32 at, u16 length, then bytes to put there  -> what was there before
 *   S stick   u8 0 RAM (or register), 1 input pin, 2 bytes of the EEPROM that take no write; u16 address or pin (65535:
 *             none), u8 bit or how many bytes, u8 level                       -> empty
 *   C fail    u8 converter, u8 failure (converters.h)                          -> empty
 *   Q noise   takes back the bytes for the line that have not gone in yet      -> empty
 */
#include <simavr/avr_eeprom.h>
#include <simavr/sim_io.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "machine.h"
#include "wiring.h"

#define PAYLOAD_MAX 70000

static uint8_t payload[PAYLOAD_MAX];
static uint32_t payload_length;
static uint8_t answer[EVENTS_MAX * 10 + SENT_MAX + 64];
static size_t answer_length;

static uint64_t number(size_t at, int bytes)
{
    uint64_t value = 0;

    for (int byte = bytes - 1; byte >= 0; byte--) {
        value = value << 8 | payload[at + (size_t)byte];
    }
    return value;
}

static void put(uint64_t value, int bytes)
{
    for (int byte = 0; byte < bytes; byte++) {
        answer[answer_length++] = (uint8_t)(value >> (8 * byte));
    }
}

static void put_bytes(const uint8_t *bytes, size_t length)
{
    memcpy(&answer[answer_length], bytes, length);
    answer_length += length;
}

#define RUN_HEAD 38
static void do_run(void)
{
    machine.stops = payload[8];
    outside.hands = (uint32_t)number(9, 4);
    outside.current_mv = (uint16_t)number(13, 2);
    outside.aux_mv = (uint16_t)number(15, 2);
    for (size_t at = 0; at < CONVERTERS; at++) {
        converters[at].value = (int32_t)number(17 + 7 * at, 4);
        converters[at].cold = (int16_t)number(21 + 7 * at, 2);
        converters[at].status = payload[23 + 7 * at];
    }
    machine_feed(&payload[RUN_HEAD], payload_length - RUN_HEAD);
    wiring_analogue();
    machine_run_until(number(0, 8));
    put(machine_now_us(), 8);
    put(machine.avr->cycle - machine.asleep - machine.held, 8);
    put(machine.asleep, 8);
    for (int at = 0; at < CONVERTERS; at++) {
        put(converters[at].registers[1], 1);
    }
    for (int at = 0; at < CONVERTERS; at++) {
        put(converters[at].finished, 4);
    }
    put(machine.event_count, 2);
    for (size_t at = 0; at < machine.event_count; at++) {
        put(machine.events[at].us, 8);
        put(machine.events[at].kind, 1);
        put(machine.events[at].value, 1);
    }
    put_bytes(machine.sent, machine.sent_count);
    machine.event_count = machine.sent_count = 0;
}

static void do_reset(void)
{
    machine_reset(payload[0], payload[1] != 0, number(2, 4) * machine.avr->frequency / 1000000);
}

static void do_eeprom(void)
{
    static uint8_t image[8192];
    avr_eeprom_desc_t all = {.ee = image, .offset = 0, .size = machine.avr->e2end + 1u};

    if (payload_length > 2) {
        avr_eeprom_desc_t some = {.ee = &payload[2], .offset = (uint16_t)number(0, 2), .size = payload_length - 2};
        avr_ioctl(machine.avr, AVR_IOCTL_EEPROM_SET, &some);
    }
    avr_ioctl(machine.avr, AVR_IOCTL_EEPROM_GET, &all);
    put_bytes(image, all.size);
}

static void do_memory(void)
{
    uint8_t *from = payload[0] ? machine.avr->flash : machine.avr->data;
    size_t at = number(1, 4), length = number(5, 2);

    put_bytes(&from[at], length);
    memcpy(&from[at], &payload[7], payload_length - 7);
}

static void do_stick(void)
{
    uint16_t where = (uint16_t)number(1, 2);

    if (payload[0] == 2) {
        machine_wear(where, payload[3]);
    } else if (payload[0]) {
        outside.stuck_pin = where == UINT16_MAX ? -1 : where;
        outside.stuck_high = payload[4];
    } else {
        machine.ram_stuck = where == UINT16_MAX ? 0 : where;
        machine.ram_stuck_mask = where == UINT16_MAX ? 0 : (uint8_t)(1u << payload[3]);
        machine.ram_stuck_level = payload[4] ? machine.ram_stuck_mask : 0;
    }
}

static void do_fail(void)
{
    converters[payload[0]].fails = payload[1];
    if (payload[1] == FAILS_SETTINGS) {
        converters[payload[0]].fails = FAILS_NOT;
        converter_power_on(&converters[payload[0]]); /* its supply sagged: the settings are lost */
    }
}

static bool whole(void *to, size_t length)
{
    return length == 0 || fread(to, 1, length, stdin) == length;
}

int main(int argc, char **argv)
{
    static void (*const DOES[128])(void) = {['R'] = do_run, ['Z'] = do_reset, ['F'] = machine_freeze, ['E'] = do_eeprom,
        ['M'] = do_memory, ['S'] = do_stick, ['C'] = do_fail, ['Q'] = machine_take_back};
    uint8_t head[5];

    if (argc != 4) {
        fprintf(stderr, "usage: %s FIRMWARE.bin OUTPUTS_AT FREQUENCY\n", argv[0]);
        return 2;
    }
    machine_start(argv[1], CHIP);
    machine.outputs_at = (uint16_t)strtoul(argv[2], NULL, 0);
    machine.avr->frequency = (uint32_t)strtoul(argv[3], NULL, 0);
    while (whole(head, sizeof head)) {
        payload_length = (uint32_t)(head[1] | head[2] << 8 | head[3] << 16 | (uint32_t)head[4] << 24);
        if (head[0] > 127 || DOES[head[0]] == NULL || payload_length > PAYLOAD_MAX || !whole(payload, payload_length)) {
            fprintf(stderr, "not a request: %u of %u bytes\n", head[0], payload_length);
            return 2;
        }
        answer_length = 4;
        DOES[head[0]]();
        uint32_t length = (uint32_t)answer_length - 4;
        memcpy(answer, &length, sizeof length);
        fwrite(answer, 1, answer_length, stdout);
        fflush(stdout);
    }
    return 0;
}

#include "selftest.h"

#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>
#include <util/delay.h>

#include "board.h"
#include "clock.h"
#include "senses.h"

#define PROGRAM_SLICE 8u
#define REGISTERS_EVERY 16u /* passes; the others take program and RAM in turn */
#define BLOCK_BYTES 8u
#define BLOCK_STEP 4u /* blocks overlap, so that neighbours over a border are seen too */
#define PAINT 0xC5u
#define PAINT_SPARE 16u /* bytes under the stack pointer that painting leaves alone */
#define PAINT_WATCHED 4u /* bytes at the far end that must stay painted */
#define LEVEL_US 3.0
#define REFERENCE_LEAST_MV 940u /* 1.0 to 1.2 V at a supply of 4.75 to 5.25 V; from memory of the data sheet */
#define REFERENCE_MOST_MV 1270u
#define DOUBTS_MAX 3u /* reference readings in a row, or the same input */

extern uint8_t march_block(uint8_t *block);
extern uint8_t registers_test(void);
extern void early(void);
extern uint8_t __data_load_end; /* the linker's: as an address in flash, one past the image */
extern uint8_t _end; /* the linker's: one past the last variable */

/* CRC-32 (reflected, polynomial 0xEDB88320), half a byte at a time. */
static const uint32_t CRC_TABLE[16] PROGMEM = {
    0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
    0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu,
};

typedef enum {
    TEST_PROGRAM = 0x01,
    TEST_RAM = 0x02,
    TEST_REGISTERS = 0x04,
    TEST_CLOCK = 0x08,
    TEST_INPUTS = 0x10,
    TEST_REFERENCE = 0x20,
    TEST_STACK = 0x40
} test_t;

static uint8_t failed; /* TEST_ bits; also in GPIOR2, for whoever looks with a programmer */
static uint8_t turn;
static uint32_t hash;
static uint32_t crc;
static uint16_t crc_at;
static uint16_t block_at;
static uint8_t input_at;
static uint8_t input_doubts;
static uint8_t reference_doubts;

/* Runs before C has its memory: no variables. Outputs low, and a watchdog that may still be at 16 ms after its own
 * reset back to its length. */
void early(void)
{
    pin_modulator_low();
    pin_modulator_drive();
    pin_contactor_low();
    pin_contactor_drive();
    GPIOR0 = MCUSR;
    MCUSR = 0u;
    wdt_enable(WDTO_1S);
    wdt_reset(); /* a new length counts from here */
}

uint8_t selftest_reset_flags(void)
{
    return GPIOR0;
}

void selftest_paint(void)
{
    volatile uint8_t *last = (volatile uint8_t *)(SP - PAINT_SPARE);

    for (volatile uint8_t *at = &_end; at < last; at++) {
        *at = PAINT;
    }
}

static bool paint_holds(void)
{
    const volatile uint8_t *at = &_end;
    bool holds = true;

    for (uint8_t byte = 0u; byte < PAINT_WATCHED; byte++) {
        holds = (at[byte] == PAINT) && holds;
    }
    return holds;
}

static uint32_t crc32_more(uint32_t before, uint8_t byte)
{
    uint32_t now = before ^ byte;

    now = pgm_read_dword(&CRC_TABLE[now & 0x0Fu]) ^ (now >> 4);
    return pgm_read_dword(&CRC_TABLE[now & 0x0Fu]) ^ (now >> 4);
}

/* Goes on by a slice. True at the end of the image, when `sum` is its checksum. */
static bool program_slice(uint32_t *sum)
{
    uint16_t end = (uint16_t)&__data_load_end;

    if (crc_at == 0u) {
        crc = UINT32_MAX;
    }
    for (uint8_t byte = 0u; (byte < PROGRAM_SLICE) && (crc_at < end); byte++) {
        crc = crc32_more(crc, pgm_read_byte(crc_at));
        crc_at++;
    }
    if (crc_at < end) {
        return false;
    }
    crc_at = 0u;
    *sum = ~crc;
    return true;
}

/* seal.py has put the checksum behind the image. */
static bool program_holds(uint32_t sum)
{
    return sum == pgm_read_dword((uint16_t)&__data_load_end);
}

#define INPUT_TEST(name) \
    static bool name##_follows(void) \
    { \
        bool low = false; \
        bool high = false; \
        pin_##name##_low(); \
        pin_##name##_drive(); \
        _delay_us(LEVEL_US); \
        low = !pin_##name##_reads(); \
        pin_##name##_high(); \
        _delay_us(LEVEL_US); \
        high = pin_##name##_reads(); \
        pin_##name##_listen(); \
        return low && high; \
    }
INPUT_TEST(door)
INPUT_TEST(local_stop)
INPUT_TEST(smoke)
INPUT_TEST(contactor_open)
#if !BUTTONS_SHARE_A_PIN
INPUT_TEST(arm)
INPUT_TEST(silence)
#endif
#if HAS_MAINS_AND_LIMITER
INPUT_TEST(mains)
INPUT_TEST(limiter)
#endif
static bool input_follows(uint8_t which)
{
    switch (which) {
    case 0u:
        return door_follows();
    case 1u:
        return local_stop_follows();
    case 2u:
        return smoke_follows();
#if !BUTTONS_SHARE_A_PIN
    case 3u:
        return arm_follows();
    case 4u:
        return silence_follows();
#endif
#if HAS_MAINS_AND_LIMITER
    case 5u:
        return mains_follows();
    case 6u:
        return limiter_follows();
#endif
    default:
        return contactor_open_follows();
    }
}
#define INPUTS (BUTTONS_SHARE_A_PIN ? 4u : 8u)

/* A pin is judged again before it is called stuck: a contact may change in the middle. */
static bool input_holds(void)
{
    if (input_follows(input_at)) {
        input_doubts = 0u;
        input_at = (uint8_t)((input_at + 1u) % INPUTS);
    } else {
        input_doubts++;
    }
    return input_doubts < DOUBTS_MAX;
}

static bool reference_holds(void)
{
    uint16_t mv = senses_reference_mv();

    if ((mv == 0u) || ((mv >= REFERENCE_LEAST_MV) && (mv <= REFERENCE_MOST_MV))) {
        reference_doubts = 0u;
    } else if (reference_doubts < UINT8_MAX) {
        reference_doubts++;
    } else {
        /* long since counted */
    }
    return reference_doubts < (DOUBTS_MAX * 8u);
}

static bool block_holds(void)
{
    uint8_t wrong = march_block((uint8_t *)(RAMSTART + block_at));

    block_at = (uint16_t)(block_at + BLOCK_STEP);
    if (block_at > ((RAMEND - RAMSTART) + 1u - BLOCK_BYTES)) {
        block_at = 0u;
    }
    return wrong == 0u;
}

static void judge(test_t test, bool holds)
{
    if (!holds) {
        failed = (uint8_t)(failed | (uint8_t)test);
        GPIOR2 = failed;
    }
}

void selftest_start(void)
{
    bool whole = false;

    GPIOR2 = 0u;
    for (uint16_t slice = 0u; (slice < (UINT16_MAX / PROGRAM_SLICE)) && !whole; slice++) {
        whole = program_slice(&hash);
    }
    judge(TEST_PROGRAM, whole && program_holds(hash));
    judge(TEST_RAM, GPIOR1 == 0u);
    judge(TEST_REGISTERS, registers_test() == 0u);
    judge(TEST_CLOCK, clock_cross_check());
}

void selftest_pass(void)
{
    uint32_t sum = 0u;

    turn++;
    if ((turn % REGISTERS_EVERY) == 0u) {
        judge(TEST_REGISTERS, registers_test() == 0u);
    } else if ((turn % 2u) == 0u) {
        judge(TEST_RAM, block_holds());
    } else if (program_slice(&sum)) {
        judge(TEST_PROGRAM, (sum == hash) && program_holds(sum));
    } else {
        /* the program's sum goes on in its next turn */
    }
    judge(TEST_CLOCK, clock_steady());
    judge(TEST_INPUTS, input_holds());
    judge(TEST_REFERENCE, reference_holds());
    judge(TEST_STACK, paint_holds());
}

bool selftest_good(void)
{
    return failed == 0u;
}

uint32_t selftest_hash(void)
{
    return hash;
}

#include "selftest.h"

#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/wdt.h>
#include <util/delay.h>

#include "board.h"
#include "clock.h"
#include "flash.h"
#include "senses.h"

#define PROGRAM_SLICE 7u
#define EVERY_INPUT 8u /* passes between turns; the program has all others */
#define EVERY_REGISTERS 16u
#define EVERY_BLOCK 4u
#define BLOCK_BYTES 8u
#define BLOCK_STEP 6u /* blocks overlap, so that neighbours over a border are seen too; divides both chips' RAM less a block */
#define PAINT 0xC5u
#define PAINT_SPARE 16u /* bytes under the stack pointer that painting leaves alone */
#define PAINT_WATCHED 4u /* bytes at the far end that must stay painted */
#define LEVEL_US 3.0
#define REFERENCE_LEAST_MV 940u /* 1.0 to 1.2 V at a supply of 4.75 to 5.25 V; from memory of the data sheet */
#define REFERENCE_MOST_MV 1270u
#define DOUBTS_MAX 3u /* of the same input, in a row */
#define REFERENCE_DOUBTS_MAX 24u /* looks in a row: more than the first reading after a start takes to come */

/* In start.S: D-1 */
extern uint8_t march_block(uint8_t *block);
extern uint8_t registers_test(void);
extern uint32_t crc32_more(uint32_t before, uint16_t at, uint8_t count);
extern void early(void);
/* The linker's own names, of which only the address means something: D-7 */
extern uint8_t __data_load_end[]; /* in flash, one past the image */
extern uint8_t _end[]; /* in RAM, one past the last variable */

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

    for (volatile uint8_t *at = _end; at < last; at++) { /* D-5 */
        *at = PAINT;
    }
}

static bool paint_holds(void)
{
    const volatile uint8_t *at = _end;
    bool holds = true;

    for (uint8_t byte = 0u; byte < PAINT_WATCHED; byte++) {
        holds = (at[byte] == PAINT) && holds;
    }
    return holds;
}

/* Goes on by a slice. True at the end of the image, when `sum` is its checksum. */
static bool program_slice(uint32_t *sum)
{
    uint16_t left = (uint16_t)((uint16_t)__data_load_end - crc_at);
    uint8_t count = (uint8_t)((left < PROGRAM_SLICE) ? left : PROGRAM_SLICE);

    crc = crc32_more((crc_at == 0u) ? UINT32_MAX : crc, crc_at, count);
    *sum = ~crc;
    crc_at = (left > count) ? (uint16_t)(crc_at + count) : 0u;
    return left <= count;
}

/* seal.py has put the checksum behind the image. */
static bool program_holds(uint32_t sum)
{
    return sum == pgm_read_dword((uint16_t)__data_load_end);
}

/* Where a contact's pin is read. The chip keeps its direction and its level in the two bytes behind that. D-5 */
#define INPUT(name, letter, bit) {&PIN##letter, (uint8_t)(1u << (bit))},

typedef struct {
    volatile uint8_t *reads;
    uint8_t mask;
} input_t;

static const IN_FLASH input_t INPUTS[] = {CONTACT_PINS(INPUT)};
#define INPUTS_COUNT ((uint8_t)(sizeof(INPUTS) / sizeof(INPUTS[0])))

/* A kiloohm stands between a pin and its contact, so the pin may be driven for a moment and must read what it drives. */
static bool input_follows(const IN_FLASH input_t *input)
{
    volatile uint8_t *drives = input->reads + 1;
    volatile uint8_t *level = input->reads + 2;
    uint8_t driven_low = 0u;
    uint8_t driven_high = 0u;

    *level &= (uint8_t)~input->mask;
    *drives |= input->mask;
    _delay_us(LEVEL_US);
    driven_low = *input->reads;
    *level |= input->mask;
    _delay_us(LEVEL_US);
    driven_high = *input->reads;
    *drives &= (uint8_t)~input->mask;
    return ((driven_low & input->mask) == 0u) && ((driven_high & input->mask) != 0u);
}

/* A pin is judged again before it is called stuck: a contact may change in the middle. */
static bool input_holds(void)
{
    if (input_follows(&INPUTS[input_at])) {
        input_doubts = 0u;
        input_at = (uint8_t)((input_at < (INPUTS_COUNT - 1u)) ? (input_at + 1u) : 0u);
    } else {
        input_doubts++;
    }
    return input_doubts < DOUBTS_MAX;
}

static bool reference_holds(void)
{
    uint16_t mv = senses_reference_mv();

    if ((mv >= REFERENCE_LEAST_MV) && (mv <= REFERENCE_MOST_MV)) {
        reference_doubts = 0u;
    } else if (reference_doubts < UINT8_MAX) {
        reference_doubts++;
    } else {
        /* long since counted */
    }
    return reference_doubts < REFERENCE_DOUBTS_MAX;
}

static bool block_holds(void)
{
    uint8_t wrong = march_block((uint8_t *)(RAMSTART + block_at)); /* D-5 */

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
    if ((turn % EVERY_INPUT) == 0u) {
        judge(TEST_INPUTS, input_holds());
    } else if ((turn % EVERY_REGISTERS) == 1u) {
        judge(TEST_REGISTERS, registers_test() == 0u);
    } else if ((turn % EVERY_BLOCK) == 2u) {
        judge(TEST_RAM, block_holds());
    } else if (program_slice(&sum)) {
        judge(TEST_PROGRAM, (sum == hash) && program_holds(sum));
    } else {
        /* the program's sum goes on in its next turn */
    }
    judge(TEST_CLOCK, clock_steady());
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

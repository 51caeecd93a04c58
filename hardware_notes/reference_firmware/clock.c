/* Timer 1 makes the tick: 16 MHz / 8 / 20,000. Timer 0 runs freely at 64 us beside it, so that a tick that is lost,
 * doubled or of the wrong length shows at the next one. */
#include "clock.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <util/atomic.h>

#include "decide.h"

#define TICK_COUNTS 20000u /* of 0.5 us */
#define TICK_US 10000u
#define COUNTS_PER_US 2u
#define BESIDE_LEAST 150u /* of 64 us: 156.25 is right, interrupts may be off for 0.2 ms */
#define BESIDE_MOST 162u
#define BEAT_LEAST 22400u /* of 0.5 us: the watchdog's 16 ms, +-30 %; its spread is from memory of the data sheet */
#define BEAT_MOST 41600u
#define BEAT_TRIES 60000u /* bounded wait, well over one beat */

/* Shared with the interrupts: D-6 */
static volatile uint8_t ticks;
static volatile uint8_t beside;
static volatile bool steady = true;
static volatile bool begun;
static volatile uint16_t beat_at;
static volatile uint8_t beats;
static uint32_t up_s;
static uint8_t up_ticks;

ISR(TIMER1_COMPA_vect)
{
    uint8_t now = TCNT0;
    uint8_t step = (uint8_t)(now - beside);

    if (begun && ((step < BESIDE_LEAST) || (step > BESIDE_MOST))) {
        steady = false;
    }
    begun = true;
    beside = now;
    if (ticks < UINT8_MAX) {
        ticks++;
    }
}

ISR(WDT_vect)
{
    beat_at = TCNT1;
    beats++;
}

void clock_start(void)
{
    TCCR0A = 0u;
    TCCR0B = (uint8_t)((1u << CS02) | (1u << CS00));
    TCCR1A = 0u;
    OCR1A = TICK_COUNTS - 1u;
    TCNT1 = 0u;
    TIFR1 = (uint8_t)(1u << OCF1A);
    TIMSK1 = (uint8_t)(1u << OCIE1A);
    TCCR1B = (uint8_t)((1u << WGM12) | (1u << CS11));
}

/* Waits for the next beat of the watchdog, in its interrupt mode; its reset stays armed behind the interrupt. */
static bool beat_wait(uint16_t *at)
{
    uint8_t before = beats;
    uint16_t tries = BEAT_TRIES;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) /* D-8 */
    {
        WDTCSR = (uint8_t)((1u << WDCE) | (1u << WDE));
        WDTCSR = (uint8_t)((1u << WDE) | (1u << WDIE)); /* 16 ms */
    }
    wdt_reset(); /* a new length counts from here */
    while ((beats == before) && (tries > 0u)) {
        tries--;
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        *at = beat_at;
    }
    return beats != before;
}

bool clock_cross_check(void)
{
    uint16_t first = 0u;
    uint16_t second = 0u;
    bool came = false;
    uint16_t beat = 0u;

    TCCR1A = 0u;
    TCCR1B = (uint8_t)(1u << CS11);
    came = beat_wait(&first);
    came = beat_wait(&second) && came;
    wdt_enable(WDTO_250MS);
    wdt_reset();
    beat = (uint16_t)(second - first);
    return came && (beat >= BEAT_LEAST) && (beat <= BEAT_MOST);
}

uint8_t clock_take(void)
{
    uint8_t taken = 0u;
    uint16_t sum = 0u;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        taken = ticks;
        ticks = 0u;
    }
    sum = (uint16_t)(up_ticks + taken);
    while (sum >= PASSES_PER_S) {
        sum = (uint16_t)(sum - PASSES_PER_S);
        up_s++;
    }
    up_ticks = (uint8_t)sum;
    return taken;
}

bool clock_waits(void)
{
    return ticks != 0u;
}

void clock_up(uint32_t *seconds, uint32_t *micros)
{
    uint16_t waiting = 0u;
    uint16_t counts = 0u;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        waiting = ticks;
        counts = TCNT1;
        if ((TIFR1 & (uint8_t)(1u << OCF1A)) != 0u) {
            waiting++;
            counts = TCNT1;
        }
    }
    waiting = (uint16_t)(waiting + up_ticks);
    *seconds = up_s;
    while (waiting >= PASSES_PER_S) {
        waiting = (uint16_t)(waiting - PASSES_PER_S);
        (*seconds)++;
    }
    *micros = ((uint32_t)waiting * TICK_US) + (counts / COUNTS_PER_US);
}

bool clock_steady(void)
{
    return steady;
}

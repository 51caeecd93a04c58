#include "senses.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "board.h"
#include "decide.h"
#include "flash.h"
#include "signals.h"

#define SUPPLY_REFERENCE (1u << REFS0)
#define ADC_DIVISOR ((1u << ADPS2) | (1u << ADPS1) | (1u << ADPS0)) /* 125 kHz: a conversion takes 0.1 ms */
#define MV_TIMES 625u /* of 128: 5,000 mV in 1,024 steps */
#define MV_SHIFT 7u
#define FAN_PULSES_MAX 20u /* a pass; more is noise, and would take the processor's time */

#if BUTTONS_SHARE_A_PIN
#define ANALOGUE_reference 0x0E
enum { TO_BUTTONS, TO_AUX, TO_CURRENT, TO_REFERENCE, TO_NOTHING, VALUES };
#define TURN(A) A(buttons, TO_BUTTONS) A(aux, TO_AUX) A(buttons, TO_BUTTONS) A(current, TO_CURRENT) \
    A(buttons, TO_BUTTONS) A(reference, TO_NOTHING) A(reference, TO_REFERENCE)
#else
#define ANALOGUE_reference 0x1E
enum { TO_AUX, TO_CURRENT, TO_REFERENCE, TO_NOTHING, VALUES };
#define TURN(A) A(aux, TO_AUX) A(current, TO_CURRENT) A(reference, TO_NOTHING) A(reference, TO_REFERENCE)
#endif

#if defined(__AVR_ATmega2560__)
#define FAN_VECTOR INT4_vect
#define FAN_BIT INT4
#define FAN_EDGE() (EICRB |= (uint8_t)(1u << ISC41))
#else
#define FAN_VECTOR INT0_vect
#define FAN_BIT INT0
#define FAN_EDGE() (EICRA |= (uint8_t)(1u << ISC01))
#endif

typedef struct {
    uint8_t channel;
    uint8_t to;
} measurement_t;

/* The reference is measured twice and the first thrown away: it is slow to settle behind the switch. */
#define MEASUREMENT(name, to) {ANALOGUE_##name, to},
static const IN_FLASH measurement_t MEASUREMENTS[] = {TURN(MEASUREMENT)};
#define TURNS ((uint8_t)(sizeof(MEASUREMENTS) / sizeof(MEASUREMENTS[0])))

static uint16_t values_mv[VALUES];
static uint8_t turn;
static bool measuring;
static contacts_t contacts;
static volatile uint8_t fan_edges; /* of this pass; shared with its interrupt, D-6 */
static uint16_t fan_sum;
static uint16_t fan_pulses;
static uint16_t fan_passes;

ISR(FAN_VECTOR)
{
    fan_edges++;
    if (fan_edges >= FAN_PULSES_MAX) {
        EIMSK &= (uint8_t)~(1u << FAN_BIT);
    }
}

void senses_start(void)
{
    pin_contactor_open_high();
    pin_door_high();
    pin_local_stop_high();
    pin_smoke_high();
    pin_fan_high();
#if !BUTTONS_SHARE_A_PIN
    pin_arm_high();
    pin_silence_high();
    values_mv[TO_REFERENCE] = 0u;
#else
    values_mv[TO_BUTTONS] = UINT16_MAX;
#endif
#if HAS_MAINS_AND_LIMITER
    pin_mains_high();
    pin_limiter_high();
#endif
    contacts.steady = (uint8_t)(CONTACT_LOCAL_STOP | CONTACT_CONTACTOR);
    FAN_EDGE();
    EIFR = (uint8_t)(1u << FAN_BIT);
    EIMSK |= (uint8_t)(1u << FAN_BIT);
    ADCSRA = (uint8_t)((1u << ADEN) | ADC_DIVISOR);
}

static void analogue_pass(void)
{
    uint32_t steps = 0u;

    if ((ADCSRA & (uint8_t)(1u << ADSC)) != 0u) {
        return;
    }
    if (measuring) {
        steps = ADC;
        values_mv[MEASUREMENTS[turn].to] = (uint16_t)((steps * MV_TIMES) >> MV_SHIFT);
        turn = (uint8_t)((turn < (TURNS - 1u)) ? (turn + 1u) : 0u);
    }
    measuring = true;
    ADMUX = (uint8_t)(SUPPLY_REFERENCE | MEASUREMENTS[turn].channel);
    ADCSRA |= (uint8_t)(1u << ADSC);
}

static void fan_pass(uint8_t passes)
{
    uint8_t edges = 0u;

    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        edges = fan_edges;
        fan_edges = 0u;
        EIMSK |= (uint8_t)(1u << FAN_BIT);
    }
    fan_sum = (uint16_t)(fan_sum + edges);
    fan_passes = (uint16_t)(fan_passes + passes);
    if (fan_passes >= PASSES_PER_S) {
        fan_pulses = fan_sum;
        fan_sum = 0u;
        fan_passes = 0u;
    }
}

static uint8_t when(bool stands, contact_t contact)
{
    return stands ? (uint8_t)contact : 0u;
}

/* Closed contacts read low. */
static uint8_t contacts_now(void)
{
    uint8_t now = when(!pin_door_reads(), CONTACT_DOOR_SHUT);

    now |= when(pin_local_stop_reads(), CONTACT_LOCAL_STOP);
    now |= when(!pin_smoke_reads(), CONTACT_SMOKE);
    now |= when(pin_contactor_open_reads(), CONTACT_CONTACTOR);
#if BUTTONS_SHARE_A_PIN
    now |= when(values_mv[TO_BUTTONS] < LADDER_ARM_MV, CONTACT_ARM);
    now |= when((values_mv[TO_BUTTONS] < LADDER_BOTH_MV)
            || ((values_mv[TO_BUTTONS] >= LADDER_ARM_MV) && (values_mv[TO_BUTTONS] < LADDER_SILENCE_MV)),
        CONTACT_SILENCE);
#else
    now |= when(!pin_arm_reads(), CONTACT_ARM);
    now |= when(!pin_silence_reads(), CONTACT_SILENCE);
#endif
#if HAS_MAINS_AND_LIMITER
    now |= when(!pin_mains_reads(), CONTACT_MAINS);
    now |= when(!pin_limiter_reads(), CONTACT_LIMITER);
#endif
    return now;
}

void senses_pass(uint8_t passes)
{
    analogue_pass();
    fan_pass(passes);
    (void)contacts_pass(&contacts, contacts_now());
}

uint8_t senses_contacts(void)
{
    return contacts.steady;
}

bool senses_modulator(void)
{
    return pin_modulator_reads();
}

bool senses_contactor(bool has_contact)
{
    return has_contact ? ((contacts.steady & (uint8_t)CONTACT_CONTACTOR) != 0u) : pin_contactor_reads();
}

uint16_t senses_aux_mv(void)
{
    return values_mv[TO_AUX];
}

uint16_t senses_current_mv(void)
{
    return values_mv[TO_CURRENT];
}

uint16_t senses_reference_mv(void)
{
    return values_mv[TO_REFERENCE];
}

uint16_t senses_fan_pulses(void)
{
    return fan_pulses;
}

/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "converters.h"

#include <string.h>

enum { CR0 = 0, CR1 = 1, CJHF = 3, CJLF, LTHFTH, LTHFTL, LTLFTH, LTLFTL, CJTO, CJTH, CJTL, LTCBH, LTCBM, LTCBL, SR };
enum { CR0_AUTOMATIC = 0x80, CR0_ONE_SHOT = 0x40, CR0_OPEN_TEST = 0x30, CR0_50_HZ = 0x01 };
enum { SR_CJHIGH = 0x20, SR_CJLOW = 0x10, SR_TCHIGH = 0x08, SR_TCLOW = 0x04, SR_OPEN = 0x01 };
#define WRITABLE 12 /* CR0 to CJTL */
#define ONE_SHOT_50_HZ_MS 169
#define ONE_SHOT_60_HZ_MS 143
#define AUTOMATIC_MS 100

static const uint8_t POWER_ON[CONVERTER_REGISTERS] = {0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80};

void converter_power_on(converter_t *one)
{
    memcpy(one->registers, POWER_ON, sizeof POWER_ON);
    one->ready = 0;
}

static int16_t word(const converter_t *one, int high)
{
    return (int16_t)((one->registers[high] << 8) | one->registers[high + 1]);
}

static uint8_t thresholds(const converter_t *one)
{
    int32_t value = one->value / 8;            /* 1/16 degC, as the limits are */
    int32_t cold = one->cold / 64;             /* whole degC */
    uint8_t bits = 0;

    bits |= (cold > (int8_t)one->registers[CJHF]) ? SR_CJHIGH : 0;
    bits |= (cold < (int8_t)one->registers[CJLF]) ? SR_CJLOW : 0;
    bits |= (value > word(one, LTHFTH)) ? SR_TCHIGH : 0;
    bits |= (value < word(one, LTLFTH)) ? SR_TCLOW : 0;
    return bits;
}

static void measured(converter_t *one)
{
    uint32_t value = (uint32_t)one->value << 5;
    uint16_t cold = (uint16_t)((int32_t)one->cold * 4 + (int8_t)one->registers[CJTO] * 16);
    uint8_t status = one->status;

    if ((one->registers[CR0] & CR0_OPEN_TEST) == 0) {
        status &= (uint8_t)~SR_OPEN; /* nobody asked for the test */
    }
    one->registers[LTCBH] = (uint8_t)(value >> 16);
    one->registers[LTCBM] = (uint8_t)(value >> 8);
    one->registers[LTCBL] = (uint8_t)value;
    one->registers[CJTH] = (uint8_t)(cold >> 8);
    one->registers[CJTL] = (uint8_t)cold;
    one->registers[SR] = (uint8_t)(status | thresholds(one));
    one->finished++;
}

static void settle(converter_t *one, uint64_t cycle, uint64_t ms)
{
    if (one->ready == 0 || cycle < one->ready || one->fails == FAILS_HUNG) {
        return;
    }
    measured(one);
    one->registers[CR0] &= (uint8_t)~CR0_ONE_SHOT;
    one->ready = (one->registers[CR0] & CR0_AUTOMATIC) ? cycle + AUTOMATIC_MS * ms : 0;
}

static void configured(converter_t *one, uint64_t cycle, uint64_t ms)
{
    uint64_t takes = (one->registers[CR0] & CR0_50_HZ) ? ONE_SHOT_50_HZ_MS : ONE_SHOT_60_HZ_MS;

    if (one->registers[CR0] & CR0_AUTOMATIC) {
        one->ready = cycle + AUTOMATIC_MS * ms;
    } else if ((one->registers[CR0] & CR0_ONE_SHOT) && one->ready == 0) {
        one->ready = cycle + takes * ms;
    }
}

void converter_select(converter_t *one, bool selected)
{
    if (one->selected != selected) {
        one->addressed = false;
    }
    one->selected = selected;
}

uint8_t converter_exchange(converter_t *one, uint8_t sent, uint64_t cycle, uint64_t ms)
{
    uint8_t answer = 0;

    if (one->fails == FAILS_ALL_ZEROS || one->fails == FAILS_ALL_ONES) {
        return one->fails == FAILS_ALL_ONES ? 0xFF : 0x00;
    }
    settle(one, cycle, ms);
    if (!one->addressed) {
        one->addressed = true;
        one->writing = (sent & 0x80) != 0;
        one->at = sent & 0x0F;
        return 0;
    }
    if (!one->writing) {
        answer = one->registers[one->at];
    } else if (one->at < WRITABLE) {
        one->registers[one->at] = sent;
        if (one->at == CR0) {
            configured(one, cycle, ms);
        }
    }
    one->at = (uint8_t)((one->at + 1) % CONVERTER_REGISTERS);
    return answer;
}

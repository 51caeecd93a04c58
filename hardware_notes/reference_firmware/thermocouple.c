#include "thermocouple.h"

#include "decide.h"

#define SR_COLD_RANGE 0x80u
#define SR_RANGE 0x40u
#define SR_OVER_OR_UNDER 0x02u
#define SR_OPEN 0x01u
#define VALUE_SPARE 5u /* bits: the value's 19 stand at the top of 24 */
#define VALUE_DOWN 4u /* its step is 2^-7 degC: 125/16 of 0.001 degC */
#define COLD_DOWN 8u /* its step is 2^-6 degC, at the top of 16 bits: 1/256 degC, 125/32 */
#define COLD_MIN_MC 0
#define COLD_MAX_MC 70000

/* CR0, CR1 (no averaging, type K), MASK (the fault pin is not used), then limits the converter never reaches, and no
 * offset for the cold junction. */
const uint8_t THERMOCOUPLE_SETTINGS[SETTING_BYTES] = {
    CR0_OURS, 0x03u, 0xFFu, 0x7Fu, 0xC0u, 0x7Fu, 0xFFu, 0x80u, 0x00u, 0x00u,
};

/* Three bytes, the first on top, to 0.001 degC: 125 times, and `down` powers of two. Exact to the unit, towards zero; by
 * shifts, since a division costs this processor ten times as much. */
static int32_t mc_of(uint8_t top, uint8_t middle, uint8_t low, uint8_t down)
{
    uint32_t raw = ((uint32_t)top << 16) | ((uint32_t)middle << 8) | (uint32_t)low;
    bool negative = top >= 0x80u;
    int32_t mc = (int32_t)((((negative ? (0x1000000u - raw) : raw) >> VALUE_SPARE) * 125u) >> down);

    return negative ? -mc : mc;
}

static uint8_t faults_of(uint8_t status, int32_t cold_mc)
{
    uint8_t faults = 0u;

    if ((status & SR_OPEN) != 0u) {
        faults |= (uint8_t)FAULT_OPEN;
    }
    if ((status & SR_OVER_OR_UNDER) != 0u) {
        faults |= (uint8_t)FAULT_SHORT_TO_SUPPLY;
    }
    if ((status & SR_RANGE) != 0u) {
        faults |= (uint8_t)FAULT_OUT_OF_RANGE;
    }
    if (((status & SR_COLD_RANGE) != 0u) || (cold_mc < COLD_MIN_MC) || (cold_mc > COLD_MAX_MC)) {
        faults |= (uint8_t)FAULT_COLD_JUNCTION;
    }
    return faults;
}

bool thermocouple_read(const uint8_t *registers, reading_t *reading)
{
    const uint8_t *value = &registers[REGISTER_LTCBH];
    const uint8_t *cold = &registers[REGISTER_CJTH];

    for (uint8_t at = 0u; at < SETTING_BYTES; at++) {
        if (registers[at] != THERMOCOUPLE_SETTINGS[at]) {
            return false;
        }
    }
    reading->value_mc = mc_of(value[0], value[1], value[2], VALUE_DOWN);
    reading->cold_mc = mc_of(cold[0], cold[1], 0u, COLD_DOWN);
    reading->faults = faults_of(registers[REGISTER_SR], reading->cold_mc);
    return true;
}
